package finding

import (
	"fmt"
	"math"
	"slices"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/robust"
)

// mostChanges is how many changes of one record are told apart, at most.
const mostChanges = 4

// likely is the probability from which a cause is taken for what happened; below
// it the comparison is open.
const likely = 0.5

// healthyEnough is the probability from which a dwelling counts as healthy: sound ones
// are the rule, so that less speaks of a fault that is only not clear yet. This
// project's choice.
const healthyEnough = 0.65

// worthNaming is the probability from which a healthy dwelling's evidence names what else
// may be: this project's choice.
const worthNaming = 0.03

// inReach is the ratio of probabilities up to which a second cause is too near to the
// first: this project's choice.
const inReach = 2.0

// inReachUntold is that of dirt to a drift of the mains meter that no second meter checks,
// which look alike: what tells them is mostly how often either is met. This project's choice.
const inReachUntold = 4.0

// An explanation is what the comparison made of a record.
type explanation struct {
	changes  []change              // in the order in which they were found
	next     []change              // the likeliest beside each
	open     []change              // of the last round, likeliest first, where none was likely enough
	rivals   []change              // of no change in the last round, likeliest first
	none     float64               // probability that nothing changed, or nothing more
	season   func(*shower) float64 // what temperature and flow make of ln UA beyond the rating
	evidence *evidence
	groups   []group
	habit    []habitChange // what people changed about their showers
}

// explain compares the causes of change over the showers until nothing more is
// to be explained.
func (d *diagnoser) explain(ss []shower) explanation {
	var x explanation
	var cuts []cut
	var breaks []greywatt.Instant
	for _, c := range d.cuts() {
		if c.at > ss[0].e.Start && c.at < ss[len(ss)-1].e.Start {
			cuts, breaks = append(cuts, c), append(breaks, c.at)
		}
	}
	for _, x := range d.swapped {
		breaks = append(breaks, x.at)
	}
	for _, k := range apartBy(leastAside, d.breaks(ss), len(ss)) {
		breaks = append(breaks, ss[k].e.Start)
	}
	x.groups = d.groups(ss, breaks)
	d.lawU = event.TemperatureLawU(1, d.perUA())
	if d.newEvidence(x.groups, cuts, nil, 1).coefficients()[numSeries] < 0 {
		// the published fit, for which it is wider, follows temperature more than the
		// rating's law: a unit that follows it less lies within the correlations' width
		d.lawU = event.LawUPerK
	}
	loose := d.loosenings(ss, x.groups)
	habits := d.habitChanges(ss)
	var extra [][]float64
	taken := map[cause]bool{}
	for round := range mostChanges + 1 {
		cs, e, changed := d.compare(x.groups, loose, cuts, habits, extra, taken)
		x.evidence, x.habit = e, nil
		if changed > likely {
			x.habit = habits
		}
		order := slices.Clone(cs[:])
		slices.SortStableFunc(order, func(a, b change) int {
			switch {
			case a.p > b.p:
				return -1
			case a.p < b.p:
				return 1
			}
			return 0
		})
		x.none = cs[causeNone].p
		x.rivals = slices.DeleteFunc(slices.Clone(order), func(c change) bool { return c.cause == causeNone || c.cause.unnamed() || c.p < worthNaming })
		top := order[0]
		contested := top.cause.unnamed() || order[1].cause.unnamed() && top.cause != causeNone && top.p < inReach*order[1].p
		if contested && round+1 < mostChanges {
			if first, ok := d.pair(order, func(c change) ([numCauses]change, *evidence) {
				cs, e, _ := d.compare(x.groups, loose, cuts, habits, append(slices.Clone(extra), c.column()), taken)
				return cs, e
			}); ok {
				other := order[0]
				if !other.cause.unnamed() {
					other = order[1]
				}
				other.p = 1 - first.p
				order[0], order[1], top = first, other, first
			}
		}
		reach := inReach
		if top.cause == causeFouling && order[1].cause == causeMeter && d.meterless() {
			reach = inReachUntold
		}
		rivalled := top.cause != causeNone && top.p < reach*order[1].p
		if top.cause.unnamed() && order[1].cause.unnamed() {
			order[1] = order[2]
		}
		if top.cause == causeNone || top.cause.unnamed() || top.p < likely || rivalled || round == mostChanges {
			if top.cause != causeNone || top.p < healthyEnough {
				x.open = order[:2]
			}
			break
		}
		if top.deviation > mostDeviation && top.cause.source() != sourceUnit {
			// so far from what was expected it is as likely something else
			other := cs[causeMisfit]
			top.p /= 2
			other.p += top.p
			x.open = []change{other, top}
			break
		}
		x.changes, x.next = append(x.changes, top), append(x.next, order[1])
		if top.cause != causeFouling && top.cause != causeStep && top.cause != causeMended {
			taken[top.cause] = true
		}
		extra = append(extra, top.column())
		if top.cause >= causeLoose {
			break // what comes after is not looked at
		}
	}
	x.season = x.evidence.season()
	return x
}

// column is what a change makes of the data, as a nuisance: by twice its size either way.
func (c *change) column() []float64 {
	sd := 2 * math.Abs(c.size)
	column := make([]float64, len(c.shift))
	for i, v := range c.shift {
		column[i] = v * sd
	}
	return column
}

// firstOfPair is how many named causes are tried as the first of two.
const firstOfPair = 3

// pair looks for two changes that explain together what no one does, of the unit, such
// as dirt that was washed off, or of a sensor that the journal has seen to: with the first among the nuisances, as then brings in,
// the second must be the likeliest of all, and both together likelier than that nothing
// fits. It returns the first, with the probability of both. order are the causes, the
// likeliest first.
func (d *diagnoser) pair(order []change, then func(change) ([numCauses]change, *evidence)) (first change, ok bool) {
	known := func(c *change) bool {
		return c.cause == causeFouling || c.cause == causeStep || c.cause == causeMended || c.course.until > 0
	}
	unnamed := math.Inf(-1)
	for _, c := range order {
		if c.cause.unnamed() {
			unnamed = max(unnamed, c.ln)
		}
	}
	best, tried := unnamed, 0
	for _, c := range order {
		if !known(&c) || tried == firstOfPair {
			continue
		}
		tried++
		cs, _ := then(c)
		second := cs[causeNone]
		for _, o := range cs {
			if o.p > second.p {
				second = o
			}
		}
		if both := c.ln + second.ln; known(&second) && second.p > likely && both > best {
			best, first, ok = both, c, true
		}
	}
	first.p = 1 / (1 + math.Exp(unnamed-best))
	return first, ok
}

// apartBy returns those of the places within n showers that lie least showers and more
// from the ends and from each other, in the order given: what is nearer bounds odd
// showers, which a group's median passes over.
func apartBy(least int, places []int, n int) (out []int) {
	for _, k := range places {
		near := func(o int) bool { return k-o < least && o-k < least }
		if !near(0) && !near(n) && !slices.ContainsFunc(out, near) {
			out = append(out, k)
		}
	}
	return out
}

// season returns what the comparison makes of ln UA by temperature and flow.
func (e *evidence) season() func(*shower) float64 {
	c := e.coefficients()
	at := numSeries
	mains, curve, waste, flow := c[at], c[at+1], c[at+2], c[at+3]
	m0, w0, f0 := e.mains0, e.waste0, e.flow0
	return func(s *shower) float64 {
		return mains*(s.t[2]-m0) + curve*((s.t[2]-12)*(s.t[2]-12)-(m0-12)*(m0-12)) + waste*(s.t[0]-w0) + flow*(math.Log(s.flow)-f0)
	}
}

// correct undoes what sensors did, in the showers from which the rest is told.
func (d *diagnoser) correct(ss []shower, x *explanation) {
	touched := false
	for i := range ss {
		s := &ss[i]
		t, flow, wasteFlow := s.t, s.flow, s.wasteFlow
		at := s.e.Start.Sub(d.first) / day
		for _, c := range x.changes {
			by := c.size * c.course.at(at)
			switch {
			case c.cause >= causeDrift && c.cause < causeLoose:
				t[c.cause-causeDrift] -= by
				touched = true
			case c.cause == causeMeter || c.cause == causeMeterStep:
				flow *= math.Exp(-by)
				touched = true
			case c.cause == causeWasteMeter || c.cause == causeWasteMeterStep:
				wasteFlow *= math.Exp(-by)
			}
		}
		if touched {
			was, is := d.evaluate(s.t, s.flow, s.loss).ua, d.evaluate(t, flow, s.loss).ua
			if math.IsNaN(was) || math.IsNaN(s.lnUA) {
				s.lnUA = is
			} else {
				s.lnUA += is - was
			}
		}
		s.t, s.flow, s.wasteFlow = t, flow, wasteFlow
	}
}

// report adds the findings of what changed.
func (d *diagnoser) report(ss []shower, x *explanation, sts []Segment) {
	for i, c := range x.changes {
		d.decideNow = ""
		if c.p < sureEnough {
			d.decideNow = d.decide(x, c, x.next[i], sts)
		}
		at := d.first.Add(c.course.t0 * day)
		end := c.size * c.course.end(x.groups[len(x.groups)-1].t)
		if c.cause == causeFouling || c.cause == causeStep {
			c.p = min(c.p, mostSure(ss, at, c.course.kind))
			if c.cause == causeFouling && d.meterless() && math.Abs(end) < flowGain*meterDrift {
				c.p = min(c.p, unmetered)
			}
			if c.p < sureEnough && d.decideNow == "" {
				d.decideNow = d.decide(x, c, x.next[i], sts)
			}
		}
		switch {
		case c.cause == causeFouling:
			d.foul(ss, x, c)
		case c.cause == causeStep:
			d.stepped(ss, x, c)
		case c.cause == causeMended:
		case c.cause >= causeLoose:
		case c.cause >= causeDrift:
			ch, _ := c.cause.channel()
			if c.course.kind == profileStep && !d.rested(ch) && d.towardsRoom(ch, end) {
				// from one shower to the next, and nothing at rest against it: it slipped
				d.addLoose(ch, at, c.p, fmt.Sprintf("its error changed by %+.2f K (±%.2f K) from one shower to the next, towards the room; %s", end, 2*c.u, d.restWords(ch)))
				continue
			}
			if d.disagrees(ch, end, c.u) || math.Abs(end) < 2*c.u {
				c.p = min(c.p, disagreeing)
				if d.decideNow == "" {
					d.decideNow = d.decide(x, c, x.next[i], sts)
				}
			}
			if d.disagrees(ch, end, c.u) {
				d.decideNow = fmt.Sprintf("a night with the unit's supply closed: %s then agrees with the other clamps to %.1f K, or it drifts", ch, 2*math.Hypot(restScatter, d.health.Channels[ch].Drift.UK))
			}
			d.addSensor(SensorDrifting, ch, at, c.p, fmt.Sprintf("%s: its error changed by %+.2f K (±%.2f K)%s; %s", ch, end, 2*c.u, d.over(c), d.restWords(ch)))
			d.ended(c)
		case c.cause == causeMeterStep || c.cause == causeWasteMeterStep:
			ch, _ := c.cause.channel()
			if d.meterless() && c.p > unmetered {
				// another shower head, and a loss of the unit on the same day, look so too
				c.p, d.decideNow = unmetered, d.decide(x, c, x.next[i], sts)
			}
			d.addSensor(FlowOffScale, ch, at, c.p, fmt.Sprintf("%s reads %.2f of what it read before (±%.2f); with that undone the other figures are as they were", ch, math.Exp(c.size), 2*c.u))
		default:
			ch, _ := c.cause.channel()
			d.addSensor(SensorDrifting, ch, at, c.p, fmt.Sprintf("%s: its scale changed by %+.0f %% (±%.0f %%)%s", ch, 100*math.Expm1(end), 200*c.u, d.over(c)))
			d.ended(c)
		}
	}
	d.decideNow = ""
}

// ended notes that the sensor of the last finding is another from a day on.
func (d *diagnoser) ended(c change) {
	if c.course.until == 0 || len(d.found) == 0 {
		return
	}
	f := &d.found[len(d.found)-1]
	f.Until = d.first.Add(c.course.until*day) - 1
	f.Evidence += "; until " + d.date(f.Until) + ", when the journal has another"
}

func (d *diagnoser) over(c change) string {
	switch c.course.kind {
	case profileStep:
		return " from one shower to the next"
	case profileRamp:
		return fmt.Sprintf(" over the %.0f days from %s on", c.course.t1-c.course.t0, d.date(d.first.Add(c.course.t0*day)))
	}
	return fmt.Sprintf(" from %s on, fast at first and then slower", d.date(d.first.Add(c.course.t0*day)))
}

// A mains meter whose scale drifts by as much as meterDrift, in ln, lowers the
// conductance as dirt does. Without a meter on the waste side only the flow that people
// like tells one from the other: a smaller loss is said with unmetered at most. Both are
// this project's choice.
const (
	meterDrift = 0.22
	unmetered  = 0.8
)

// mostSure is the confidence that a change of the unit at a moment may have: showers
// fewer than [enough] before or after it may all be odd ones. What changes gradually
// shows in the later ones alone.
func mostSure(ss []shower, at greywatt.Instant, kind profileKind) float64 {
	before := 0
	for before < len(ss) && ss[before].e.Start < at {
		before++
	}
	after := len(ss) - before
	if kind != profileStep {
		before = len(ss) / 2
	}
	return likely + (1-likely)*min(1, float64(min(before, after))/(enough+1))
}

// rested reports whether the clamps were compared at rest often enough to tell one of
// them.
func (d *diagnoser) rested(c greywatt.Channel) bool {
	if d.health == nil {
		return false
	}
	r := &d.health.Channels[c].Drift
	return r.Nights >= leastNights && !math.IsNaN(r.ChangeK)
}

// A clamp whose error changes at rest by another amount than in the showers has
// something else beside it there, such as water that runs: a drift of it is then said
// with disagreeing at most. restScatter is what the pipes' own temperatures at rest do,
// K, restShare what a comparison at rest may be off by. All are this project's choice.
const (
	disagreeing = 0.6
	restScatter = 0.15
	restShare   = 0.25
)

// disagrees reports whether a change of a clamp's error by k, K, with a standard
// uncertainty of u, is not the one that it shows at rest.
func (d *diagnoser) disagrees(c greywatt.Channel, k, u float64) bool {
	if !d.rested(c) {
		return false
	}
	r := &d.health.Channels[c].Drift
	if math.IsNaN(r.UK) {
		return false
	}
	expected := math.Hypot(math.Hypot(u, r.UK), math.Hypot(restScatter, restShare*r.ChangeK))
	return math.Abs(k-r.ChangeK) > 2.5*expected
}

// towardsRoom reports whether an error of k, K, brings a clamp nearer to the room.
func (d *diagnoser) towardsRoom(c greywatt.Channel, k float64) bool {
	var above []float64
	for i := range d.showers {
		above = append(above, d.showers[i].t[c]-d.showers[i].room)
	}
	return robust.Median(above)*k < 0
}

// restWords says what the clamps show at rest about one of them.
func (d *diagnoser) restWords(c greywatt.Channel) string {
	if d.rested(c) {
		r := &d.health.Channels[c].Drift
		return fmt.Sprintf("against the others at rest it changed by %+.2f K (±%.2f K, %d rests)", r.ChangeK, 2*r.UK, r.Nights)
	}
	return "by the showers alone: there is no comparison at rest"
}

// stretch returns the part of ss between the cleanings around a day, or other
// work that conductance may change by.
func (d *diagnoser) stretch(ss []shower, x *explanation, t float64) []shower {
	from, to := 0, len(ss)
	at := d.first.Add(t * day)
	for _, work := range d.cuts() {
		if work.kind.OfSensor() {
			continue
		}
		c := work.at
		for i := range ss {
			if ss[i].e.Start >= c {
				if c <= at {
					from = max(from, i)
				} else {
					to = min(to, i)
				}
				break
			}
		}
	}
	if from >= to {
		return ss
	}
	return ss[from:to]
}

// lnOf lists ln UA of showers with the season taken off.
func (x *explanation) lnOf(ss []shower) (ln []float64, at []greywatt.Instant) {
	for i := range ss {
		if s := &ss[i]; !math.IsNaN(s.lnUA) && !math.IsInf(s.lnUA, 0) {
			ln, at = append(ln, s.lnUA-x.season(s)), append(at, s.e.Start)
		}
	}
	return ln, at
}

func (d *diagnoser) foul(ss []shower, x *explanation, c change) {
	part := d.stretch(ss, x, c.course.t0)
	to := part[len(part)-1].e.Start.Sub(d.first) / day
	total := c.size * c.course.at(to)
	u := c.u * c.course.at(to)
	if total > -leastFouling {
		return
	}
	since := x.lost(part, min(markLoss, -total/2))
	days := min(to, c.course.t1) - c.course.t0
	evidence := fmt.Sprintf("conductance fell by %.0f %% (±%.1f %%) over %.0f days, %s; %d showers%s",
		-100*math.Expm1(total), 200*u, days, courseWords[c.course.kind], len(part), d.heatTested(x, c))
	if last := ss[len(ss)-1].e.Start; part[len(part)-1].e.Start < last {
		evidence += "; until " + d.date(part[len(part)-1].e.Start) + ", when the unit was cleaned"
	} else if m, ok := x.mendedAfter(c.course.t0); ok {
		evidence += "; about " + d.date(d.first.Add(m.course.t0*day)) + " it rose, as when a unit is cleaned"
	}
	d.add(Fouling, since, c.p, evidence+d.habitWords(x))
}

// mendedAfter returns the change for the better that follows a day.
func (x *explanation) mendedAfter(t float64) (change, bool) {
	for _, c := range x.changes {
		if c.cause == causeMended && c.course.t0 > t {
			return c, true
		}
	}
	return change{}, false
}

var courseWords = map[profileKind]string{
	profileRamp:     "steadily",
	profileApproach: "fast at first, then slower",
	profileStep:     "at once",
}

// heatTested says that the sides' heats still agree, where they were compared
// and do.
func (d *diagnoser) heatTested(x *explanation, c change) string {
	e := x.evidence
	if len(e.index[seriesHeat]) < 6 {
		return ""
	}
	var before, after []float64
	for _, j := range e.index[seriesHeat] {
		g := &x.groups[j]
		if f := c.course.at(g.t); f < 0.2 {
			before = append(before, g.y[seriesHeat])
		} else if f > 0.6 {
			after = append(after, g.y[seriesHeat])
		}
	}
	if len(before) < 2 || len(after) < 2 {
		return ""
	}
	m := robust.Median(after) - robust.Median(before)
	if math.Abs(m) > 0.04 {
		return fmt.Sprintf("; waste heat over mains heat moved by %+.1f %%", 100*math.Expm1(m))
	}
	return fmt.Sprintf("; waste heat over mains heat stayed within %.1f %%", max(0.1, 100*math.Abs(math.Expm1(m))))
}

// lost returns the first moment of a stretch from which the running median of
// ln UA, the season taken off, stays loss below where it began.
func (x *explanation) lost(ss []shower, loss float64) greywatt.Instant {
	const width = 9
	ln, at := x.lnOf(ss)
	if len(ln) == 0 {
		return ss[0].e.Start
	}
	start := robust.Median(ln[:min(len(ln), width)])
	since := ss[0].e.Start
	for i := len(ln) - 1; i >= 0; i-- {
		if m := robust.Median(ln[max(0, i-width/2):min(len(ln), i+width/2+1)]); m > start-loss {
			break
		}
		since = at[i]
	}
	return since
}

// stepAt returns the first shower after a fall of ln UA near a moment: of all splits of the
// showers about it, the one after which they lie closest to the medians of both parts.
func stepAt(ln []float64, at []greywatt.Instant, near greywatt.Instant) greywatt.Instant {
	const aside, beyond, least = 6 * day, 12, 3 // s; showers
	from, to := len(at), 0
	for i := range at {
		if math.Abs(at[i].Sub(near)) <= aside {
			from, to = min(from, i), i+1
		}
	}
	best, where := math.Inf(1), near
	lo, hi := max(0, from-beyond), min(len(at), to+beyond)
	for i := max(from, lo+least); i < to && i+least <= hi; i++ {
		before, after := robust.Median(ln[lo:i]), robust.Median(ln[i:hi])
		var sum float64
		for j := lo; j < hi; j++ {
			level := before
			if j >= i {
				level = after
			}
			sum += math.Abs(ln[j] - level)
		}
		if sum < best && after < before {
			best, where = sum, at[i]
		}
	}
	return where
}

// stepped reports a sudden loss, dated to the shower.
func (d *diagnoser) stepped(ss []shower, x *explanation, c change) {
	if c.size > -leastStep {
		return
	}
	ln, at := x.lnOf(ss)
	where := stepAt(ln, at, d.first.Add(c.course.t0*day))
	d.add(StepLoss, where, c.p, fmt.Sprintf("conductance fell by %.0f %% (±%.1f %%) from one shower to the next on %s and stayed%s",
		-100*math.Expm1(c.size), 200*c.u, d.date(where), d.heatTested(x, c)+d.habitWords(x)))
}
