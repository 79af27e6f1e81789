package health

import (
	"math"

	"greywatt"
	"greywatt/analysis/robust"
)

// How is the way in which a channel is dead.
type How string

// The ways.
const (
	Missing How = "missing" // no readings while the dwelling's others came
	Railed  How = "railed"  // at a code or a limit that no pipe in use is at
	Frozen  How = "frozen"  // the same value, where others moved
)

// A Dead is a stretch of a day or more in which a channel measured nothing.
type Dead struct {
	Channel    greywatt.Channel
	How        How
	From, To   greywatt.Instant // latest good reading before, or first bad; latest bad, or first good after
	Ongoing    bool             // to the end of the record
	Value      float64          // what it showed, as read (°C, l/s); NaN for missing
	NodeSilent bool             // of missing: nothing came from its node at all
	Draws      int              // slots of a quarter of an hour in which the other channels show water running

	LogEvidence float64 // ln of the likelihood ratio to a sound channel
	Score       float64 // probability, 0 to 1, with a prior of deadPrior
}

// Thresholds of dead channels. All are this project's choice.
const (
	deadS       = secondsADay // s, the least that is reported
	deadPrior   = 0.01        // of a stretch without movement
	stuckK      = 0.02        // K within which a clamp is said not to move
	stuckFlow   = 1e-6        // l/s, likewise
	followK     = 0.5         // K that the others must wander at rest to show that one does not
	followSteps = 3.0         // and steps of its own output
	followWorth = 10.0        // ln of the evidence of that
	surely      = 20.0        // ln of the evidence of what leaves no doubt
	hoursAsOne  = 16          // slots at rest that count as one: neighbours are alike
	edgeSlots   = 0.05        // share of the slots in which pipes still move after a draw, at least
	activeSlots = 24          // slots in which others must have reported for one to be missing
)

// unmovedPrior is how often a sound channel stays as it is while water runs,
// before its own record is known: beta counts of unmoved and moved.
var unmovedPrior = [greywatt.NumChannels][2]float64{
	greywatt.WasteIn:    {0.5, 9.5},
	greywatt.WasteOut:   {1.5, 3.5},
	greywatt.ColdIn:     {0.5, 4.5},
	greywatt.PreheatOut: {0.5, 4.5},
	greywatt.Flow:       {1, 9},
	greywatt.Ambient:    {1, 1},
	greywatt.WasteFlow:  {1, 4},
}

// stuckRun is a run of slots in which a channel stays where it is.
type stuckRun struct {
	begun, railed bool
	linked        bool // it may go on with one before
	from, to      greywatt.Instant
	lo, hi        float64
	shown         int              // slots with water running
	first, last   greywatt.Instant // begin of the first of them, end of the last
	still         int              // slots at rest
	// of the slot means of the others at rest
	otherLo, otherHi [numMembers]float64
}

// newRun returns a run without any slot.
func newRun(railed, linked bool) stuckRun {
	r := stuckRun{begun: true, railed: railed, linked: linked, lo: math.Inf(1), hi: math.Inf(-1)}
	for p := range members {
		r.otherLo[p], r.otherHi[p] = math.Inf(1), math.Inf(-1)
	}
	return r
}

// goesOn reports whether a slot, or a run, of a channel with values from lo to hi is
// one with the run.
func (s *stuckRun) goesOn(c greywatt.Channel, railed bool, lo, hi float64) bool {
	return s.begun && s.railed == railed && (railed || max(hi, s.hi)-min(lo, s.lo) <= movementLimit(c))
}

func (s *stuckRun) long() bool { return s.to.Sub(s.from) >= deadS }

// movementLimit is how far a channel that is stuck may seem to move.
func movementLimit(c greywatt.Channel) float64 {
	if c.IsFlow() {
		return stuckFlow
	}
	return stuckK
}

// extendRun takes the slot of channel c into its run, or begins another.
func (w *Reducer) extendRun(c greywatt.Channel, t *tally, shown bool) {
	a := &w.part.channels[c]
	limit := movementLimit(c)
	railed := t.railed > t.n
	lo, hi := t.lo, t.hi
	if railed {
		lo, hi = t.rail, t.rail
	}
	unmoved := hi-lo <= limit
	if shown && !railed {
		a.shown++
		if unmoved {
			a.unmoved++
		}
	}
	if w.still && !railed {
		a.still++
		if unmoved {
			a.stillUnmoved++
		}
	}
	r := &w.run[c]
	if !r.goesOn(c, railed, lo, hi) {
		w.endRun(c)
		linked := !r.known
		*r = openRun{known: true}
		if !unmoved {
			if linked {
				w.emit(c, stuckRun{})
			}
			return
		}
		r.stuckRun, r.empty = newRun(railed, linked), true
	}
	if r.empty {
		r.from, r.empty = w.slotEnd-slotUS, false
	}
	r.to, r.lo, r.hi = t.at, min(lo, r.lo), max(hi, r.hi)
	if shown {
		if r.shown++; r.shown == 1 {
			r.first = w.slotEnd - slotUS
		}
		r.last = w.slotEnd
	}
	if w.still {
		r.still++
		for p, o := range members {
			if u := &w.tally[o]; o != c && u.n >= slotReadings {
				m := u.sum / float64(u.n)
				r.otherLo[p], r.otherHi[p] = min(r.otherLo[p], m), max(r.otherHi[p], m)
			}
		}
	}
}

// emit gives a run, or the part of one, to the part; one that has not begun stands
// for the end of those before.
func (w *Reducer) emit(c greywatt.Channel, r stuckRun) {
	w.part.channels[c].runs = append(w.part.channels[c].runs, r)
}

// endRun ends the run of channel c, if there is one.
func (w *Reducer) endRun(c greywatt.Channel) {
	r := &w.run[c]
	if !r.begun || !r.linked && !r.long() {
		return
	}
	if !r.empty {
		w.emit(c, r.stuckRun)
	}
	w.emit(c, stuckRun{})
}

// handOver gives runs that are old at the end of a day to the part and begins them
// anew, so that what is carried over does not depend on how old.
func (w *Reducer) handOver(dayEnd greywatt.Instant) {
	for c := range w.run {
		if r := &w.run[c]; r.begun && !r.empty && dayEnd.Sub(r.from) >= longRunS {
			w.emit(greywatt.Channel(c), r.stuckRun)
			r.stuckRun, r.empty = newRun(r.railed, true), true
		}
	}
}

// endGap notes the silence of channel c that ends at at, where it is long and began
// within the part.
func (w *Reducer) endGap(c greywatt.Channel, at greywatt.Instant) {
	a := &w.part.channels[c]
	if a.first == 0 {
		a.first, a.firstActive = at, w.part.active
	} else if at.Sub(a.seen) >= deadS && w.part.active-a.seenActive >= activeSlots {
		a.gaps = append(a.gaps, gap{from: a.seen, to: at, node: a.node})
	}
	a.seen, a.seenActive, a.node = at, w.part.active, ""
	if n := w.source[c]; n != nil {
		a.node = n.name
	}
}

// endGap keeps the silence of channel c that ends at at, where it is long. silent
// says whether its node was.
func (w *Watch) endGap(c greywatt.Channel, at greywatt.Instant, active int, silent func(n *node, from greywatt.Instant) bool) {
	a := &w.totals[c]
	from, since := a.seen, a.seenActive
	if from == 0 {
		from = w.first
	}
	if at.Sub(from) >= deadS && active-since >= activeSlots {
		a.gaps = append(a.gaps, missing(c, from, at, a.node != nil && silent(a.node, from)))
	}
}

func missing(c greywatt.Channel, from, to greywatt.Instant, silent bool) Dead {
	return Dead{Channel: c, How: Missing, From: from, To: to, Value: math.NaN(), NodeSilent: silent, LogEvidence: surely}
}

// addRun takes a run, or what follows of one, into those of channel c.
func (w *Watch) addRun(c greywatt.Channel, s *stuckRun) {
	a := &w.totals[c]
	r := &a.run
	if !s.begun || !s.linked || !r.goesOn(c, s.railed, s.lo, s.hi) {
		w.endRun(c)
		*r = *s
		return
	}
	r.to, r.lo, r.hi = s.to, min(r.lo, s.lo), max(r.hi, s.hi)
	if s.shown > 0 {
		if r.shown == 0 {
			r.first = s.first
		}
		r.last = s.last
	}
	r.shown += s.shown
	r.still += s.still
	for p := range members {
		r.otherLo[p], r.otherHi[p] = min(r.otherLo[p], s.otherLo[p]), max(r.otherHi[p], s.otherHi[p])
	}
}

// endRun keeps the run of channel c, where it is long, and ends it.
func (w *Watch) endRun(c greywatt.Channel) {
	a := &w.totals[c]
	if a.run.begun && a.run.long() {
		a.runs = append(a.runs, a.run)
	}
	a.run = stuckRun{}
}

// dead returns what is dead, channel by channel in time order.
func (w *Watch) dead() []Dead {
	var out []Dead
	for c := range greywatt.Channel(greywatt.NumChannels) {
		a := &w.totals[c]
		if a.seen != 0 || !c.Optional() || w.declares(c) {
			n := len(a.gaps)
			w.endGap(c, w.newest, w.active, func(n *node, from greywatt.Instant) bool {
				return n.longTo > from || w.newest.Sub(n.last) >= longSilenceS
			})
			for i := range a.gaps {
				a.gaps[i].Ongoing = i >= n
			}
		}
		w.endRun(c)
		out = append(out, a.gaps...)
		for i := range a.runs {
			if d := w.judgeRun(c, &a.runs[i]); d.Score > 0.5 {
				out = append(out, d)
			}
		}
	}
	for i := range out {
		out[i].Score = probability(math.Log(deadPrior/(1-deadPrior)) + out[i].LogEvidence)
	}
	return out
}

func (w *Watch) declares(c greywatt.Channel) bool {
	for i := range w.dwelling.Sensors {
		if w.dwelling.Sensors[i].Channel == c {
			return true
		}
	}
	return false
}

// judgeRun weighs a run without movement: a sound channel would have moved with
// the draws, as it did outside the run, and with the room.
func (w *Watch) judgeRun(c greywatt.Channel, r *stuckRun) Dead {
	a := &w.totals[c]
	d := Dead{Channel: c, How: Frozen, From: r.from, To: r.to, Value: (r.lo + r.hi) / 2, Draws: r.shown, Ongoing: w.newest.Sub(r.to) < 2*slotS}
	if r.railed {
		d.How, d.LogEvidence = Railed, surely
		d.Score = 1
		return d
	}
	if c.IsFlow() && d.Value == 0 && r.shown > 0 {
		// a sound meter is at 0 between draws too
		d.From = r.first
		if !d.Ongoing {
			d.To = r.last
		}
	}
	p := unmovedPrior[c]
	rate := (float64(a.unmoved-r.shown) + p[0]) / (float64(a.shown-r.shown) + p[0] + p[1])
	d.LogEvidence = float64(r.shown) * -math.Log(max(rate, edgeSlots))
	if !c.IsFlow() {
		// pipes wander at rest with what they carried; a room need not
		quantum := w.quantum(c)
		if wander := robust.Median(finite(ranges(r))); c != greywatt.Ambient && wander > max(followK, followSteps*quantum) {
			d.LogEvidence += followWorth
		}
		// 1, 2: a record that is all one run says nothing of how it would move
		if outside := a.still - r.still; outside > 0 {
			rate := (float64(a.stillUnmoved-r.still) + 1) / (float64(outside) + 2)
			d.LogEvidence += min(surely, float64(r.still)/hoursAsOne*-math.Log(rate))
		}
	}
	d.LogEvidence = min(d.LogEvidence, 2*surely)
	d.Score = probability(math.Log(deadPrior/(1-deadPrior)) + d.LogEvidence)
	return d
}

func ranges(r *stuckRun) []float64 {
	out := make([]float64, 0, numMembers)
	for p := range r.otherLo {
		out = append(out, r.otherHi[p]-r.otherLo[p])
	}
	return out
}

// probability turns the logarithm of odds into a probability.
func probability(logOdds float64) float64 { return 1 / (1 + math.Exp(-logOdds)) }
