package event

import (
	"math"

	"greywatt"
)

// leaveFrozen empties the series of clamps that are of no use in the session: a
// sensor that has died holds its last reading, or one that stands for an error.
func (w *window) leaveFrozen(all *greywatt.Ports[series]) {
	var dead greywatt.Ports[bool]
	for c := greywatt.WasteIn; c.IsPort(); c++ {
		*dead.Of(c) = frozen(all, c)
	}
	for c, is := range dead.All() {
		if is {
			all.Of(c).at, all.Of(c).v = nil, nil
		}
	}
}

// frozen reports whether a port's readings never change by their last digit while
// its neighbour shows that they should.
func frozen(all *greywatt.Ports[series], c greywatt.Channel) bool {
	b := all.Of(c)
	if len(b.v) < frozenReadings || !constant(b.v) {
		return false
	}
	x := all.Of(neighbour[c]).v
	if len(x) < frozenReadings || constant(x) {
		return false
	}
	lo, hi, digit, changes := x[0], x[0], math.Inf(1), 0
	for k, v := range x {
		lo, hi = min(lo, v), max(hi, v)
		if k > 0 && v != x[k-1] {
			digit = min(digit, math.Abs(v-x[k-1]))
			changes++
		}
	}
	return hi-lo > frozenK && digit < frozenDigitK || digit < frozenFineK && float64(changes) > frozenLively*float64(len(x))
}

// Of a clamp that shows nothing, this project's choice.
const (
	frozenReadings = 60
	frozenK        = 3.0 // K that the neighbour moves,
	frozenDigitK   = 0.3 // in digits of less than this: a coarse converter may stand still;
	frozenLively   = 0.3 // or its share of readings that differ from the one before, by noise alone,
	frozenFineK    = 0.1 // in digits of less than this
)

// neighbour is the port of the same side, which moves when the water on that side
// runs.
var neighbour = [greywatt.NumPorts]greywatt.Channel{
	greywatt.WasteIn: greywatt.WasteOut, greywatt.WasteOut: greywatt.WasteIn,
	greywatt.ColdIn: greywatt.PreheatOut, greywatt.PreheatOut: greywatt.ColdIn,
}

func constant(v []float64) bool {
	for _, x := range v {
		if x != v[0] {
			return false
		}
	}
	return true
}
