package event

import (
	"math"

	"greywatt/analysis/draw"
)

// A node that wakes late finds the flow full at its first reading after rest. So does
// one in time where a valve opens at once, or where the meter itself wakes the node:
// a tap turned by hand takes a second or two. Where the node was late, water had run
// since some moment after the last reading at rest; how far the cold-in clamp has gone
// from its resting temperature to that of the mains tells, and for how long. All of
// this is this project's choice.
const (
	fullPart  = 0.03 // of the flow, within which the first readings agree,
	fullNoise = 1.6  // or so many times what the meter's noise makes of it
	wakeFastS = 3.0  // s between readings: at a slower pace the rise falls between two
	wakeLost  = 0.05 // of a draw's readings: where more are lost, those of the rise may be too
	wakeLostP = 0.01 // chance that all readings of so long a time are lost: less is no explanation

	wakeStepK  = 1.5 // least fall of cold-in, from rest to the mains, that tells
	wakeLaterS = 12  // s after the first reading, by when the clamp's water is the mains',
	wakeUntilS = 25
	wakeLeastS = 1.0  // s for which water ran, at least, before a node that woke late,
	wakeMostS  = 60.0 // and at most
	wakeLateP  = 0.4  // chance that a node was late, where nothing but a full flow says so
	promptS    = 2.0  // s for which water ran, at most, where it was not
	wakeColdS  = 3.0  // s of cold water at the clamp that its lag tells from none,
	wakeSureS  = 6.0  // and from a node that woke in time, where the flow rises
	standingS  = 20.0 // s that the water standing in the mains pipe takes to pass the clamp, at most
	wakeLevelU = 0.4  // K, standard uncertainty of the mains' temperature then
	wakeReadU  = 0.06 // K, of a reading
	longAgo    = 0.08 // of the fall still to come: less says no more than that it was long ago
)

// A wake is the flow before a draw's first reading: the node slept.
type wake struct {
	s      float64 // for which water had run, s; 0: it woke in time
	u      float64 // standard uncertainty, s
	gainS  float64 // of s, with cold water at the clamp: before, both ports are as warm
	gainSU float64
}

// between returns the wake of a moment of which only bounds are known.
func between(least, most float64) wake {
	most = max(least, most)
	return wake{s: (least + most) / 2, u: (most - least) / math.Sqrt(12)}
}

// perhaps returns the wake of a draw whose flow was full at once: by wakeLateP that
// of a late node, for most at most, or else that of a valve that opens at once.
func perhaps(most float64) wake {
	late, prompt := between(wakeLeastS, most), between(0, promptS)
	const p = wakeLateP
	s := p*late.s + (1-p)*prompt.s
	second := p*(late.s*late.s+late.u*late.u) + (1-p)*(prompt.s*prompt.s+prompt.u*prompt.u)
	return wake{s: s, u: math.Sqrt(second - s*s)}
}

// wake estimates for how long water ran before run r's first reading.
func (w *window) wake(r draw.Run) wake {
	k := r.First
	if k == 0 || r.Last < k+4 {
		return wake{}
	}
	gap := w.t[k] - w.t[k-1]
	pace, lost := w.usualInterval(r)
	if gap < max(6, 3*pace) || gap > max(200, 3*w.a.pace.restS()) || w.flow[k-1] >= FlowingLMin {
		return wake{}
	}
	// full tells only where a node awake in time would have shown the rise
	full := w.foundFull(r) && pace <= wakeFastS && lost <= wakeLost
	most := min(gap, wakeMostS)
	cold := &w.port.ColdIn
	rest, first := cold.surface[k-1], cold.surface[k]
	var mains, n float64
	for j := k; j <= r.Last && w.t[j] <= w.t[k]+wakeUntilS; j++ {
		if w.t[j] >= w.t[k]+wakeLaterS {
			f := cold.sensor.LossFraction
			mains += cold.water[j]*(1-f) + f*w.room[j] // as the clamp would show it at rest
			n++
		}
	}
	if mains /= n; n == 0 {
		return wake{} // too short to tell
	}
	fall := rest - mains
	if !(fall >= wakeStepK) { // NaN where there is no reading
		if !full {
			return wake{}
		}
		x := perhaps(most)
		x.gainS, x.gainSU = x.s, x.u
		return x
	}
	tau := max(cold.sensor.ResponseS, 0.5)
	left := min((first-mains)/fall, 1)
	if left < longAgo {
		least := min(tau*math.Log(1/longAgo), most)
		x := between(least, most)
		x.gainS, x.gainSU = x.s, x.u
		if spare := most - least; spare > 0 {
			x.gainS -= min(standingS, spare) / 4
		}
		return x
	}
	lag := tau * math.Log(1/left)
	if lag < wakeColdS {
		if !full {
			return wake{}
		}
		return perhaps(min(most, standingS+wakeColdS))
	}
	if !full && lag < max(wakeSureS, wakeInTime(pace, lost)) {
		return wake{}
	}
	lagU := math.Hypot(responseU*lag, tau*math.Hypot(wakeLevelU*(1-left), wakeReadU*math.Sqrt2)/(left*fall))
	lag = min(lag, most)
	x := between(lag, min(most, lag+standingS))
	x.u = math.Hypot(x.u, lagU)
	x.gainS, x.gainSU = lag, lagU
	return x
}

// usualInterval returns the interval, s, at which readings come in run r, and the
// share of them that are lost, 0 to 1. A lost reading makes one interval a multiple
// of the usual one; the lower quartile is usual up to three quarters lost.
func (w *window) usualInterval(r draw.Run) (s, lost float64) {
	d := w.a.work.intervals[:0]
	for k := r.First; k < r.Last; k++ {
		if dt := w.t[k+1] - w.t[k]; dt <= draw.GapS {
			d = append(d, dt)
		}
	}
	if len(d) == 0 {
		return w.t[r.First+1] - w.t[r.First], 0
	}
	w.a.work.intervals = d
	s = w.a.work.rank.Nth(d, len(d)/4)
	var due float64
	for _, dt := range d {
		due += math.Round(dt / s)
	}
	return s, 1 - float64(len(d))/max(due, float64(len(d)))
}

// wakeInTime returns the longest, s, that water may have run before the first
// reading of a node that woke in time: two intervals, and more of them where
// readings are lost, each by itself.
func wakeInTime(pace, lost float64) float64 {
	n := 2.0
	if lost > 0 {
		n = max(n, 1+math.Ceil(math.Log(wakeLostP)/math.Log(lost)))
	}
	return n * pace
}

// foundFull reports whether the first reading of run r agrees with the three after
// it, and these with each other: the flow did not rise, nor swing back from a rise.
func (w *window) foundFull(r draw.Run) bool {
	if w.meter.Jumps {
		return false // averages stand for the readings
	}
	q := w.flow[r.First:]
	ahead := (q[1] + q[2] + q[3]) / 3
	within := max(fullPart*ahead, fullNoise*draw.Noise(w.flow[r.First:r.Last+1]))
	return math.Abs(q[0]-ahead) <= within && math.Abs(q[1]-q[3]) <= 1.5*within
}
