package event

import (
	"math"

	"greywatt"
)

// leaveFrozen empties the series of clamps that are of no use in the session: a
// sensor that has died holds its last reading, or one that stands for an error. Of
// one that dies in the session's course, what it read before stays.
func (w *window) leaveFrozen(all *greywatt.Ports[series]) {
	var dead greywatt.Ports[bool]
	for c := greywatt.WasteIn; c.IsPort(); c++ {
		*dead.Of(c) = frozen(all, c)
	}
	for c, is := range dead.All() {
		if is {
			all.Of(c).at, all.Of(c).v = nil, nil
			continue
		}
		b := all.Of(c)
		if n := diedAt(b.v); n < len(b.v) {
			b.at, b.v = b.at[:n], b.v[:n]
		}
	}
}

// diedAt returns how many readings there are before a clamp's last value is held up
// to the end, where it was lively until then: len(v) for one that lives. A water
// temperature that settles, or a converter's steps, become still little by little:
// the readings before the last change are then few, or of few values.
func diedAt(v []float64) int {
	k := len(v) - 1
	for k > 0 && v[k-1] == v[k] {
		k--
	}
	if len(v)-k < diedReadings || k < frozenReadings {
		return len(v)
	}
	before := v[k-frozenReadings : k+1]
	changes := 0
	values := map[float64]bool{}
	for i, x := range before {
		values[x] = true
		if i > 0 && x != before[i-1] {
			changes++
		}
	}
	if float64(changes) < frozenLively*frozenReadings || len(values) < diedValues {
		return len(v)
	}
	return k + 1
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
	diedReadings   = 90  // of one value up to the session's end, after
	diedValues     = 8   // different ones among as many readings as frozenReadings
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
