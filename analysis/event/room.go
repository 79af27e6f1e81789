package event

import (
	"math"
	"slices"

	"greywatt"
)

// roomEstimate is what the clamps themselves say of the room where there is no
// ambient sensor: an hour and more after the last draw the drain and preheat
// clamps all stand at its temperature.
type roomEstimate struct {
	at   []greywatt.Instant // of the looks of the last day
	c    []float64          // °C
	last greywatt.Instant
}

// Without anything to go by: an inhabited dwelling's service space, common
// practice.
const (
	assumedRoomC = 20.0
	assumedRoomU = 3.0 // K, standard uncertainty of that
	restRoomU    = 1.0 // K, of the room as seen by resting clamps
	settledRestS = 90 * 60.0
	lookEvery    = greywatt.Instant(300e6)
	lookBackS    = 86400.0
)

// learn takes a look where the clamps have rested long enough.
func (r *roomEstimate) learn(a *Analyser, at greywatt.Instant) {
	// at most one in each five minutes of the clock, whenever the record begins
	if at/lookEvery == r.last/lookEvery || at.Sub(a.lastFlow) < settledRestS {
		return
	}
	var sum float64
	n := 0
	for _, c := range []greywatt.Channel{greywatt.WasteIn, greywatt.WasteOut, greywatt.PreheatOut} {
		b := &a.buf[c]
		if k := len(b.at); k > 0 && at.Sub(b.at[k-1]) < 600 {
			sum += b.v[k-1]
			n++
		}
	}
	if n < 2 {
		return
	}
	r.last = at
	old, _ := slices.BinarySearch(r.at, at.Add(-lookBackS))
	r.at = append(slices.Delete(r.at, 0, old), at)
	r.c = append(slices.Delete(r.c, 0, old), sum/float64(n))
}

// estimate returns the room's temperature, °C, and its standard uncertainty, K.
func (r *roomEstimate) estimate() (c, u float64) {
	if len(r.c) == 0 {
		return assumedRoomC, assumedRoomU
	}
	for _, v := range r.c {
		c += v / float64(len(r.c))
	}
	return c, restRoomU
}

// roomAt returns the room's temperature at each of the instants, ascending, and its
// standard uncertainty: from the ambient sensor where there is one, else as the
// resting clamps show it.
func (a *Analyser) roomAt(at []greywatt.Instant) (room []float64, u float64, assumed bool) {
	room = a.work.floats(len(at))
	b, _ := unspiked(a.buf[greywatt.Ambient].from(a.began.Add(-a.wants(greywatt.Ambient))))
	if len(b.at) == 0 {
		c, u := a.room.estimate()
		for k := range room {
			room[k] = c
		}
		return room, u, true
	}
	i := 0
	for k, at := range at {
		for i+1 < len(b.at) && b.at[i+1] <= at {
			i++
		}
		room[k] = b.v[i]
		if i+1 < len(b.at) && b.at[i] < at {
			room[k] += (b.v[i+1] - b.v[i]) * at.Sub(b.at[i]) / b.at[i+1].Sub(b.at[i])
		}
	}
	return room, math.Hypot(b.sensor.U95K/2, 0.2), false
}
