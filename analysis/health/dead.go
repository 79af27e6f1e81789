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
	from, to      greywatt.Instant
	lo, hi        float64
	shown         int              // slots with water running
	first, last   greywatt.Instant // begin of the first of them, end of the last
	still         int              // slots at rest
	// of the slot means of the others at rest
	otherLo, otherHi [numMembers]float64
}

// movementLimit is how far a channel that is stuck may seem to move.
func movementLimit(c greywatt.Channel) float64 {
	if c.IsFlow() {
		return stuckFlow
	}
	return stuckK
}

// extendRun takes the slot of channel c into its run, or begins another.
func (w *Watch) extendRun(c greywatt.Channel, t *tally, shown bool) {
	a := &w.totals[c]
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
	r := &a.run
	if r.begun && r.railed == railed && (railed || max(hi, r.hi)-min(lo, r.lo) <= limit) {
		r.to, r.lo, r.hi = t.at, min(lo, r.lo), max(hi, r.hi)
	} else {
		w.endRun(c)
		if !unmoved {
			return
		}
		*r = stuckRun{begun: true, railed: railed, from: w.slotEnd - slotUS, to: t.at, lo: lo, hi: hi}
		for p := range members {
			r.otherLo[p], r.otherHi[p] = math.Inf(1), math.Inf(-1)
		}
	}
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

// endRun keeps the run of channel c, where it is long, and ends it.
func (w *Watch) endRun(c greywatt.Channel) {
	a := &w.totals[c]
	if r := a.run; r.begun && r.to.Sub(r.from) >= deadS {
		a.runs = append(a.runs, r)
	}
	a.run = stuckRun{}
}

// endGap keeps the silence of channel c that ends at at, where it is long.
func (w *Watch) endGap(c greywatt.Channel, at greywatt.Instant) {
	a := &w.totals[c]
	from, active := a.seen, a.seenActive
	if from == 0 {
		from = w.first
	}
	if at.Sub(from) >= deadS && w.active-active >= activeSlots {
		d := Dead{Channel: c, How: Missing, From: from, To: at, Value: math.NaN(), LogEvidence: surely}
		if n := a.node; n != nil {
			d.NodeSilent = n.longTo > from || at.Sub(n.last) >= secondsADay/2
		}
		a.gaps = append(a.gaps, d)
	}
}

// dead returns what is dead, channel by channel in time order.
func (w *Watch) dead() []Dead {
	var out []Dead
	for c := range greywatt.Channel(greywatt.NumChannels) {
		a := &w.totals[c]
		if a.seen != 0 || !c.Optional() || w.declares(c) {
			n := len(a.gaps)
			w.endGap(c, w.newest)
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
