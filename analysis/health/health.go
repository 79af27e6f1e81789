// Package health judges each clamp and meter of a dwelling by its own record:
// channels that are missing, railed or frozen, clamps whose error changes over
// weeks, and water that runs at rest.
//
// A [Watch] takes the frames beside the event analyser and reduces them to
// slots of a quarter of an hour, those to nights and days. It keeps no
// readings. Its [Record] proposes what is wrong as figures with a probability
// each; weighing them against what the showers say, and wording them, is for
// the caller.
//
// Assumptions: at rest, hours after the last draw, every clamp stands near the
// room's temperature; what all clamps read wrongly alike cannot be seen. The
// scale of a meter cannot be seen at rest either, only its zero.
package health

import (
	"math"
	"slices"

	"greywatt"
)

// Thresholds of the reduction. All are this project's choice unless stated.
const (
	slotS           = 900.0   // length of a slot, s
	secondsADay     = 86400.0 // s
	drawLMin        = 0.8     // l/min in two readings in a row: water runs
	maxHoldS        = 120.0   // s for which a flow reading stands at most
	handOverS       = 3600.0  // s of silence after which another node may take over a channel
	awakeGaps       = 3.0     // times the usual interval: the node was silent while water ran
	minGapS         = 5.0     // s; shorter silences do not count
	idleStartS      = 600.0   // s without flow before a draw that count as rest for late waking
	fullStart       = 0.9     // of the flow after it: the first reading of a draw is at full flow
	movedAtStartK   = 0.5     // K from the latest reading at rest to the first of a draw, and movedAtStartSDs of noise: a clamp lags, so water has run for a while
	movedAtStartSDs = 6.0
	startLen        = 5     // readings of flow that show what full flow is
	railLowC        = 0.2   // °C; a pipe in use is not at or below it: 0 °C is the code of a dead sensor, and ice
	railHighC       = 80.0  // °C; drain and mains pipes do not stay above it. 85 °C is the power-on code of a common digital sensor (its data sheet; from memory)
	litreMin        = 60.0  // l/s to l/min
	slotUS          = 900e6 // µs
	minQuantum      = 0.004 // K or l/min; finer steps are not steps
	gcdTol          = 1e-5  // K or l/min, rounding of decimal readings
)

// A Watch reduces the frames of one dwelling as they come. Memory grows with
// days, about 1 kB each, and not with readings. It is not safe for use by
// several goroutines at once.
type Watch struct {
	dwelling *greywatt.Dwelling // with the description in force
	whole    *greywatt.Dwelling // with all of them
	change   greywatt.Instant   // of the next one; 0: there is none

	nodes  map[string]*node
	latest *node
	source [greywatt.NumChannels]*node // whose readings are used

	begun         bool
	first, newest greywatt.Instant
	outOfOrder    int

	slotEnd greywatt.Instant
	tally   [greywatt.NumChannels]tally
	still   bool // far from a draw: noise and steps are looked at
	active  int  // slots with any reading so far

	meter  meterState
	totals [greywatt.NumChannels]channelTotals

	lastDraw greywatt.Instant
	mainsC   float64 // recent mains temperature, °C; NaN until water ran
	night    openNight
	nights   []night
	today    flowDay
	days     []flowDay
}

// node is what one node sends.
type node struct {
	name     string
	channels []greywatt.Channel // that may be used
	sensor   [greywatt.NumChannels]greywatt.Sensor

	last      greywatt.Instant
	awake     bool             // water ran at the last frame
	drawS     float64          // usual interval while water runs, s; 0 until known
	restS     float64          // and at rest
	longTo    greywatt.Instant // end of its latest silence of half a day
	frames    int
	gaps      int
	gapS      float64
	starts    int
	lateCount int
}

// tally is one channel within one slot.
type tally struct {
	n, railed int
	sum       float64 // of readings as they came, railed ones left out
	lo, hi    float64
	rail      float64 // latest railed reading
	at        greywatt.Instant

	before     float64 // the reading before the latest
	latest     float64
	prev, step float64 // latest reading and its step, while still
	steps      int
	bend2      float64 // sum of squared second differences
	quantum    float64
}

// channelTotals is one channel over the record.
type channelTotals struct {
	seen         greywatt.Instant // latest reading, 0 for none
	seenActive   int              // Watch.active at it
	readings     int
	run          stuckRun
	shown        int // slots in which water ran as others show it
	unmoved      int // of those, ones in which the channel did not move
	still        int // slots at rest
	stillUnmoved int
	runs         []stuckRun
	gaps         []Dead
	node         *node // whose the latest reading was
	noise        []float64
	quanta       []float64
}

// meterState follows the flow reading by reading.
type meterState struct {
	at       greywatt.Instant
	lMin     float64
	volumeL  float64 // of the slot
	spanS    float64 // of the slot, covered by readings
	peak     bool    // the latest reading was at or above the threshold
	running  bool
	drew     bool             // in the slot
	end      greywatt.Instant // latest reading with water running
	baseLMin float64          // flow that never ceases, as the day before showed it
	count    uint

	starting   int // readings of a start collected so far
	startLMin  float64
	startSum   float64
	startDt    float64
	startMoved bool
	startOf    *node
}

// New returns a watch over a dwelling. The study is not needed for more than
// its being the dwelling's; it may be nil.
func New(_ *greywatt.Study, d *greywatt.Dwelling) *Watch {
	w := &Watch{dwelling: d.At(math.MinInt64), whole: d, nodes: map[string]*node{}, mainsC: math.NaN()}
	w.change, _ = d.NextChange(math.MinInt64)
	return w
}

// describe brings the description in force at an instant to bear.
func (w *Watch) describe(at greywatt.Instant) {
	w.dwelling = w.whole.At(at)
	w.change, _ = w.whole.NextChange(at)
	for _, n := range w.nodes {
		n.channels = n.channels[:0]
		w.declare(n)
	}
	for c, n := range w.source {
		if n != nil && !slices.Contains(n.channels, greywatt.Channel(c)) {
			w.source[c] = nil
		}
	}
}

// declare notes which channels of a node may be used.
func (w *Watch) declare(n *node) {
	for c := range greywatt.Channel(greywatt.NumChannels) {
		if s, ok := w.dwelling.Sensor(c, n.name); ok {
			n.sensor[c] = s
			n.channels = append(n.channels, c)
		}
	}
}

// Push takes the next frames, in time order, as the store has them: °C and l/s,
// before any correction. A frame older than one before it is counted and left
// out.
func (w *Watch) Push(frames []greywatt.Frame) {
	for i := range frames {
		f := &frames[i]
		if f.At < w.newest && w.begun {
			w.outOfOrder++
			continue
		}
		if w.change != 0 && f.At >= w.change {
			w.describe(f.At)
		}
		if f.At >= w.slotEnd || !w.begun {
			w.turnSlot(f.At)
		}
		w.newest = f.At
		n := w.latest
		if n == nil || n.name != f.Node {
			n = w.nodeOf(f.Node)
			w.latest = n
		}
		dt := n.interval(f.At, w.meter.running, w.still)
		for _, c := range n.channels {
			v := f.Value[c]
			if v != v || w.source[c] != n && !w.claim(n, c, f.At) {
				continue
			}
			t := &w.tally[c]
			t.at = f.At
			if c.IsFlow() {
				if c == greywatt.Flow {
					w.flow(n, f.At, v, dt)
				}
			} else if v > railHighC || v < railLowC {
				t.railed++
				t.rail = v
				continue
			}
			t.n++
			t.sum += v
			t.before, t.latest = t.latest, v
			if v < t.lo {
				t.lo = v
			}
			if v > t.hi {
				t.hi = v
			}
			if w.still {
				t.settle(v)
			}
		}
	}
}

// Close ends the data and returns what they show. The watch is spent.
func (w *Watch) Close() Record {
	if w.begun {
		w.closeSlot(w.newest)
		w.closeNight()
		w.closeDay()
	}
	return w.record()
}

// SoFar returns what the quarters of an hour, nights and days that are over show;
// the watch goes on.
func (w *Watch) SoFar() Record {
	days := w.days
	defer func() { w.days = days }()
	return w.record()
}

func (w *Watch) nodeOf(name string) *node {
	if n, ok := w.nodes[name]; ok {
		return n
	}
	n := &node{name: name}
	w.declare(n)
	w.nodes[name] = n
	return n
}

// claim makes n the source of channel c where no other node is one, or the
// other has been silent for an hour, and reports whether n is the source.
func (w *Watch) claim(n *node, c greywatt.Channel, at greywatt.Instant) bool {
	seen := max(w.totals[c].seen, w.tally[c].at)
	if w.source[c] != nil && at.Sub(seen) < handOverS {
		return false
	}
	w.source[c] = n
	return true
}

// interval notes the time since the node's last frame and returns it, s; 0 for
// the first.
func (n *node) interval(at greywatt.Instant, running, still bool) float64 {
	n.frames++
	if n.last == 0 {
		n.last = at
		return 0
	}
	dt := float64(at-n.last) / 1e6
	n.last = at
	if dt >= secondsADay/2 {
		n.longTo = at
	}
	was := n.awake
	n.awake = running
	if running && was {
		if n.drawS == 0 {
			n.drawS = dt
		}
		if dt > awakeGaps*n.drawS && dt > minGapS {
			n.gaps++
			n.gapS += dt
		}
		n.drawS = towards(n.drawS, dt)
	} else if still {
		if n.restS == 0 {
			n.restS = dt
		}
		n.restS = towards(n.restS, dt)
	}
	return dt
}

// towards moves a running median a fiftieth of its size towards x.
func towards(median, x float64) float64 {
	switch {
	case x > median*1.02:
		return median * 1.02
	case x < median/1.02:
		return median / 1.02
	}
	return x
}

// flow follows the mains meter: v in l/s as read, dt since the node's last frame.
func (w *Watch) flow(n *node, at greywatt.Instant, v, dt float64) {
	m := &w.meter
	q := v * n.sensor[greywatt.Flow].Scale * litreMin
	if m.at != 0 {
		held := min(float64(at-m.at)/1e6, maxHoldS)
		m.volumeL += q * held / 60
		m.spanS += held
	}
	m.at = at
	m.count++
	peak := q >= drawLMin+m.baseLMin
	if peak {
		if !m.peak && at.Sub(m.end) > idleStartS && at.Sub(w.lastDraw) > idleStartS {
			m.starting, m.startLMin, m.startSum, m.startDt, m.startOf = 1, q, 0, dt, n
			m.startMoved = w.cooled(n)
		} else if m.starting > 0 {
			m.start(q)
		}
		if m.peak {
			m.running, m.drew, m.end = true, true, at
			w.still = false
		}
		if m.count%8 == 0 {
			t := &w.tally[greywatt.Flow]
			t.quantum = commonStep(t.quantum, math.Abs(q-m.lMin))
		}
	} else {
		m.running = false
		m.starting = 0
	}
	m.peak = peak
	m.lMin = q
}

// start collects the first readings of a draw and counts it once full flow is
// known.
func (m *meterState) start(q float64) {
	m.startSum += q
	if m.starting++; m.starting <= startLen {
		return
	}
	m.starting = 0
	n := m.startOf
	n.starts++
	if m.startMoved && m.startLMin >= fullStart*m.startSum/startLen && m.startDt > awakeGaps*max(n.drawS, 1) {
		n.lateCount++
	}
}

// cooled reports whether a supply clamp of the node had left its resting
// temperature at the latest reading: water ran before the node woke.
func (w *Watch) cooled(n *node) bool {
	for _, c := range []greywatt.Channel{greywatt.ColdIn, greywatt.PreheatOut} {
		t := &w.tally[c]
		if w.source[c] == n && math.Abs(t.latest-t.before) > max(movedAtStartK, movedAtStartSDs*w.totals[c].usualNoise()) {
			return true
		}
	}
	return false
}

// usualNoise is the noise of the latest slot at rest, K; 0 before any.
func (a *channelTotals) usualNoise() float64 {
	if len(a.noise) == 0 {
		return 0
	}
	return a.noise[len(a.noise)-1]
}

// settle looks at a reading at rest: noise by second differences, steps of the
// output.
func (t *tally) settle(v float64) {
	step := v - t.prev
	if t.steps > 1 {
		b := step - t.step
		t.bend2 += b * b
	}
	if t.steps > 0 && step != 0 && t.steps%4 == 0 {
		t.quantum = commonStep(t.quantum, math.Abs(step))
	}
	t.prev, t.step = v, step
	t.steps++
}

// commonStep returns the largest step of which both q and d are multiples,
// within rounding; q 0 means none yet. Below minQuantum it stays there.
func commonStep(q, d float64) float64 {
	if d < gcdTol || q != 0 && q < minQuantum {
		return q
	}
	if q == 0 {
		return d
	}
	if r := d / q; math.Abs(r-math.Round(r))*q < gcdTol {
		return q
	}
	for d > gcdTol && q >= minQuantum {
		r := math.Mod(q, d)
		if d-r < gcdTol {
			r = 0
		}
		q, d = d, r
	}
	return q
}

// turnSlot closes the slot that ended, if any, and opens the one of at.
func (w *Watch) turnSlot(at greywatt.Instant) {
	if !w.begun {
		w.begun = true
		w.first, w.lastDraw = at, at // how long it has rested before is not known
		w.today.from = at
	} else {
		w.closeSlot(w.slotEnd)
	}
	w.slotEnd = at - at%slotUS + slotUS
	for c := range w.tally {
		t := &w.tally[c]
		*t = tally{lo: math.Inf(1), hi: math.Inf(-1), at: t.at, before: t.before, latest: t.latest}
	}
	m := &w.meter
	m.volumeL, m.spanS, m.drew = 0, 0, false
	w.still = at.Sub(w.lastDraw) > stillAfterS
	if at.Sub(w.today.from) >= secondsADay {
		w.closeDay()
		w.today.from = at
	}
}
