package health

import (
	"cmp"
	"maps"
	"math"
	"slices"

	"greywatt"
)

// After how long what was read is no longer carried over, s. Reducers that began
// at different times come to be in the same state once all of these have passed;
// they are less than [analysis.RunInS]. What lasts longer, such as the silence of
// a node, is put together by [Watch.Add].
const (
	forgetNodeS    = 36 * 3600.0
	forgetChannelS = 24 * 3600.0
	forgetDrawS    = 24 * 3600.0
	longRunS       = 12 * 3600.0 // age at which a run is handed over at the end of a day, to begin anew
	longSilenceS   = secondsADay / 2
)

const (
	dayUS     = greywatt.Instant(86400e6)
	halfDayUS = dayUS / 2
)

// A Reducer reduces the frames of one dwelling to slots, nights and days. What it
// makes of them goes into a [Part]; what it keeps is what it needs for the next
// frames, and it forgets. It is not safe for use by several goroutines at once.
type Reducer struct {
	dwelling *greywatt.Dwelling // with the description in force
	whole    *greywatt.Dwelling // with all of them
	change   greywatt.Instant   // of the next one; 0: there is none

	senders map[string]*sender
	latest  *sender
	source  [greywatt.NumChannels]*sender // whose readings are used

	begun  bool
	newest greywatt.Instant

	slotEnd greywatt.Instant
	tally   [greywatt.NumChannels]tally
	run     [greywatt.NumChannels]openRun
	noise   [greywatt.NumChannels]float64 // of the latest slot at rest, K; 0 before any
	still   bool                          // far from a draw: noise and steps are looked at

	meter meterState

	lastDraw greywatt.Instant // 0: longer ago than forgetDrawS
	night    openNight
	today    flowDay

	part    Part
	ofNodes map[string]*nodePart // of part
}

// sender is what one node sends.
type sender struct {
	name     string
	channels []greywatt.Channel // that may be used
	sensor   [greywatt.NumChannels]greywatt.Sensor

	last  greywatt.Instant
	awake bool    // water ran at the last frame
	drawS float64 // usual interval while water runs, s; 0 until known
	restS float64 // and at rest

	part   *nodePart // nil before its first frame of the part
	frames int       // in the part, not counted there yet
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

// openRun is the run of slots without movement that a channel is in, if it is.
type openRun struct {
	stuckRun
	empty bool // nothing of it since it was handed over
	known bool // there was a slot before
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
	count    uint             // readings in the slot

	starting   int // readings of a start collected so far
	startLMin  float64
	startSum   float64
	startDt    float64
	startMoved bool
	startOf    *sender
}

// NewReducer returns a reducer for a dwelling.
func NewReducer(d *greywatt.Dwelling) *Reducer {
	w := &Reducer{dwelling: d.At(math.MinInt64), whole: d, senders: map[string]*sender{}, ofNodes: map[string]*nodePart{}}
	w.change, _ = d.NextChange(math.MinInt64)
	return w
}

// describe brings the description in force at an instant to bear.
func (w *Reducer) describe(at greywatt.Instant) {
	w.dwelling = w.whole.At(at)
	w.change, _ = w.whole.NextChange(at)
	for _, n := range w.senders {
		n.channels, n.sensor = declared(w.dwelling, n.name)
	}
	for c, n := range w.source {
		if n != nil && !slices.Contains(n.channels, greywatt.Channel(c)) {
			w.source[c] = nil
		}
	}
}

// declared returns which channels of a node may be used.
func declared(d *greywatt.Dwelling, node string) (channels []greywatt.Channel, sensor [greywatt.NumChannels]greywatt.Sensor) {
	for c := range greywatt.Channel(greywatt.NumChannels) {
		if s, ok := d.Sensor(c, node); ok {
			sensor[c] = s
			channels = append(channels, c)
		}
	}
	return channels, sensor
}

// Push takes the next frames, in time order, as the store has them: °C and l/s,
// before any correction. A frame older than one before it is counted and left
// out.
func (w *Reducer) Push(frames []greywatt.Frame) {
	for i := range frames {
		f := &frames[i]
		if f.At < w.newest && w.begun {
			w.part.outOfOrder++
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
			n = w.senderOf(f.Node)
			w.latest = n
		}
		if n.part == nil {
			n.part = w.partOf(n.name, f.At)
			if w.part.first == 0 {
				w.part.first = f.At
			}
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

// Close ends the data: what is open is over.
func (w *Reducer) Close() {
	if w.begun {
		w.closeSlot(w.newest)
		w.closeNight()
		w.closeDay()
	}
	w.begun = false
}

func (w *Reducer) senderOf(name string) *sender {
	if n, ok := w.senders[name]; ok {
		return n
	}
	n := &sender{name: name}
	n.channels, n.sensor = declared(w.dwelling, name)
	w.senders[name] = n
	return n
}

// partOf returns the part's record of a node, which has one or sends its first
// frame, or the first since it was forgotten, at an instant.
func (w *Reducer) partOf(name string, at greywatt.Instant) *nodePart {
	p, ok := w.ofNodes[name]
	if !ok {
		p = &nodePart{name: name, first: at, last: at}
		w.ofNodes[name] = p
	} else if at-p.last >= halfDayUS { // it was forgotten meanwhile
		p.silences = append(p.silences, span{p.last, at})
	}
	return p
}

// claim makes n the source of channel c where no other node is one, or the
// other has been silent for an hour, and reports whether n is the source.
func (w *Reducer) claim(n *sender, c greywatt.Channel, at greywatt.Instant) bool {
	if w.source[c] != nil && at.Sub(w.tally[c].at) < handOverS {
		return false
	}
	w.source[c] = n
	return true
}

// interval notes the time since the node's last frame and returns it, s; 0 for
// the first.
func (n *sender) interval(at greywatt.Instant, running, still bool) float64 {
	n.frames++
	if n.last == 0 {
		n.last = at
		return 0
	}
	us := at - n.last
	if us >= halfDayUS && n.last >= n.part.first {
		n.part.silences = append(n.part.silences, span{n.last, at})
	}
	dt := float64(us) / 1e6
	n.last = at
	was := n.awake
	n.awake = running
	if running && was {
		if n.drawS == 0 {
			n.drawS = dt
		}
		if dt > awakeGaps*n.drawS && dt > minGapS {
			n.part.gaps++
			n.part.gapUS += us
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
func (w *Reducer) flow(n *sender, at greywatt.Instant, v, dt float64) {
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
			w.start(q)
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
func (w *Reducer) start(q float64) {
	m := &w.meter
	m.startSum += q
	if m.starting++; m.starting <= startLen {
		return
	}
	m.starting = 0
	n := m.startOf
	p := n.part
	if p == nil { // the part was taken since
		p = w.partOf(n.name, n.last)
	}
	p.starts++
	if m.startMoved && m.startLMin >= fullStart*m.startSum/startLen && m.startDt > awakeGaps*max(n.drawS, 1) {
		p.late++
	}
}

// cooled reports whether a supply clamp of the node had left its resting
// temperature at the latest reading: water ran before the node woke.
func (w *Reducer) cooled(n *sender) bool {
	for _, c := range []greywatt.Channel{greywatt.ColdIn, greywatt.PreheatOut} {
		t := &w.tally[c]
		if w.source[c] == n && math.Abs(t.latest-t.before) > max(movedAtStartK, movedAtStartSDs*w.noise[c]) {
			return true
		}
	}
	return false
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
func (w *Reducer) turnSlot(at greywatt.Instant) {
	if !w.begun {
		w.begun = true
		w.lastDraw = at // how long it has rested before is not known
		w.today.from = at
	} else {
		w.closeSlot(w.slotEnd)
	}
	if at/dayUS != w.today.from/dayUS {
		w.closeDay()
		w.today.from = at
		w.handOver(at - at%dayUS)
	}
	w.forget(at)
	w.slotEnd = at - at%slotUS + slotUS
	for c := range w.tally {
		w.tally[c].empty()
	}
	m := &w.meter
	m.volumeL, m.spanS, m.drew, m.count = 0, 0, false, 0
	w.still = at.Sub(w.lastDraw) > stillAfterS
}

// empty begins another slot.
func (t *tally) empty() {
	*t = tally{lo: math.Inf(1), hi: math.Inf(-1), at: t.at, before: t.before, latest: t.latest}
}

// forget lets go of what is too long ago to be carried over.
func (w *Reducer) forget(at greywatt.Instant) {
	if w.lastDraw != 0 && at.Sub(w.lastDraw) >= forgetDrawS {
		w.lastDraw = 0
		for _, n := range w.senders {
			n.leave()
			n.drawS = 0
		}
	}
	if m := &w.meter; m.at != 0 && at.Sub(m.at) > handOverS {
		*m = meterState{baseLMin: m.baseLMin}
	}
	for c := range w.tally {
		t := &w.tally[c]
		if t.at == 0 || at.Sub(t.at) < forgetChannelS {
			continue
		}
		if r := &w.run[c]; r.begun && !r.empty {
			w.emit(greywatt.Channel(c), r.stuckRun)
		}
		*t, w.run[c], w.noise[c], w.source[c] = tally{}, openRun{}, 0, nil
	}
	for name, n := range w.senders {
		if at.Sub(n.last) >= forgetNodeS {
			n.leave()
			delete(w.senders, name)
			if w.latest == n {
				w.latest = nil
			}
		}
	}
}

// leave notes in the part what is known of the node.
func (n *sender) leave() {
	if p := n.part; p != nil {
		p.frames += n.frames
		p.last, p.drawS, p.restS = n.last, cmp.Or(n.drawS, p.drawS), n.restS
		n.frames = 0
	}
}

// Take returns what the frames since it was last called show, but for what is
// open.
func (w *Reducer) Take() Part {
	p := w.part
	p.last = w.newest
	for _, n := range w.senders {
		n.leave()
		n.part = nil
	}
	for _, name := range slices.SortedFunc(maps.Keys(w.ofNodes), cmp.Compare[string]) {
		p.nodes = append(p.nodes, *w.ofNodes[name])
	}
	for c := range w.run {
		if r := &w.run[c]; r.begun && !r.empty && (r.linked || r.long()) {
			p.channels[c].open = r.stuckRun
		}
	}
	w.part = Part{}
	clear(w.ofNodes)
	return p
}
