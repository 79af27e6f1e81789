// Package health judges each clamp and meter of a dwelling by its own record:
// channels that are missing, railed or frozen, clamps whose error changes over
// weeks, and water that runs at rest.
//
// A [Reducer] takes the frames beside the event analyser and reduces them to
// slots of a quarter of an hour, those to nights and days. It keeps no
// readings. A [Watch] adds up what it gives, and its [Record] proposes what is wrong as figures with a probability
// each; weighing them against what the showers say, and wording them, is for
// the caller.
//
// Assumptions: at rest, hours after the last draw, every clamp stands near the
// room's temperature; what all clamps read wrongly alike cannot be seen. The
// scale of a meter cannot be seen at rest either, only its zero.
package health

import (
	"cmp"
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

// A Watch adds up what the frames of one dwelling show: those that it is pushed
// itself, by its [Reducer], and parts that other reducers took. Memory grows with
// days, about 1 kB each, and not with readings. It is not safe for use by several
// goroutines at once.
type Watch struct {
	own *Reducer // nil until it is pushed something

	dwelling *greywatt.Dwelling // with the description in force at the newest frame
	whole    *greywatt.Dwelling // with all of them

	nodes  map[string]*node
	source [greywatt.NumChannels]*node // whose readings are used

	begun         bool
	first, newest greywatt.Instant
	outOfOrder    int
	active        int // slots with any reading so far
	totals        [greywatt.NumChannels]channelTotals
	open          [greywatt.NumChannels]stuckRun // at the end of the last part

	lastDraw greywatt.Instant
	mainsC   float64 // recent mains temperature, °C; NaN until water ran
	nights   []night
	days     []flowDay
}

// node is what one node sent over the record.
type node struct {
	name   string
	sensor [greywatt.NumChannels]greywatt.Sensor // as described last

	last         greywatt.Instant
	longTo       greywatt.Instant // end of its latest silence of half a day
	drawS, restS float64          // see NodeRecord
	frames       int
	gaps         int
	gapUS        greywatt.Instant
	starts       int
	lateCount    int
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
	noise        noises
	quanta       counts
}

// New returns a watch over a dwelling. The study is not needed for more than
// its being the dwelling's; it may be nil.
func New(_ *greywatt.Study, d *greywatt.Dwelling) *Watch {
	return &Watch{whole: d, nodes: map[string]*node{}, mainsC: math.NaN()}
}

// Push takes the next frames, as [Reducer.Push] does.
func (w *Watch) Push(frames []greywatt.Frame) {
	if w.own == nil {
		w.own = NewReducer(w.whole)
	}
	w.own.Push(frames)
}

// Close ends the data and returns what they show. The watch is spent.
func (w *Watch) Close() Record {
	if w.own != nil {
		w.own.Close()
	}
	return w.SoFar()
}

// SoFar returns what the quarters of an hour, nights and days that are over show;
// the watch goes on.
func (w *Watch) SoFar() Record {
	if w.own != nil {
		if p := w.own.Take(); !p.empty() {
			w.Add(&p)
		}
	}
	sum := *w // what is open ends in a copy
	for c := range sum.totals {
		a := &sum.totals[c]
		a.gaps, a.runs = slices.Clip(a.gaps), slices.Clip(a.runs)
		if open := &sum.open[c]; open.begun {
			sum.addRun(greywatt.Channel(c), open)
		}
	}
	return sum.record()
}

// Add adds the next part in time order.
func (w *Watch) Add(p *Part) {
	w.outOfOrder += p.outOfOrder
	if !w.begun && p.first != 0 {
		w.begun, w.first = true, p.first
	}
	w.newest = max(w.newest, p.last)
	for c := range greywatt.Channel(greywatt.NumChannels) {
		w.addChannel(c, p)
	}
	w.active += p.active
	for i := range p.nodes {
		w.addNode(&p.nodes[i])
	}
	draws := p.mains
	for _, n := range p.nights {
		for k := len(p.mains) - len(draws); k < n.draws; k++ {
			w.addMains(draws[0])
			draws = draws[1:]
		}
		if n.lastDraw == 0 {
			n.lastDraw = cmp.Or(w.lastDraw, w.first)
		}
		rested := func(to greywatt.Instant) float64 { return (to.Sub(n.lastDraw) - slotS) / 3600 }
		n.restH = (rested(n.from.Add(slotS)) + rested(n.to)) / 2
		n.mainsC = w.mainsC
		w.nights = append(w.nights, n)
	}
	for _, c := range draws {
		w.addMains(c)
	}
	for c := range p.channels {
		w.open[c] = p.channels[c].open
	}
	w.lastDraw = cmp.Or(p.lastDraw, w.lastDraw)
	w.days = append(w.days, p.days...)
}

func (w *Watch) addMains(c float64) {
	if math.IsNaN(w.mainsC) {
		w.mainsC = c
	}
	w.mainsC += (c - w.mainsC) / 3
}

func (w *Watch) nodeOf(name string) *node {
	n, ok := w.nodes[name]
	if !ok {
		n = &node{name: name}
		w.nodes[name] = n
	}
	return n
}

func (w *Watch) addNode(p *nodePart) {
	n := w.nodeOf(p.name)
	if n.last != 0 && p.first.Sub(n.last) >= longSilenceS {
		n.longTo = p.first
	}
	if k := len(p.silences); k > 0 {
		n.longTo = p.silences[k-1].to
	}
	n.last = p.last
	n.frames += p.frames
	n.gaps += p.gaps
	n.gapUS += p.gapUS
	n.starts += p.starts
	n.lateCount += p.late
	n.drawS, n.restS = cmp.Or(p.drawS, n.drawS), cmp.Or(p.restS, n.restS)
}

func (w *Watch) addChannel(c greywatt.Channel, p *Part) {
	a, k := &w.totals[c], &p.channels[c]
	a.readings += k.readings
	a.shown += k.shown
	a.unmoved += k.unmoved
	a.still += k.still
	a.stillUnmoved += k.stillUnmoved
	a.noise.addAll(k.noise)
	a.quanta.addAll(k.quanta)
	for i := range k.runs {
		w.addRun(c, &k.runs[i])
	}
	if k.first == 0 {
		return
	}
	w.endGap(c, k.first, w.active+k.firstActive, func(n *node, from greywatt.Instant) bool {
		return silentAt(n, p.node(n.name), from, k.first)
	})
	for _, g := range k.gaps {
		n := &node{name: g.node}
		a.gaps = append(a.gaps, missing(c, g.from, g.to, silentAt(n, p.node(g.node), g.from, g.to)))
	}
	a.seen, a.seenActive, a.node = k.seen, w.active+k.seenActive, nil
	if k.node != "" {
		a.node = w.nodeOf(k.node)
	}
}

// silentAt reports whether a node was silent for half a day in a silence of one of
// its channels that began at from, by the end of the slot of at: n says what it
// did before the part, p, which may be nil, what in it.
func silentAt(n *node, p *nodePart, from, at greywatt.Instant) bool {
	if n.name == "" {
		return false
	}
	end := at - at%slotUS + slotUS
	last, longTo := n.last, n.longTo
	if p != nil && p.first < end {
		if last != 0 && p.first.Sub(last) >= longSilenceS {
			longTo = p.first
		}
		last = min(p.last, end)
		for _, s := range p.silences {
			if s.to < end {
				longTo = s.to
			} else if s.from < end {
				last = s.from
			}
		}
	}
	return longTo > from || at.Sub(last) >= longSilenceS
}

// settled finds what hangs on the newest description: which sensors are the
// channels' sources.
func (w *Watch) settled() {
	w.dwelling = w.whole.At(math.MinInt64)
	if w.begun {
		w.dwelling = w.whole.At(w.newest)
	}
	for c := range greywatt.Channel(greywatt.NumChannels) {
		a := &w.totals[c]
		n := a.node
		for _, v := range w.whole.Versions {
			if n != nil && v.From > a.seen && v.From <= w.newest {
				if _, ok := w.whole.At(v.From).Sensor(c, n.name); !ok {
					n = nil
				}
			}
		}
		if w.source[c] = n; n != nil {
			_, n.sensor = declared(w.dwelling, n.name)
		}
	}
}
