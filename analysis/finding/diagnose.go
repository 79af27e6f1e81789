package finding

import (
	"cmp"
	"fmt"
	"iter"
	"math"
	"slices"
	"strings"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/exchanger"
	"greywatt/analysis/health"
	"greywatt/analysis/robust"
	"greywatt/analysis/trend"
)

// A Diagnosis is what the events of one dwelling add up to.
type Diagnosis struct {
	Findings []Finding // strongest first; one row healthy or undecided where there is none
	Ended    []Finding // of units that were there before, or elsewhere: over, strongest first
	Trend    []TrendPoint
	Segments []Segment
}

// All returns the findings that hold and those that are over.
func (d *Diagnosis) All() []Finding { return slices.Concat(d.Findings, d.Ended) }

// A Segment is a part of the trend between cleanings, sudden changes or faults of
// the sensors, with the model that describes it.
type Segment struct {
	From, To greywatt.Instant
	Showers  int
	Model    trend.Model // of ln UA ratio against days since From
	Fitted   bool        // false where there are too few showers for a model
	Jump     float64     // ln of the sudden change of conductance that it begins with, below 0 a loss; 0: it begins with the record, a cleaning or other work

	// After is the work that it begins with; empty where it begins with anything else.
	After greywatt.FactKind
}

// suddenDays is the time within which the moment of a sudden change is known:
// this project's choice.
const suddenDays = 5.0

// step is the sudden change within a stretch, ln. One whose place is not known
// to a few days is dirt that came fast: a slipped unit or a turned valve changes
// from one shower to the next.
func (s *Segment) SuddenStep() float64 {
	m := &s.Model
	if s.Fitted && (m.Kind == trend.Step || m.Kind == trend.StepAndLine) && m.ChangeHi-m.ChangeLo <= suddenDays {
		return m.Step
	}
	return 0
}

// enough is the number of measured showers below which nothing is said of a
// unit's performance: the project's choice.
const enough = 6

// defaultLnUAU stands in for the standard uncertainty of ln UA where an event's
// own temperatures allow none.
const defaultLnUAU = 0.04

// diagnoser is one dwelling's showers on the way to its findings.
type diagnoser struct {
	assumption
	study         *greywatt.Study
	dwelling      *greywatt.Dwelling
	showers       []shower
	others        int              // draws without warm waste
	days          float64          // from the first event to the last
	first         greywatt.Instant // start of the first event
	last          greywatt.Instant // and of the last
	found         []Finding
	why           *explanation
	open          []change // where no cause of a change is likely enough
	decideNow     string   // goes with the finding that is added
	decideHealthy string   // what would decide between no change and what is next to it
	decideOpen    string   // what would decide between those
	next          Code     // what else may have been so from the start, with its probability
	nextP         float64
	across        hypothesis // clamps of both sides in each other's place, where that is near to the likeliest, with its probability
	acrossP       float64
	account       hypothesis // of what has been so from the start, where it is likelier than not, with its probability
	past          float64    // share of the mains water that seems to go through the unit, where that is near to the likeliest, with its probability
	pastP         float64
	lawU          float64        // standard uncertainty of the rating's temperature law, ln UA a kelvin of mains
	unchanged     float64        // probability that nothing changed, or nothing more
	health        *health.Record // nil: not known
	healthy       float64        // probability that nothing has been wrong from the start

	metersAgree bool // a meter on the waste side confirms the mains side's
	swapped     []exchanged
}

// Diagnose reads the findings and the trend out of a dwelling's events, in time
// order. The arguments for each finding stand with the function that looks for
// it.
//
// Where the journal has another unit, or the same at another place, a new record
// begins: its findings are those of the last, while the trend has them all.
func Diagnose(study *greywatt.Study, dw *greywatt.Dwelling, events iter.Seq[*event.Event], record *health.Record) Diagnosis {
	var units []greywatt.Break
	for _, b := range dw.Breaks {
		if b.Kind.NewUnit() {
			units = append(units, b)
		}
	}
	if len(units) == 0 {
		return diagnose(study, dw, events, record)
	}
	var out Diagnosis
	from := greywatt.Instant(math.MinInt64)
	for _, next := range append(units, greywatt.Break{At: math.MaxInt64}) {
		part := func(yield func(*event.Event) bool) {
			for e := range events {
				if e.Start >= from && e.Start < next.At && !yield(e) {
					return
				}
			}
		}
		last := next.At == math.MaxInt64
		var of *health.Record
		if last {
			of = record
		}
		one := diagnose(study, dw.At(next.At-1), part, of)
		if last && len(one.Trend) == 0 {
			one.Trend, one.Segments = nil, nil
		}
		out.join(one, from, next.At, dw)
		from = next.At
	}
	return out
}

// join puts the diagnosis of a record that goes from from to before to behind those before it.
func (d *Diagnosis) join(one Diagnosis, from, to greywatt.Instant, dw *greywatt.Dwelling) {
	before := 0
	for i := range d.Trend {
		before = max(before, d.Trend[i].Segment)
	}
	for _, p := range one.Trend {
		p.Segment += before
		d.Trend = append(d.Trend, p)
	}
	for i, s := range one.Segments {
		if i == 0 && len(d.Segments) > 0 {
			for _, b := range dw.Breaks {
				if b.At == from && b.Kind.NewUnit() {
					s.After = b.Kind
				}
			}
		}
		d.Segments = append(d.Segments, s)
	}
	if to == math.MaxInt64 {
		d.Findings = one.Findings
		return
	}
	for _, f := range one.Findings {
		if f.Code == Healthy || f.Code == Undecided || f.Code == Leak {
			continue
		}
		if f.Until == 0 || f.Until >= to {
			f.Until = to - 1
		}
		d.Ended = append(d.Ended, f)
	}
}

// diagnose diagnoses one record.
func diagnose(study *greywatt.Study, dw *greywatt.Dwelling, events iter.Seq[*event.Event], record *health.Record) Diagnosis {
	d := newDiagnoser(study, dw, events)
	d.health = record
	d.dead()
	if len(d.showers) >= 3 {
		d.reversed()
		d.bypassed()
	}
	d.mixed()
	d.aroundMeter()
	var out Diagnosis
	sound := d.showers
	if len(sound) >= enough && !d.crossed(sound) {
		sound = d.changed(sound)
		out.Segments = d.stretches(sound)
		if d.why != nil {
			d.report(sound, d.why, out.Segments)
		}
		if d.why != nil && len(d.open) > 1 {
			d.decideOpen = d.decide(d.why, d.open[0], d.open[1], out.Segments)
		}
		d.standing(out.Segments, sound)
		if x := d.why; x != nil && len(x.rivals) > 0 && x.rivals[0].p > d.nextP*d.unchanged && d.healthy*d.unchanged < sureEnough {
			b := change{cause: causeNone, p: x.none}
			if len(x.rivals) > 1 {
				b = x.rivals[1]
			}
			d.decideHealthy = d.decide(x, x.rivals[0], b, out.Segments)
			if d.untold(x) {
				d.open, d.decideOpen = []change{{cause: causeNone, p: x.none}, x.rivals[0]}, d.decideHealthy
			}
		}
		d.readSo(sound, out.Segments)
	}
	out.Trend = d.points(out.Segments)
	out.Findings = append(d.rows(), d.leaks()...)
	return out
}

// changed compares what may have changed over the showers, reports it, and returns
// those from which the rest can be told, with what drifting sensors did undone.
func (d *diagnoser) changed(ss []shower) []shower {
	k, loose, was := d.cameLoose(ss)
	x := d.explain(ss)
	if i := slices.IndexFunc(x.changes, func(c change) bool { return c.cause >= causeLoose }); i >= 0 && !was {
		c := x.changes[i]
		at := d.first.Add(c.course.t0 * day)
		loose = hypothesis{code: SensorLoose, weight: c.p, sensor: greywatt.Channel(c.cause - causeLoose), share: c.share}
		k, was = slices.IndexFunc(ss, func(s shower) bool { return s.e.Start >= at }), c.p > likely
		if was && k >= 3 && !d.slipped(ss, k, loose) {
			// what fits the whole does not show where it should have begun
			was = false
			x.none = 1 - c.p
			other := x.next[i]
			c.p /= 2
			x.open = []change{c, other}
		}
	} else if i < 0 && was {
		weighed := loose.share > 0 && d.readable(ss[k:min(len(ss), k+40)])
		switch {
		case x.sensorElse(), weighed && x.sure():
			was = false
		case weighed:
			// the comparison weighed it too, and did not find it likelier than all else
			loose.weight = min(loose.weight, likely+(sureEnough-likely)/2)
		}
	}
	if was && k >= 3 {
		d.reportLoose(ss, k, loose)
		ss = d.fastened(ss, k, loose.sensor)
		if len(ss) < enough {
			return ss
		}
		x = d.explain(ss)
	}
	d.correct(ss, &x)
	d.open, d.unchanged = x.open, x.none
	d.why = &x
	return ss
}

// untold reports whether dirt and a drift of the mains meter, which are one to all that is
// measured, are together too likely to call the dwelling healthy.
func (d *diagnoser) untold(x *explanation) bool {
	p := map[cause]float64{}
	for i := range x.rivals {
		p[x.rivals[i].cause] = x.rivals[i].p
	}
	return d.meterless() && p[causeFouling] > 0 && p[causeMeter] > 0 && p[causeFouling]+p[causeMeter] > mostUntold && len(x.changes) == 0 && len(d.open) == 0
}

// mostUntold is the probability of dirt or a meter's drift up to which a dwelling without
// a second meter is healthy: this project's choice.
const mostUntold = 0.11

// readSo compares what may have changed once more, with the showers read as the account of what has been so from the start has
// them: under a loose clamp, or another connection, dirt does not look like dirt. What it finds of
// the unit is as sure as both together.
func (d *diagnoser) readSo(ss []shower, sts []Segment) {
	h := d.account
	if h.weight < sureEnough || !(h.code == SensorLoose && h.share > 0 || h.code == ConnectionDiffers) ||
		slices.ContainsFunc(d.found, func(f Finding) bool { return f.Code == Fouling || f.Code == StepLoss }) {
		return
	}
	so := *d
	so.found, so.account, so.decideNow = nil, hypothesis{}, ""
	so.showers = slices.Clone(ss)
	if h.code == ConnectionDiffers {
		so.connection = h.as
	}
	for i := range so.showers {
		s := &so.showers[i]
		if h.code == SensorLoose {
			s.t = undoPartialContact(int(h.sensor), h.share)(s)
		}
		s.loss = event.LostShare(so.rating, portsOf(s.t), s.flow, s.room)
		s.lnUA = so.evaluate(s.t, s.flow, s.loss).ua
	}
	so.showers = slices.DeleteFunc(so.showers, func(s shower) bool { return math.IsNaN(s.lnUA) })
	if len(so.showers) < enough {
		return
	}
	x := so.explain(so.showers)
	for i := range x.changes {
		x.changes[i].p *= h.weight
	}
	so.report(so.showers, &x, sts)
	for _, f := range so.found {
		if f.Code == Fouling || f.Code == StepLoss {
			f.Evidence += "; read as " + string(h.code) + " has it"
			d.found = append(d.found, f)
		}
	}
}

// slipped reports whether balance or conductance moved at shower k by half and more of what a
// clamp's tightening since would undo.
func (d *diagnoser) slipped(ss []shower, k int, h hypothesis) bool {
	if h.share == 0 {
		return true
	}
	before, after := ss[max(0, k-40):k], ss[k:min(len(ss), k+40)]
	was, is, undone := d.levelsOf(before, nil), d.levelsOf(after, nil), d.levelsOf(after, undoPartialContact(int(h.sensor), h.share))
	if was.n < leastAside || is.n < leastAside || undone.n < leastAside {
		return true
	}
	moved := math.Hypot(is.heat-was.heat, is.ua-was.ua)
	return 2*moved > math.Hypot(undone.heat-is.heat, undone.ua-is.ua)
}

// readable reports whether half of the showers give a conductance as they are read.
func (d *diagnoser) readable(ss []shower) bool {
	n := 0
	for i := range ss {
		if !math.IsNaN(d.evaluate(ss[i].t, ss[i].flow, ss[i].loss).ua) {
			n++
		}
	}
	return 2*n >= len(ss)
}

// fastened returns the showers in which a clamp that came loose at shower k tells
// something: those before, and those after the journal has another in its place, or the same put on
// again. The finding is over then.
func (d *diagnoser) fastened(ss []shower, k int, c greywatt.Channel) []shower {
	for _, w := range d.cuts() {
		if w.channel != c || w.kind != greywatt.FactClampReplaced && w.kind != greywatt.FactClampMoved || w.at <= ss[k].e.Start {
			continue
		}
		n := k
		for n < len(ss) && ss[n].e.Start < w.at {
			n++
		}
		for i := range d.found {
			if f := &d.found[i]; f.Code == SensorLoose && f.Channel == c.String() {
				f.Until = w.at - 1
				f.Evidence += "; until " + d.date(w.at) + ", when the journal has it " + fastenedWords[w.kind]
			}
		}
		return slices.Concat(ss[:k], ss[n:])
	}
	return ss[:k]
}

var fastenedWords = map[greywatt.FactKind]string{greywatt.FactClampReplaced: "replaced", greywatt.FactClampMoved: "taken off and put on"}

// sure reports whether the comparison, which weighed loose clamps too, has found
// something else that it is sure of.
func (x *explanation) sure() bool {
	return slices.ContainsFunc(x.changes, func(c change) bool { return c.p > sureEnough })
}

// sensorElse reports whether the comparison has found a sensor that changed
// gradually, or is open about one, where a loose clamp was the first guess.
func (x *explanation) sensorElse() bool {
	gradual := func(c change) bool {
		return c.cause == causeMeter || c.cause == causeWasteMeter || c.cause >= causeDrift && c.cause < causeLoose && c.course.kind != profileStep
	}
	return slices.ContainsFunc(x.changes, gradual) || slices.ContainsFunc(x.open, gradual)
}

// A Doubt is an account in which a sensor is wrong and the unit is sound.
type Doubt struct {
	Code    Code             // sensor-loose or flow-off-scale
	Channel greywatt.Channel // of the sensor
	P       float64          // probability, 0 to 1
	Words   string           // what the sensor would show
	Decide  string           // what would decide, and how well it must be measured
}

// DiagnoseFew returns what a few showers show, of which nothing can be said over
// time, and whether it is clamps in each other's place, undecided where they are of both sides; no findings where nothing
// is wrong. doubts are the sensors that may be wrong in place of the unit, likeliest first. begun is the first reading of the record that they are taken from.
func DiagnoseFew(study *greywatt.Study, dw *greywatt.Dwelling, begun greywatt.Instant, showers iter.Seq[*event.Event]) (found []Finding, swapped bool, doubts []Doubt) {
	d := newDiagnoser(study, dw.Last(), showers)
	d.first = begun
	d.reversed()
	swapped = len(d.found) > 0
	d.days = 0 // a few showers do not tell how many other draws pass the unit
	d.bypassed()
	if len(d.found) == 0 && len(d.showers) > 1 && d.crossed(d.showers) {
		d.add(Undecided, begun, d.acrossP, strings.TrimPrefix(d.candidates(), "; "))
		return d.rows(), true, nil
	}
	if len(d.showers) > 0 && len(d.found) == 0 {
		doubts = d.doubts(d.weighStanding(d.showers))
	}
	if len(d.found) == 0 {
		return nil, swapped, doubts
	}
	return d.rows(), swapped, doubts
}

// doubts sums the accounts in which a sensor is wrong.
func (d *diagnoser) doubts(hs []hypothesis) (out []Doubt) {
	var total float64
	var meter hypothesis
	var clamps [greywatt.NumPorts]struct {
		sum  float64
		best hypothesis
	}
	for _, h := range hs {
		total += h.weight
		switch h.code {
		case FlowOffScale:
			meter.weight += h.weight
		case SensorLoose:
			c := &clamps[h.sensor]
			if c.sum += h.weight; h.weight > c.best.weight {
				c.best = h
			}
		}
	}
	if !(total > 0) {
		return nil
	}
	for p := range clamps {
		c := &clamps[p]
		if c.sum > 0 {
			out = append(out, Doubt{SensorLoose, greywatt.Channel(p), c.sum / total, c.best.contactWords("the figures to what they should be"), d.probe(p, d.showers)})
		}
	}
	if meter.weight > 0 {
		l := d.summarise(d.showers, nil)
		by := math.Exp(l.ua / flowGain)
		out = append(out, Doubt{FlowOffScale, greywatt.Flow, meter.weight / total,
			fmt.Sprintf("flow reading %.2f of what passes brings the conductance to what it should be", by),
			fmt.Sprintf("the meter flow against a bucket and a watch, to u95 %.0f %%", max(1, 200*math.Abs(by-1)/decided))})
	}
	slices.SortStableFunc(out, func(a, b Doubt) int { return cmp.Compare(b.P, a.P) })
	return out
}

// cuts returns the instants from which figures may differ because of work on the
// dwelling: cleanings and breaks, in time order.
func (d *diagnoser) cuts() []cut {
	var out []cut
	for _, c := range d.dwelling.Cleaned {
		out = append(out, cut{at: c.In(d.study.Location())})
	}
	since := d.dwelling.UnitSince(d.last)
	for _, b := range d.dwelling.Breaks {
		if b.At > since && !b.Kind.NewUnit() {
			out = append(out, cut{b.At, b.Kind, b.Channel})
		}
	}
	slices.SortStableFunc(out, func(a, b cut) int { return cmp.Compare(a.at, b.at) })
	return out
}

// A cut is a cleaning, of no kind, or other work.
type cut struct {
	at      greywatt.Instant
	kind    greywatt.FactKind
	channel greywatt.Channel // where the kind is of a sensor
}

func newDiagnoser(study *greywatt.Study, dw *greywatt.Dwelling, events iter.Seq[*event.Event]) *diagnoser {
	d := &diagnoser{
		assumption: assumption{connection: dw.Connection, hotC: dw.Heater.HotC, rating: exchanger.NewRating(dw.Exchanger)},
		study:      study, dwelling: dw,
	}
	for e := range events {
		if d.first == 0 {
			d.first = e.Start
		}
		d.last = e.Start
		d.days = e.End.Sub(d.first) / 86400
		if e.Kind == event.OtherDraw && e.RunningS > 15 {
			d.others++
		}
		if e.Kind == event.OtherDraw || len(e.Parts) == 0 {
			continue
		}
		s := shower{
			e: e, t: [4]float64{e.WasteInC, e.WasteOutC, e.ColdInC, e.PreheatOutC},
			ratio: e.Ratio, room: e.RoomC, flow: e.FlowLMin, wasteFlow: measuredWasteFlow(e),
			lnUA: math.Log(e.UARatio), uRandom: e.UARatioRandom / e.UARatio, uAll: e.UARatioU95 / 2 / e.UARatio,
		}
		bad := false
		for p, t := range s.t {
			bad = bad || math.IsNaN(t) && !d.spared(greywatt.Channel(p))
		}
		if math.IsNaN(s.uAll) {
			s.uRandom, s.uAll = defaultLnUAU, defaultLnUAU // outside what counterflow can do: a finding for the sensors
		}
		if !bad {
			s.loss = event.LostShare(d.rating, portsOf(s.t), s.flow, s.room)
			d.showers = append(d.showers, s)
		}
	}
	d.lawU = event.TemperatureLawU(1, d.perUA())
	return d
}

// perUA is d ln effectiveness / d ln UA at the usual shower; NaN where there is none.
func (d *diagnoser) perUA() float64 {
	var of []float64
	for i := 0; i < len(d.showers); i += max(1, len(d.showers)/30) {
		s := &d.showers[i]
		r := 1.0
		if d.connection != greywatt.ConnectionA {
			r = min(1, (s.t[0]-s.t[1])/(s.t[3]-s.t[2])*(1-s.loss))
		}
		const h = 0.01
		ntu := exchanger.CounterflowNTU((s.t[3]-s.t[2])/(s.t[0]-s.t[2]), r)
		v := math.Log(exchanger.Counterflow(ntu*(1+h), r)/exchanger.Counterflow(ntu*(1-h), r)) / math.Log((1+h)/(1-h))
		if v > 0 && !math.IsInf(v, 0) {
			of = append(of, v)
		}
	}
	return robust.Median(of)
}

func portsOf(t [greywatt.NumPorts]float64) (p greywatt.Ports[float64]) {
	for c, v := range t {
		*p.Of(greywatt.Channel(c)) = v
	}
	return p
}

// spared reports whether a conductance follows without a channel: in A both sides
// carry the same water, so that waste-out only tests the heat.
func (d *diagnoser) spared(c greywatt.Channel) bool {
	return c == greywatt.WasteOut && d.connection == greywatt.ConnectionA
}

// measuredWasteFlow is the waste flow of the event's parts where a meter gave it.
func measuredWasteFlow(e *event.Event) float64 {
	var sum, n float64
	for _, p := range e.Parts {
		sum += p.MeteredWasteLMin * p.Span.Seconds()
		n += p.Span.Seconds()
	}
	return sum / n
}

// add notes a finding.
func (d *diagnoser) add(code Code, since greywatt.Instant, confidence float64, evidence string) {
	f := Finding{Dwelling: d.dwelling.ID, Code: code, Since: since, Confidence: min(0.99, confidence), Evidence: evidence}
	f.Advice, f.Cautions = Advice(code)
	d.note(f)
}

// addLoose notes a loose clamp.
func (d *diagnoser) addLoose(c greywatt.Channel, since greywatt.Instant, confidence float64, evidence string) {
	f := Finding{Dwelling: d.dwelling.ID, Code: SensorLoose, Channel: c.String(), Since: since, Confidence: min(0.99, confidence), Evidence: evidence}
	f.Advice, f.Cautions = adviseSensor(c)
	d.note(f)
}

// note keeps one row a code: what is found again, after a cleaning or a second
// step, joins the first.
func (d *diagnoser) note(f Finding) {
	f.Decide = d.decideNow
	for i := range d.found {
		if was := &d.found[i]; was.Code == f.Code && was.Channel == f.Channel {
			was.Confidence = max(was.Confidence, f.Confidence)
			was.Evidence += "; since " + d.date(f.Since) + ": " + f.Evidence
			return
		}
	}
	d.found = append(d.found, f)
}

// rows orders the findings, or says that there is none. A dead sensor of the room,
// which matters least to the figures, comes last.
func (d *diagnoser) rows() []Finding {
	room := func(f *Finding) bool { return f.Code == SensorDead && f.Channel == greywatt.Ambient.String() }
	slices.SortStableFunc(d.found, func(a, b Finding) int {
		if room(&a) != room(&b) {
			if room(&a) {
				return 1
			}
			return -1
		}
		return cmp.Compare(b.Confidence, a.Confidence)
	})
	if len(d.found) == 0 {
		d.nothing()
	}
	for i := range d.found {
		if f := &d.found[i]; f.Decide == "" && (f.Code == Undecided || f.Confidence < sureEnough) {
			f.Decide = d.decideFinding(f)
		}
	}
	return d.found
}

// since is the index from which on at least four fifths of what follows holds,
// four showers or more; -1 where there is none. It is the first such index at
// which the thing itself holds.
func since(holds []bool) int {
	n := 0
	best := -1
	for i := len(holds) - 1; i >= 0; i-- {
		if holds[i] {
			n++
		}
		if holds[i] && float64(n) >= 0.8*float64(len(holds)-i) {
			best = i
		}
	}
	if best < 0 || len(holds)-best < min(4, len(holds)) {
		return -1
	}
	return best
}

// from returns the moment from which something holds that holds from shower i
// on: the beginning of the data where i is the first.
func (d *diagnoser) from(i int) greywatt.Instant {
	if i == 0 {
		return d.first
	}
	return d.showers[i].e.Start
}

// points is the trend, one point a shower with a conductance.
func (d *diagnoser) points(stretches []Segment) []TrendPoint {
	var out []TrendPoint
	nan := math.NaN()
	segment, in, changed := 0, -1, false
	for i := range d.showers {
		s := &d.showers[i]
		if math.IsNaN(s.lnUA) || math.IsInf(s.lnUA, 0) {
			continue
		}
		p := TrendPoint{
			Dwelling: d.dwelling.ID, EventID: s.e.ID, At: s.e.Start,
			UARatio: math.Exp(s.lnUA), UARatioU95: 2 * s.uAll * math.Exp(s.lnUA), Fit: nan, FitLo: nan, FitHi: nan,
			OwnU95: 2 * s.uRandom * math.Exp(s.lnUA), ColdInC: s.t[greywatt.ColdIn],
		}
		p.LeftOut = len(stretches) > 0
		p.Segment = segment + 1 // past the last stretch
		for k := range stretches {
			st := &stretches[k]
			if s.e.Start < st.From || s.e.Start > st.To {
				continue
			}
			t := s.e.Start.Sub(st.From) / day
			if k != in {
				segment, in, changed = segment+1, k, false
			}
			if st.Fitted && !changed && t >= st.Model.ChangeT { // not where there is none
				segment, changed = segment+1, true
			}
			p.Segment, p.LeftOut = segment, false
			if st.Fitted {
				y, u := st.Model.At(t)
				p.Fit, p.FitLo, p.FitHi = math.Exp(y), math.Exp(y-2*u), math.Exp(y+2*u)
			}
		}
		out = append(out, p)
	}
	return out
}
