// Package draw finds where water runs. It cuts a flow series into runs, tells
// runs with warm waste on the drain side from those without, joins the runs of
// one shower across the pauses in it, and finds the stretches of a run in which
// flow has settled.
//
// Times are seconds on any common origin, flows l/min, temperatures °C. Series
// are ascending in time and free of NaN. The package knows nothing of studies,
// clocks or sensors' errors.
package draw

import (
	"math"
	"slices"

	"greywatt/analysis/robust"
)

// Thresholds of the flow sensor. They are this project's choice: below them lie
// drips, a turbine's creep and a noisy zero; above them every tap worth the
// name.
const (
	onLMin  = 0.8 // flow begins a run
	offLMin = 0.5 // flow keeps a run going

	// a run shorter than this that moved less than a tenth of a litre is a
	// stray count, not a draw
	strayS = 2.5
	strayL = 0.1
)

// GapS is the longest time between two flow readings in a draw: nodes sample
// every 0.5 to 10 s while water runs. A longer silence hides what happened.
const GapS = 25

// SilenceS is the longest silence, s, between two readings with flow across which
// a draw is taken to go on: the node hung or its link failed. In a longer one a
// shower may have ended and another begun.
const SilenceS = 240

// Silences returns how long nothing was read between two runs that follow each
// other, before the next reading and after the one before, s: 0 where readings came
// as they do while a node is awake. Where nothing at all was read between the runs
// all of it is before.
func Silences(t []float64, a, b Run) (before, after float64) {
	if dt := t[a.Last+1] - t[a.Last]; dt > GapS {
		before = dt
	}
	if dt := t[b.First] - t[b.First-1]; b.First > a.Last+1 && dt > GapS {
		after = dt
	}
	return before, after
}

// together reports whether runs a and b, both with warm waste, can be of one
// shower: no further apart than PauseS, silences left out.
func together(t []float64, a, b Run) bool {
	apart := t[b.First] - t[a.Last]
	before, after := Silences(t, a, b)
	return apart-before-after <= PauseS && apart <= max(PauseS, SilenceS)
}

// Silent reports whether nothing was read between runs i and i+1: no reading says
// that the water stopped.
func Silent(t []float64, runs []Run, i int) bool {
	a, b := runs[i].Last, runs[i+1].First
	return b == a+1 && t[b]-t[a] > GapS && t[b]-t[a] <= SilenceS
}

// A Run is a stretch of uninterrupted flow: the indices of its first and last
// reading with flow.
type Run struct{ First, Last int }

// bridgeS is the longest dip below the threshold that does not end a run: a
// dropped pulse, a hand on the lever.
const bridgeS = 3

// Runs cuts flow into runs. A silence longer than [GapS] ends a run.
func Runs(t, flow []float64) []Run {
	var runs []Run
	running := false
	for k, q := range flow {
		switch {
		case running && t[k]-t[k-1] > GapS:
			running = q >= onLMin
			if running {
				runs = append(runs, Run{k, k})
			}
		case q >= onLMin && !running:
			running = true
			if n := len(runs); n > 0 && t[k]-t[runs[n-1].Last] <= bridgeS {
				runs[n-1].Last = k
			} else {
				runs = append(runs, Run{k, k})
			}
		case running && q >= offLMin:
			runs[len(runs)-1].Last = k
		case running:
			running = false
		}
	}
	return slices.DeleteFunc(runs, func(r Run) bool {
		// nodes sample fast while water runs: one reading with flow between two at
		// rest is a stray count
		if k := r.First; k == r.Last && k > 0 && k+1 < len(t) && t[k]-t[k-1] > GapS && t[k+1]-t[k] > GapS {
			return true
		}
		v := 0.0
		for k := r.First; k <= r.Last; k++ {
			v += flow[k] / 60 * Weight(t, r, k)
		}
		return v < strayL && t[r.Last]-t[r.First] < strayS
	})
}

// Weight returns the seconds that reading k of run r stands for: half of the
// interval to either neighbour in the run, and at the run's ends half of the
// nearest interval as well.
func Weight(t []float64, r Run, k int) float64 {
	before, after := 0.5, 0.5
	switch {
	case r.First == r.Last:
		// alone: the shorter of the intervals around it, as sampling was or became
		d := math.Inf(1)
		if k > 0 {
			d = t[k] - t[k-1]
		}
		if k+1 < len(t) {
			d = min(d, t[k+1]-t[k])
		}
		return min(d, 10)
	case k == r.First:
		after = (t[k+1] - t[k]) / 2
		before = min(after, 5)
	case k == r.Last:
		before = (t[k] - t[k-1]) / 2
		after = min(before, 5)
	default:
		before, after = (t[k]-t[k-1])/2, (t[k+1]-t[k])/2
	}
	return before + after
}

// A View is what the drain and the supply side show around a run, for
// [View.Warm]. Temperatures are functions of time with the clamps' lag undone;
// they return NaN where there is no reading.
type View struct {
	Drain    func(t float64) float64 // waste in, or the warmer of the waste side's two clamps
	Inlet    func(t float64) float64 // waste in alone, where Drain is the warmer; nil: Drain is all that there is
	Outlet   bool                    // Drain is of waste out alone: what the unit has cooled
	Preheat  func(t float64) float64
	Cold     func(t float64) float64
	RoomC    float64
	Expected float64 // effectiveness that the unit should show
	UnseenS  float64 // s before the run's first reading in which nothing was read: what stood before is older
}

// Bounds of [View.Warm], this project's choice.
const (
	warmRiseK   = 2.5 // a rise of the drain that only warm waste makes
	stillWarmK  = 3.0 // drain above the room: warm from the run before
	backUpK     = 0.4 // a rise that ends the cooling after a pause
	holdK       = 0.25
	shortRunS   = 20  // a run so short hardly shows on the drain: only a clear rise counts
	heldS       = 180 // after so long a pause warm waste must show as a rise,
	coolingS    = 150 // unless the drain did not cool in so much time before the run,
	leastFallK  = 0.1 // so that it would have by so much in the run;
	coolestC    = 27  // the coolest waste of a shower
	flushedS    = 60
	arrivalS    = 20  // waste trails flow by 5 to 25 s, and its tail trails the end
	preheatedK  = 4.0 // preheat above cold in, where the waste side is not read,
	usualSpanK  = 20  // and at least of this span of waste in over cold in,
	unseenRunS  = 40  // in a run of this length and more
	recoverPart = 0.6 // of the expected effectiveness, that a run which recovers heat ends with
)

// Warm reports whether warm waste ran down the drain in the run from a to b;
// since is the time from the end of the last warm run, +Inf where there is none.
//
// A draw from another tap leaves the drain as it was, at room temperature or
// slowly cooling after a shower, while the preheat falls towards the cold supply
// as the water standing in the coil is pushed out. Warm waste makes the drain
// rise; after a short pause it brings the drain back up, or keeps it where it
// was and the preheat with it.
//
// Long after a shower the clamp on the pipe that the waste enters tells, where it is read; the warmer of
// the two may be warm for another reason, and soon after a shower, or with the two in each other's place, is the drain.
func (v View) Warm(a, b, since float64) bool {
	if v.Inlet != nil && since >= heldS && !math.IsNaN(v.Inlet(a)) {
		if v.rises(a, b) {
			return true
		}
		v.Drain, v.Inlet = v.Inlet, nil
	}
	if math.IsNaN(v.begin(a)) {
		return v.preheats(a, b)
	}
	if v.rises(a, b) {
		return true
	}
	if v.Outlet {
		return v.preheats(a, b)
	}
	return v.stays(a, b, since)
}

// begin is the drain's temperature when the run begins at a.
func (v View) begin(a float64) float64 {
	start := mean(v.Drain, a-4, a+3)
	if v.UnseenS > 4 {
		start = v.Drain(a - v.UnseenS)
	}
	if math.IsNaN(start) {
		start = v.Drain(a)
	}
	return start
}

// rises reports whether the drain rises as it does with warm waste only.
func (v View) rises(a, b float64) bool {
	start := v.begin(a)
	for s := a; s <= b+arrivalS; s += 2 {
		if mean(v.Drain, s-2, s+2)-start >= warmRiseK {
			return true
		}
	}
	return false
}

// stays reports whether a drain that is warm from the run before is kept so, or brought back up.
func (v View) stays(a, b, since float64) bool {
	start, until := v.begin(a), b+arrivalS
	if start-v.RoomC < stillWarmK || b-a < shortRunS {
		return false
	}
	change := mean(v.Drain, b, until) - start
	if change >= backUpK {
		return true
	}
	if b-a > flushedS {
		// by then the water that stood in the coil has gone, and what the preheat
		// keeps is recovered; another tap may run on when the shower has ended
		for s := a + flushedS; s <= b; s += 5 {
			if mean(v.Drain, s-5, s+5)-start >= backUpK {
				return true
			}
		}
		recovers, known := v.recovers(a, b)
		for s := a + flushedS + 5; s < b && !recovers; s += 5 {
			recovers, _ = v.recovers(a, s)
		}
		if recovers {
			// a coil that a shower has warmed gives its heat to the next draw too
			return since < heldS || !v.coolsOn(a, b, start)
		}
		return !known && since < heldS && change > -holdK
	}
	recovers, known := v.recovers(a, b)
	return since < heldS && change > -holdK && (recovers || !known)
}

// coolsOn reports whether a drain that had cooled, at start when the run from a to b begins, is as it would be
// without warm waste: at no moment backUpK above the line on which it cooled, and at the end below what people
// shower in, or by half of that line's fall below where it was. It is false where no reading tells.
func (v View) coolsOn(a, b, start float64) bool {
	from, until := a, b+arrivalS
	if v.UnseenS > 4 {
		from = a - v.UnseenS
	}
	slope := (start - mean(v.Drain, a-coolingS-5, a-coolingS+5)) / (coolingS - (a - from))
	fall, end := -slope*(until-from), mean(v.Drain, b, until)
	if !(fall > leastFallK) || from < a-coolingS/2 || end > max(coolestC, start-fall/2) {
		return false
	}
	for s := a + 5; s <= until; s += 5 {
		if mean(v.Drain, s-5, s+5)-start-slope*(s-from) >= backUpK {
			return false
		}
	}
	return true
}

// recovers reports whether the preheat stands at b, in a run from a on, as far
// above the cold supply as a unit with warm waste in it holds it; known is false
// where a reading is missing.
func (v View) recovers(a, b float64) (recovers, known bool) {
	from := max(a, b-5)
	p, c, d := mean(v.Preheat, from, b), mean(v.Cold, from, b), mean(v.Drain, from, b)
	return p-c > recoverPart*v.Expected*(d-c), !math.IsNaN(p + c + d)
}

// preheats reports whether the run ends with a preheat that only warm waste makes,
// where the preheat is all there is to go by.
func (v View) preheats(a, b float64) bool {
	from := max(a, b-5)
	return mean(v.Preheat, from, b)-mean(v.Cold, from, b) > max(preheatedK, recoverPart*v.Expected*usualSpanK) && b-a > unseenRunS
}

func mean(f func(float64) float64, from, to float64) float64 {
	var sum float64
	n := 0
	for s := from; s <= to; s++ {
		if v := f(s); !math.IsNaN(v) {
			sum += v
			n++
		}
	}
	return sum / float64(n) // NaN where there is none
}

// PauseS is the longest pause within one shower. A person soaping shuts the
// water for up to about 90 s; the rest is margin for the sampling.
const PauseS = 105

// A Draw is one or more runs that belong together: First and Last index the
// runs.
type Draw struct {
	First, Last int
	Warm        bool
}

// Join groups runs, each told warm or not ([View.Warm]), into draws: warm runs no further
// apart than [PauseS] are one shower, with whatever lies between them; every
// other run is a draw of its own. t are the times of the flow readings.
func Join(t []float64, runs []Run, warm []bool) []Draw {
	var draws []Draw
	for i := 0; i < len(runs); {
		last := i
		for j := i + 1; j < len(runs); j++ {
			if j == last+1 && warm[j] == warm[i] && Silent(t, runs, j-1) {
				last = j
				continue
			}
			if !warm[i] || !together(t, runs[j-1], runs[j]) {
				break
			}
			if warm[j] && (j == last+1 || t[runs[j].First]-t[runs[last].Last] <= PauseS) {
				last = j
			}
		}
		draws = append(draws, Draw{First: i, Last: last, Warm: warm[i]})
		i = last + 1
	}
	return draws
}

// A Stretch is a part of a run in which flow has settled: the indices of its
// first and last reading, and its mean flow.
type Stretch struct {
	First, Last int
	FlowLMin    float64
}

// Bounds of [Settled], this project's choice. A mixer that hunts about a flow makes
// the exchanger follow it, and its means over whole swings are those of the mean
// flow to the second order: swings of a tenth change the effectiveness by less than
// 0.002. What does not come back within a swing is a step.
const (
	steadyPart  = 0.04 // of the flow, within which the mean of a few seconds stays,
	steadyLMin  = 0.2  // or so much,
	steadyNoise = 3.0  // or so many times what noise leaves of it
	swingPart   = 0.15 // of the flow, that a swing may reach
	steadyShare = 0.6  // of a run: as much of it settled, and no swings are looked for
	swingGain   = 1.3  // times as much must be settled with them averaged
)

// swingsS are the averages, s, tried on a flow that swings: a thermostatic mixer
// hunts every 10 to 40 s.
var swingsS = [...]float64{14, 24, 42}

// Settled cuts run r into stretches of settled flow, each at least minS long.
// Flow has settled while the mean of a few seconds stays within 4 % (or 0.2
// l/min, or three times what the sensor's noise leaves) of the mean of the half
// minute before; a slow drift, as when a mixer follows the warming preheat, is
// settled flow. Where most of a run is not, it may swing about a flow that is: the
// same then holds for its average over a swing, with swings of up to 15 %.
func Settled(t, flow []float64, r Run, minS float64) []Stretch {
	noise := Noise(flow[r.First : r.Last+1])
	tol := func(level, n float64) float64 {
		return max(steadyPart*level, steadyLMin, steadyNoise*noise/math.Sqrt(n))
	}
	out := settled(t, flow, flow, r, minS, tol, nil)
	best := covered(t, out)
	length := t[r.Last] - t[r.First]
	if length < 1.5*minS || best >= steadyShare*length {
		return out
	}
	smooth := make([]float64, len(flow))
	for _, swing := range swingsS {
		Mean(t, flow, r, swing, smooth[r.First:])
		s := settled(t, flow, smooth, r, minS, tol, smooth)
		if c := covered(t, s); c > swingGain*best+5 {
			out, best = s, c
		}
	}
	return out
}

func covered(t []float64, s []Stretch) float64 {
	var sum float64
	for _, x := range s {
		sum += t[x.Last] - t[x.First]
	}
	return sum
}

// Mean fills in the mean of flow over widthS around each reading of run r, over
// less at its ends: as much to either side. out has a place for each reading of it.
func Mean(t, flow []float64, r Run, widthS float64, out []float64) {
	from, to := r.First, r.First
	var sum float64
	for k := r.First; k <= r.Last; k++ {
		half := min(widthS/2, t[k]-t[r.First], t[r.Last]-t[k])
		for to <= r.Last && t[to] <= t[k]+half {
			sum += flow[to]
			to++
		}
		for t[to-1] > t[k]+half { // towards the end the window shrinks
			to--
			sum -= flow[to]
		}
		for t[from] < t[k]-half {
			sum -= flow[from]
			from++
		}
		out[k-r.First] = sum / float64(to-from)
	}
}

// settled cuts the run where the mean of a few seconds of q leaves its level, and
// where flow is further from about than a swing may reach; about may be nil.
func settled(t, flow, q []float64, r Run, minS float64, tolerance func(level, n float64) float64, about []float64) []Stretch {
	const (
		windowS = 5.0
		memoryS = 30.0
	)
	var out []Stretch
	closeAt := func(from, to int) {
		if to > from && t[to]-t[from] >= minS {
			var sum float64
			for k := from; k <= to; k++ {
				sum += flow[k]
			}
			out = append(out, Stretch{from, to, sum / float64(to-from+1)})
		}
	}
	from := r.First
	level := math.NaN()
	for k := r.First; k <= r.Last; k++ {
		// mean of the window that starts at k
		var sum, raw float64
		n := 0
		for j := k; j <= r.Last && (t[j]-t[k] < windowS || n < 3); j++ {
			sum += q[j]
			raw += flow[j]
			n++
		}
		now := sum / float64(n)
		if n < 3 && !math.IsNaN(level) { // the run's tail
			now = level
		}
		swings := about != nil && n >= 3 && math.Abs(raw/float64(n)-about[k]) > swingPart*about[k]
		switch {
		case math.IsNaN(level):
			level = now
		case math.Abs(now-level) > tolerance(level, float64(n)) || swings:
			closeAt(from, k-1)
			// a step is over when the window no longer moves: begin behind it
			from = k + 1
			level = math.NaN()
		default:
			dt := t[k] - t[k-1]
			level += (q[k] - level) * (1 - math.Exp(-dt/memoryS))
		}
	}
	closeAt(from, r.Last)
	return out
}

// Noise is the standard deviation of one flow reading, from differences of
// neighbours, which steps hardly touch.
func Noise(flow []float64) float64 {
	if len(flow) < 6 {
		return 0
	}
	d := make([]float64, len(flow)-1)
	for i := range d {
		d[i] = math.Abs(flow[i+1] - flow[i])
	}
	var rank robust.Selection
	return 1.4826 * rank.Nth(d, len(d)/2) / math.Sqrt2
}
