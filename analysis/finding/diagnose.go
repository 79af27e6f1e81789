package finding

import (
	"cmp"
	"iter"
	"math"
	"slices"

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
	others        int              // draws without warm waste, but for baths
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
	round         float64        // share of the mains water that goes through the unit, the rest round it, where that cannot be left out
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

// bathS is the time, s, from which a draw without warm waste may be a bath that the
// shower's own mixer fills: it passes the unit in B too. This project's choice.
const bathS = 180

func newDiagnoser(study *greywatt.Study, dw *greywatt.Dwelling, events iter.Seq[*event.Event]) *diagnoser {
	d := &diagnoser{
		assumption: assumption{connection: dw.Connection, hotC: dw.Heater.HotC, rating: exchanger.NewRating(dw.Exchanger)},
		study:      study, dwelling: dw,
	}
	losses := event.LossesOf(d.rating)
	for e := range events {
		if d.first == 0 {
			d.first = e.Start
		}
		d.last = e.Start
		d.days = e.End.Sub(d.first) / 86400
		if e.Kind == event.OtherDraw && e.RunningS > 15 && e.RunningS < bathS {
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
			s.loss = losses.Share(portsOf(s.t), s.flow, s.room)
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
