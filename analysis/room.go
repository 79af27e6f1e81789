package analysis

import (
	"math"

	"greywatt"
)

// roomEstimate is what the clamps themselves say of the room where there is no
// ambient sensor: hours after the last draw they all stand at its temperature.
type roomEstimate struct {
	c      float64          // °C
	known  bool             // learnt from rest
	looked greywatt.Instant // last time
}

// Without anything to go by: an inhabited dwelling's service space, common
// practice.
const (
	assumedRoomC = 20.0
	assumedRoomU = 3.0 // K, standard uncertainty of that
	restRoomU    = 1.0 // K, of the room as seen by resting clamps
	settledRestS = 90 * 60.0
	lookEveryS   = 300.0
)

func newRoomEstimate() roomEstimate { return roomEstimate{c: assumedRoomC} }

// learn looks at the drain clamps, which no standing cold water keeps down,
// once they have rested for an hour and a half.
func (r *roomEstimate) learn(a *Analyser, at greywatt.Instant) {
	if at.Sub(a.lastFlow) < settledRestS || at.Sub(r.looked) < lookEveryS {
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
	r.looked = at
	now := sum / float64(n)
	if !r.known {
		r.c, r.known = now, true
		return
	}
	r.c += 0.1 * (now - r.c)
}

// u returns the standard uncertainty of the estimate, K.
func (r *roomEstimate) u() float64 {
	if r.known {
		return restRoomU
	}
	return assumedRoomU
}

// at returns the room's temperature at every time of t (s since origin) and its
// standard uncertainty: from the ambient sensor where there is one, else the
// estimate.
func (a *Analyser) roomAt(origin greywatt.Instant, t []float64) (room []float64, u float64, assumed bool) {
	room = make([]float64, len(t))
	b := &a.buf[greywatt.Ambient]
	if len(b.at) == 0 {
		for k := range room {
			room[k] = a.room.c
		}
		return room, a.room.u(), true
	}
	bt := make([]float64, len(b.at))
	for k := range bt {
		bt[k] = b.at[k].Sub(origin)
	}
	i := 0
	for k, s := range t {
		for i+1 < len(bt) && bt[i+1] <= s {
			i++
		}
		v := b.v[i]
		if i+1 < len(bt) && bt[i] <= s && bt[i+1] > bt[i] {
			v += (b.v[i+1] - b.v[i]) * (s - bt[i]) / (bt[i+1] - bt[i])
		}
		room[k] = v
	}
	return room, math.Hypot(b.sensor.U95K/2, 0.2), false
}
