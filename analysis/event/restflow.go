package event

import "math"

// What flows at rest shows between draws; how much of it is the meter's own zero
// nobody knows without shutting the stop valve.
const (
	afterDrawS   = 180.0 // s after a draw in which what drips is the draw's own
	restReadings = 6     // at least, of a resting flow
	zeroULMin    = 0.005 // l/min, standard uncertainty that no number of readings takes away
)

// restFlow returns the mains flow before the session while no draw ran, l/min, and
// its standard uncertainty: the mean of the readings of the lead-up beneath what
// opens a draw. NaN where too few tell.
func (w *window) restFlow() (lmin, u float64) {
	lastDraw := math.Inf(-1)
	var sum, squares, n float64
	for k, t := range w.t {
		if t >= 0 {
			break
		}
		q := w.flow[k]
		if q >= FlowingLMin {
			lastDraw = t
			continue
		}
		if t-lastDraw < afterDrawS {
			continue
		}
		sum += q
		squares += q * q
		n++
	}
	if n < restReadings {
		return math.NaN(), math.NaN()
	}
	mean := sum / n
	scatter := max(0, squares-n*mean*mean) / (n - 1)
	return mean, math.Hypot(math.Sqrt(scatter/n), zeroULMin)
}

// The least resting flow, l/min, that a draw's thresholds are raised by: beneath it
// they are far enough above.
const raisingLMin = 0.08

// drawn returns the flow above what runs at rest, l/min, in which runs are sought.
func (w *window) drawn() []float64 {
	if !(w.restLMin > raisingLMin && w.restLMin < FlowingLMin) {
		return w.flow
	}
	out := w.a.work.floats(len(w.flow))
	for k, q := range w.flow {
		out[k] = q - w.restLMin
		if q >= FlowingLMin && out[k] < FlowingLMin {
			out[k] = FlowingLMin // what opens the session opens a run
		}
	}
	return out
}
