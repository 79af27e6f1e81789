package cleaning

import (
	"math"
	"time"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/exchanger"
	"greywatt/analysis/finding"
	"greywatt/analysis/robust"
	"greywatt/analysis/trend"
)

// A Verdict says when a unit wants cleaning.
type Verdict string

// The verdicts.
const (
	Now     Verdict = "clean-now"   // the loss has passed the threshold
	By      Verdict = "clean-by"    // it will, if the trend goes on
	NotYet  Verdict = "not-yet"     // no loss, or one that stays below the threshold for two years
	Unknown Verdict = "cannot-tell" // too few showers, too much scatter to exclude such a loss, or a trend that has ended
)

// DefaultThreshold is the loss of effectiveness, as a share of the clean
// unit's, at which cleaning is advised. No published value exists for this
// duty: it is this project's choice.
const DefaultThreshold = 0.10

// ModelShowers is how many showers with a steady part a model of a trend takes:
// see [trend.Fit].
const ModelShowers = 8

// Choices of this project.
const (
	dayS        = 86400.0
	horizonDays = 730.0 // days ahead that a trend is followed
	usualDays   = 28.0  // days whose use counts as usual
	leastUsual  = 3.0   // days that say anything of a use
	resolvedAt  = 2.0   // standard uncertainties from which a loss is one
	edgePoints  = 16    // showers that an end of a stretch goes by, where its days hold fewer
	startDays   = 14.0  // days that the start of a stretch goes by
	seasonU     = 0.01  // standard uncertainty of ln UA between seasons by clamps' offsets at another span
)

// A Assessment is what a dwelling's trend says about dirt: what it costs today,
// when it will be too much, and what cleanings have brought. A figure that is
// not known is NaN, an instant zero. Every U95 is expanded, k = 2.
//
// Loss is against the unit when clean: the best that the trend has shown at the
// start of the record or after a cleaning. What errors of clamps, meter and
// certificate do to the conductance they do to both, so that they leave the
// comparison. A unit that was dirty when the record began, and never cleaned,
// shows only what it has lost since. A sudden loss is not dirt and is kept
// apart: it changes what clean means.
type Assessment struct {
	Verdict Verdict
	AsOf    greywatt.Instant // the last shower that the trend goes by: "today"
	Ended   bool             // a week and more before the last shower: what came after does not count for it
	Segment finding.Segment  // the present one

	CleanUA, UA   float64 // conductance when clean and today, against the rated unit's
	Loss, LossU95 float64 // of conductance, as a share of the clean unit's
	Resolved      bool    // Loss is beyond its uncertainty
	Step          float64 // ln of what sudden changes since did to the conductance; 0: none

	// At the usual flows, medians of the last four weeks.
	FlowLMin, WasteFlowLMin                 float64
	CleanEffectiveness                      float64
	Effectiveness                           float64
	EffectivenessLoss, EffectivenessLossU95 float64 // as a share of the clean unit's

	// At the usual use, that of the last four weeks as measured.
	HeatKWhWeek         float64 // recovered
	LossKWhWeek         float64 // of heat, that a clean unit would recover on top
	LossKWhWeekU95      float64
	LossFuelKWhWeek     float64
	LossMoneyWeek       float64
	LossMoneyWeekU95    float64
	Currency            string
	Threshold           float64          // of EffLoss
	ThresholdUA         float64          // that as a conductance, against the rated unit's
	Due, DueFrom, DueTo greywatt.Instant // when the loss passes it, or has passed it, with a 95 % interval; zero: not within two years

	// Need is what it takes to resolve a slope that would reach the threshold in
	// a year; zeros where the record does already.
	Need trend.Need

	Gains []Gain

	recent trend.Model // the end of the present stretch
}

// A Gain is what one cleaning brought.
type Gain struct {
	On                   greywatt.Date
	Gain, GainU95        float64 // of conductance, as a share of that before
	EffectivenessGain    float64 // of effectiveness, in its own unit, at the usual flows
	EffectivenessGainU95 float64
	KWhWeek              float64 // of heat, at the usual use
	KWhWeekU95           float64
	Before, After        int // showers on either side
	MissingBefore        int // showers that a figure would take beyond those
	MissingAfter         int
}

// Assess reads a dwelling's events and diagnosis, with threshold the
// loss of effectiveness, 0 to 1 of the clean unit's, at which cleaning is
// advised.
func Assess(study *greywatt.Study, d *greywatt.Dwelling, events []event.Event, diagnosis finding.Diagnosis, threshold float64) Assessment {
	if !(threshold > 0 && threshold < 1) {
		panic("cleaning: cleaning threshold outside 0 to 1")
	}
	nan := math.NaN()
	d = d.Last()
	c := Assessment{
		Verdict: Unknown, Threshold: threshold, Currency: d.Heater.Currency,
		CleanUA: nan, UA: nan, ThresholdUA: nan, Loss: nan, LossU95: nan, FlowLMin: nan, WasteFlowLMin: nan, CleanEffectiveness: nan, Effectiveness: nan,
		EffectivenessLoss: nan, EffectivenessLossU95: nan, HeatKWhWeek: nan, LossKWhWeek: nan, LossKWhWeekU95: nan,
		LossFuelKWhWeek: nan, LossMoneyWeek: nan, LossMoneyWeekU95: nan,
	}
	sts := diagnosis.Segments
	if len(sts) == 0 {
		return c
	}
	c.Segment = sts[len(sts)-1]
	c.AsOf = c.Segment.To
	u := usualUse(events, c.AsOf, d)
	c.FlowLMin, c.WasteFlowLMin, c.HeatKWhWeek = u.flow, u.waste, u.heatWeek
	loc := study.Location()
	if _, last := edges(diagnosis, len(sts)-1); last.fitted {
		c.recent = last.model
		clean, now, uLoss := c.levels(diagnosis, last.mainsC, u)
		c.loss(clean, now, uLoss, u, d)
		c.verdict(pointsOf(diagnosis, len(sts)-1), clean, u.lawU(last.perDay), u)
	}
	c.gains(diagnosis, d, loc, u)
	for i := range events {
		if e := &events[i]; len(e.Parts) > 0 && e.Start > c.AsOf.Add(7*dayS) {
			c.Ended, c.Verdict = true, Unknown
		}
	}
	return c
}

// An edge is the trend near the start or the end of a stretch: a model of ln of
// the conductance ratio against days since the stretch began, and the mains water
// it was measured with.
//
// It takes the showers of a few weeks only. The model of a whole stretch tells
// what happened; where dirt grew otherwise than any of the kinds has it, it
// misses the ends by a few percent.
type edge struct {
	model  trend.Model
	fitted bool
	n      int     // showers of the stretch
	mainsC float64 // °C, median cold-in of the showers near the edge
	perDay float64 // K a day, by which it changes among them
}

// A trendPoint is one shower's ln of the conductance ratio.
type trendPoint struct {
	at     greywatt.Instant
	y      float64
	mainsC float64
}

// pointsOf returns the points of stretch k (from 0).
func pointsOf(diagnosis finding.Diagnosis, k int) []trendPoint {
	var out []trendPoint
	st := &diagnosis.Segments[k]
	for _, p := range diagnosis.Trend {
		if p.At >= st.From && p.At <= st.To && p.UARatio > 0 {
			out = append(out, trendPoint{p.At, math.Log(p.UARatio), p.ColdInC})
		}
	}
	return out
}

// edges returns the beginning and the end of stretch k (from 0).
func edges(diagnosis finding.Diagnosis, k int) (first, last edge) {
	st := &diagnosis.Segments[k]
	var ps []trend.Point
	var mains []float64
	for _, p := range pointsOf(diagnosis, k) {
		ps = append(ps, trend.Point{T: p.at.Sub(st.From) / dayS, Y: p.y})
		mains = append(mains, p.mainsC)
	}
	head, tail := ps, ps
	if st.Fitted && st.SuddenStep() != 0 { // what comes on the other side is another level
		cut := 0
		for cut < len(ps) && ps[cut].T < st.Model.ChangeT {
			cut++
		}
		head, tail = ps[:cut], ps[cut:]
	}
	n := within(len(head), func(i int) bool { return head[i].T <= head[0].T+startDays })
	first = fitEdge(head[:n], mains[:n], len(ps), trend.Line, trend.Bend)
	n = within(len(tail), func(i int) bool { return tail[len(tail)-1-i].T >= tail[len(tail)-1].T-usualDays })
	last = fitEdge(tail[len(tail)-n:], mains[len(mains)-n:], len(ps), trend.Line, trend.Bend, trend.Approach, trend.LateApproach)
	return first, last
}

// within returns how many of n, counted from the edge, lie within its days; at
// least edgePoints where there are so many.
func within(n int, near func(i int) bool) int {
	k := 0
	for k < n && (near(k) || k < edgePoints) {
		k++
	}
	return k
}

func fitEdge(ps []trend.Point, mains []float64, n int, kinds ...trend.Kind) edge {
	m, err := trend.Fit(ps, trend.Options{Kinds: kinds})
	e := edge{model: m, fitted: err == nil, n: n, mainsC: robust.Median(mains)}
	if h := len(ps) / 2; h > 0 {
		if days := ps[len(ps)-1].T - ps[0].T; days > 0 { // from the middle of one half to that of the other
			e.perDay = (robust.Median(mains[h:]) - robust.Median(mains[:h])) / (days / 2)
		}
	}
	return e
}

// lawU is the standard uncertainty of ln UA that the rating's temperature law adds
// between mains temperatures so far apart.
func (u use) lawU(deltaK float64) float64 {
	const h = 0.01
	perUA := math.Log(u.effectiveness(h)/u.effectiveness(-h)) / (2 * h)
	return event.TemperatureLawU(deltaK, perUA)
}

// levels returns ln of the conductance ratio of the clean unit and of today's,
// and the standard uncertainty of their difference. Both are at the same flows and
// temperatures; what the temperature law leaves between the mains water then and
// today's, mainsC, is in the uncertainty.
func (c *Assessment) levels(diagnosis finding.Diagnosis, mainsC float64, use use) (clean, now, u float64) {
	now, uNow := c.recent.At(c.recent.T1)
	clean = math.Inf(-1)
	var steps, uWork float64
	for i := len(diagnosis.Segments) - 1; i >= 0; i-- {
		st := &diagnosis.Segments[i]
		if i+1 < len(diagnosis.Segments) {
			after := diagnosis.Segments[i+1].After
			if after.NewUnit() {
				break // another unit's
			}
			if after.OfSensor() { // what a clamp or meter does to all events is another error from there on
				uWork = math.Hypot(uWork, math.Sqrt2*commonU(diagnosis, i))
			}
		}
		steps += st.SuddenStep()
		first, _ := edges(diagnosis, i)
		if i+1 < len(diagnosis.Segments) {
			steps += min(0, diagnosis.Segments[i+1].Jump)
		}
		if !first.fitted {
			continue
		}
		start, uStart := first.model.At(first.model.T0)
		uBoth := math.Hypot(math.Hypot(math.Hypot(seasonU, uWork), use.lawU(first.mainsC-mainsC)), math.Hypot(uStart, uNow))
		// of earlier starts one counts where it was surely better
		if math.IsInf(clean, 0) || start+steps > clean+resolvedAt*uBoth {
			clean, u, c.Step = start+steps, uBoth, steps
		}
	}
	return clean, now, u
}

// commonU is the standard uncertainty of ln of the conductance ratio that the
// events of a stretch have in common, the median of them.
func commonU(diagnosis finding.Diagnosis, k int) float64 {
	st := &diagnosis.Segments[k]
	var us []float64
	for _, p := range diagnosis.Trend {
		if own := p.OwnU95; p.At >= st.From && p.At <= st.To && p.UARatioU95 > own {
			us = append(us, math.Sqrt(p.UARatioU95*p.UARatioU95-own*own)/2/p.UARatio)
		}
	}
	if len(us) == 0 {
		return 0
	}
	return robust.Median(us)
}

// loss fills in what the difference of two levels costs.
func (c *Assessment) loss(clean, now, u float64, use use, d *greywatt.Dwelling) {
	c.CleanUA, c.UA = math.Exp(clean), math.Exp(now)
	kept := math.Exp(now - clean)
	c.Loss, c.LossU95 = 1-kept, 2*u*kept
	c.Resolved = c.Loss > c.LossU95
	c.CleanEffectiveness, c.Effectiveness = use.effectiveness(clean), use.effectiveness(now)
	c.EffectivenessLoss = 1 - c.Effectiveness/c.CleanEffectiveness
	lo, hi := use.effectiveness(now-u), use.effectiveness(now+u)
	c.EffectivenessLossU95 = (hi - lo) / c.CleanEffectiveness
	more := c.CleanEffectiveness/c.Effectiveness - 1
	uMore := (hi - lo) / 2 * c.CleanEffectiveness / (c.Effectiveness * c.Effectiveness)
	c.LossKWhWeek = use.heatWeek * more
	c.LossKWhWeekU95 = 2 * math.Hypot(use.heatWeek*uMore, use.heatWeekU*more)
	c.LossFuelKWhWeek = c.LossKWhWeek / d.Heater.Efficiency
	c.LossMoneyWeek = c.LossFuelKWhWeek * d.Heater.PricePerKWh
	c.LossMoneyWeekU95 = c.LossKWhWeekU95 / d.Heater.Efficiency * d.Heater.PricePerKWh
}

// verdict says when to clean. slopeU is the standard uncertainty of the trend's
// slope, ln a day, by the temperature law: mains water that cools while the record
// ends looks like dirt as far as the law is wrong.
func (c *Assessment) verdict(points []trendPoint, clean, slopeU float64, use use) {
	level := use.levelAt(use.effectiveness(clean) * (1 - c.Threshold))
	c.ThresholdUA = math.Exp(level)
	if whole := &c.Segment.Model; c.Segment.Fitted && level < clean {
		c.Need = whole.Need((level-clean)/365, float64(whole.N)/(whole.T1-whole.T0))
	}
	m := &c.recent
	now, _ := m.At(m.T1)
	switch {
	case math.IsNaN(c.EffectivenessLoss) || math.IsNaN(level):
	case c.Resolved && now <= level:
		c.Verdict = Now
		u := c.LossU95 / 2 / (1 - c.Loss)
		c.Due, c.DueFrom, c.DueTo = passed(points, level), passed(points, level+2*u), passed(points, level-2*u)
	case m.Slope < -resolvedAt*math.Hypot(m.USlope, slopeU) && (c.Resolved || -m.Slope*usualDays > 2*seasonU):
		x := m.Crossing(level, horizonDays)
		// where the clean unit was is not known better than the loss is
		u := c.LossU95 / (1 - c.Loss)
		early, late := m.Crossing(level+u, horizonDays).T, m.Crossing(level-u, horizonDays).T
		season := (x.T - m.T1) * 2 * slopeU / -m.Slope
		c.Due = c.instant(x.T)
		c.DueFrom = c.instant(max(m.T1, x.T-math.Hypot(math.Hypot(x.T-x.Lo, x.T-early), season)))
		c.DueTo = c.instant(x.T + math.Hypot(math.Hypot(x.T-x.Hi, x.T-late), season))
		if c.Verdict = NotYet; c.Due != 0 {
			c.Verdict = By
		}
	case c.EffectivenessLoss+c.EffectivenessLossU95 < c.Threshold:
		c.Verdict = NotYet
	}
}

// passed returns when the running median of nine showers last came below a
// level, ln, for good; zero where it has not.
func passed(points []trendPoint, level float64) greywatt.Instant {
	const half = 4
	var at greywatt.Instant
	var ys []float64
	for i := len(points) - 1; i >= 0; i-- {
		ys = ys[:0]
		for _, p := range points[max(0, i-half):min(len(points), i+half+1)] {
			ys = append(ys, p.y)
		}
		if robust.Median(ys) > level {
			break
		}
		at = points[i].at
	}
	return at
}

// instant turns days of the present stretch into an instant, +Inf into zero.
func (c *Assessment) instant(days float64) greywatt.Instant {
	if math.IsInf(days, 0) || math.IsNaN(days) {
		return 0
	}
	return c.Segment.From.Add(days * dayS)
}

// gains compares the trend before and after each cleaning.
func (c *Assessment) gains(diagnosis finding.Diagnosis, d *greywatt.Dwelling, loc *time.Location, use use) {
	for _, on := range d.Cleaned {
		at := on.In(loc)
		if at > c.AsOf {
			continue
		}
		var before, after edge
		for i := range diagnosis.Segments {
			switch s := &diagnosis.Segments[i]; {
			case s.To < at:
				_, before = edges(diagnosis, i)
			case s.From >= at && after.n == 0:
				after, _ = edges(diagnosis, i)
			}
		}
		nan := math.NaN()
		g := Gain{On: on, Gain: nan, GainU95: nan, EffectivenessGain: nan, EffectivenessGainU95: nan, KWhWeek: nan, KWhWeekU95: nan}
		g.Before, g.MissingBefore = before.n, before.missing()
		g.After, g.MissingAfter = after.n, after.missing()
		if before.fitted && after.fitted {
			was, uWas := before.model.At(before.model.T1)
			is, uIs := after.model.At(after.model.T0)
			law := use.lawU(after.mainsC - before.mainsC)
			g.fill(was, is, math.Hypot(law, math.Hypot(uWas, uIs)), use, c.Effectiveness)
		}
		c.Gains = append(c.Gains, g)
	}
}

// missing returns how many showers more a level at this edge would take.
func (e *edge) missing() int {
	if e.fitted {
		return 0
	}
	return max(1, ModelShowers-e.n)
}

// fill takes the levels before and after, ln, with the standard uncertainty of
// their difference, and today's effectiveness, with which the usual heat was
// recovered.
func (g *Gain) fill(was, is, u float64, use use, today float64) {
	factor := math.Exp(is - was)
	g.Gain, g.GainU95 = factor-1, 2*u*factor
	slope := (use.effectiveness(is+u) - use.effectiveness(is-u)) / 2
	g.EffectivenessGain, g.EffectivenessGainU95 = use.effectiveness(is)-use.effectiveness(was), 2*slope
	g.KWhWeek = use.heatWeek / today * g.EffectivenessGain
	g.KWhWeekU95 = math.Hypot(use.heatWeek/today*g.EffectivenessGainU95, 2*use.heatWeekU/today*g.EffectivenessGain)
}

// use is how a dwelling uses its unit.
type use struct {
	flow, waste float64 // l/min
	heatWeek    float64 // kWh
	heatWeekU   float64
	ua          float64 // of the rated unit at these flows and the certificate's inlets, W/K
	inlets      exchanger.Inlets
}

// usualUse reads the use off the four weeks before asOf.
func usualUse(events []event.Event, asOf greywatt.Instant, d *greywatt.Dwelling) use {
	var flow, waste []float64
	var heat event.HeatSum
	from := asOf.Add(-usualDays * dayS)
	if len(events) > 0 {
		from = max(from, events[0].Start)
	}
	for i := range events {
		e := &events[i]
		if e.Start < from || e.Start > asOf || e.Kind == event.OtherDraw || e.Has(event.FlagNoWarmWaste) {
			continue
		}
		if !math.IsNaN(e.HeatKWh) && !math.IsNaN(e.HeatU95KWh) {
			heat.Add(e)
		}
		if e.FlowLMin > 0 && e.WasteFlowLMin > 0 {
			flow, waste = append(flow, e.FlowLMin), append(waste, e.WasteFlowLMin)
		}
	}
	u := use{flow: robust.Median(flow), waste: robust.Median(waste), heatWeek: math.NaN(), heatWeekU: math.NaN(), ua: math.NaN()}
	if days := asOf.Sub(from) / dayS; days >= leastUsual {
		u.heatWeek, u.heatWeekU = heat.KWh/days*7, heat.U95()/2/days*7
	}
	if u.flow > 0 && u.waste > 0 {
		rating := exchanger.NewRating(d.Exchanger)
		u.inlets = rating.Inlets()
		u.ua = rating.UA(u.flows(), u.inlets)
	}
	return u
}

// effectiveness returns that of the unit whose conductance is exp(lnRatio) of
// the rated one's, at the usual flows.
func (u use) effectiveness(lnRatio float64) float64 {
	return exchanger.Effectiveness(math.Exp(lnRatio)*u.ua, u.flows(), u.inlets)
}

// levelAt inverts effectiveness.
func (u use) levelAt(effectiveness float64) float64 {
	return math.Log(exchanger.Conductance(effectiveness, u.flows(), u.inlets) / u.ua)
}

func (u use) flows() exchanger.Flows { return exchanger.Flows{WasteLMin: u.waste, MainsLMin: u.flow} }
