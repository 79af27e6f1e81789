package event

import (
	"math"

	"greywatt/analysis/draw"
)

// A node that sleeps between readings should wake when water runs. One that wakes
// late shows the flow full at its first reading after rest, and its cold-in clamp
// already on the way to the temperature of the mains: how far, by the clamp's time
// constant, tells for how long the cold water has come.
const (
	wakeFull    = 0.8 // of the flow that follows: a first reading beneath it is of water that has just begun
	wakeStepK   = 1.5 // least fall of cold-in from rest to the mains that tells
	wakeLaterS  = 12  // s after the first reading, by when the clamp's water is the mains',
	wakeUntilS  = 25
	wakeS       = 3.0  // s of cold water at the clamp: less is a node that wakes in time
	standingS   = 5.0  // s that the pipe's standing water takes to pass the clamp, at most
	wakeLevelU  = 0.4  // K, standard uncertainty of the mains' temperature then
	wakeReadU   = 0.06 // K, of a reading
	wakePending = 0.08 // of the fall still to come: less says no more than that it was long ago
)

// A wake is the flow before a draw's first reading: the node slept.
type wake struct {
	s  float64 // for which water had run, s; 0: it woke in time
	u  float64 // standard uncertainty, s
	up float64 // of them, before cold water came: the water standing in the pipe passed first
}

// wake estimates for how long water ran before run r's first reading.
func (w *window) wake(r draw.Run) wake {
	k := r.First
	if k == 0 || r.Last <= k {
		return wake{}
	}
	gap := w.t[k] - w.t[k-1]
	if pace := w.t[k+1] - w.t[k]; gap < max(2*wakeS, 3*pace) {
		return wake{}
	}
	var ahead float64
	n := 0
	for j := k + 1; j <= r.Last && n < 6; j++ {
		ahead += w.flow[j]
		n++
	}
	if w.flow[k] < wakeFull*ahead/float64(n) {
		return wake{}
	}
	cold := &w.port[2]
	rest, first := cold.surface[k-1], cold.surface[k]
	var mains float64
	n = 0
	for j := k; j <= r.Last && w.t[j] <= w.t[k]+wakeUntilS; j++ {
		if w.t[j] >= w.t[k]+wakeLaterS {
			f := cold.sensor.LossFraction
			mains += cold.water[j]*(1-f) + f*w.room[j] // as the clamp would show it at rest
			n++
		}
	}
	mains /= float64(n)
	fall := rest - mains
	if !(fall >= wakeStepK) { // NaN where there is no reading, or none so long
		return wake{}
	}
	tau := max(cold.sensor.ResponseS, 0.5)
	left := (first - mains) / fall
	most := gap // water may have come right after the last reading at rest
	standing := min(standingS/2, most/4)
	if left < wakePending {
		least := min(tau*math.Log(1/wakePending), most)
		return wake{s: (least + most) / 2, u: (most - least) / math.Sqrt(12), up: standing}
	}
	s := tau * math.Log(1/min(left, 1))
	if s < wakeS {
		return wake{}
	}
	u := math.Hypot(responseU*s, tau*math.Hypot(wakeLevelU*(1-left), wakeReadU*math.Sqrt2)/(left*fall))
	u = math.Hypot(u, standingS/math.Sqrt(12))
	s += standing
	if s > most {
		s, u = most, math.Hypot(u, s-most)
	}
	return wake{s: s, u: min(u, most/math.Sqrt(12)), up: standing}
}
