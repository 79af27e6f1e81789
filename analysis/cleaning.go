package analysis

import (
	"math"
	"time"

	"greywatt"
	"greywatt/analysis/exchanger"
	"greywatt/analysis/trend"
)

// A CleaningVerdict says when a unit wants cleaning.
type CleaningVerdict string

// The verdicts.
const (
	CleanNow     CleaningVerdict = "clean-now"   // the loss has passed the threshold
	CleanBy      CleaningVerdict = "clean-by"    // it will, if the trend goes on
	CleanNotYet  CleaningVerdict = "not-yet"     // no loss, or one that stays below the threshold for two years
	CleanUnknown CleaningVerdict = "cannot-tell" // too few showers, or too much scatter to exclude such a loss
)

// DefaultCleaningThreshold is the loss of effectiveness, as a share of the clean
// unit's, at which cleaning is advised. No published value exists for this
// duty: it is this project's choice.
const DefaultCleaningThreshold = 0.10

// Choices of this project.
const (
	horizonDays = 730.0 // days ahead that a trend is followed
	usualDays   = 28.0  // days whose use counts as usual
	leastUsual  = 3.0   // days that tell a use at all
	resolvedAt  = 2.0   // standard uncertainties from which a loss is one
	modelPoints = 8     // showers that a trend takes: see [trend.Fit]
)

// A Cleaning is what a dwelling's trend says about dirt: what it costs today,
// when it will be too much, and what cleanings have brought. A figure that is
// not known is NaN, an instant zero. Every U95 is expanded, k = 2.
//
// Loss is against the unit when clean: the best that the trend has shown at the
// start of the record or after a cleaning. What errors of clamps, meter and
// certificate do to the conductance they do to both, so that they leave the
// comparison. A unit that was dirty when the record began, and never cleaned,
// shows only what it has lost since. A sudden loss is not dirt and is kept
// apart: it changes what clean means.
type Cleaning struct {
	Verdict CleaningVerdict
	AsOf    greywatt.Instant // the last shower that the trend goes by: "today"
	Stretch Stretch          // the present one

	Loss, LossU95 float64 // of conductance, as a share of the clean unit's
	Resolved      bool    // Loss is beyond its uncertainty
	Step          float64 // ln of what sudden changes since did to the conductance; 0: none

	// At the usual flows, medians of the last four weeks.
	FlowLMin, WasteFlowLMin float64
	CleanEffectiveness      float64
	Effectiveness           float64
	EffLoss, EffLossU95     float64 // as a share of the clean unit's

	// At the usual use, that of the last four weeks as measured.
	HeatKWhWeek         float64 // recovered
	LossKWhWeek         float64 // of heat, that a clean unit would recover on top
	LossKWhWeekU95      float64
	LossFuelKWhWeek     float64
	LossMoneyWeek       float64
	LossMoneyWeekU95    float64
	Currency            string
	Threshold           float64          // of EffLoss
	Due, DueFrom, DueTo greywatt.Instant // when the trend passes it, with its 95 % interval; zero: not within two years

	// Need is what it takes to resolve a slope that would reach the threshold in
	// a year; zeros where the record does already.
	Need trend.Need

	Gains []CleaningGain
}

// A CleaningGain is what one cleaning brought.
type CleaningGain struct {
	On            greywatt.Date
	Gain, GainU95 float64 // of conductance, as a share of that before
	EffGain       float64 // of effectiveness, in its own unit, at the usual flows
	EffGainU95    float64
	KWhWeek       float64 // of heat, at the usual use
	KWhWeekU95    float64
	Before, After int // showers on either side
	MissingBefore int // showers that a figure would take beyond those
	MissingAfter  int
}

// AssessCleaning reads a dwelling's events and diagnosis, with threshold the
// loss of effectiveness, 0 to 1 of the clean unit's, at which cleaning is
// advised.
func AssessCleaning(study *greywatt.Study, d *greywatt.Dwelling, events []Event, diagnosis Diagnosis, threshold float64) Cleaning {
	if !(threshold > 0 && threshold < 1) {
		panic("analysis: cleaning threshold outside 0 to 1")
	}
	nan := math.NaN()
	c := Cleaning{
		Verdict: CleanUnknown, Threshold: threshold, Currency: d.Heater.Currency,
		Loss: nan, LossU95: nan, FlowLMin: nan, WasteFlowLMin: nan, CleanEffectiveness: nan, Effectiveness: nan,
		EffLoss: nan, EffLossU95: nan, HeatKWhWeek: nan, LossKWhWeek: nan, LossKWhWeekU95: nan,
		LossFuelKWhWeek: nan, LossMoneyWeek: nan, LossMoneyWeekU95: nan,
	}
	sts := diagnosis.Stretches
	if len(sts) == 0 {
		return c
	}
	c.Stretch = sts[len(sts)-1]
	c.AsOf = c.Stretch.To
	u := usualUse(events, c.AsOf, d)
	c.FlowLMin, c.WasteFlowLMin, c.HeatKWhWeek = u.flow, u.waste, u.heatWeek
	loc := study.Timezone
	if loc == nil {
		loc = time.UTC
	}
	if c.Stretch.Fitted {
		clean, now, uLoss := c.levels(sts)
		c.loss(clean, now, uLoss, u, d)
		c.verdict(clean, u)
	}
	c.gains(sts, d, loc, u)
	return c
}

// step is the sudden change within a stretch, ln.
func (s *Stretch) step() float64 {
	if s.Fitted && (s.Model.Kind == trend.Step || s.Model.Kind == trend.StepAndLine) {
		return s.Model.Step
	}
	return 0
}

// levels returns ln of the conductance ratio of the clean unit and of today's,
// and the standard uncertainty of their difference.
func (c *Cleaning) levels(sts []Stretch) (clean, now, u float64) {
	last := &sts[len(sts)-1]
	m := &last.Model
	now, uNow := m.At(m.T1)
	clean = math.Inf(-1)
	var steps float64
	for i := len(sts) - 1; i >= 0; i-- {
		s := &sts[i]
		if !s.Fitted {
			continue
		}
		steps += s.step()
		start, uStart := s.Model.At(s.Model.T0)
		if i == len(sts)-1 {
			clean = start + steps
			var total float64
			total, u = m.Between(m.T0, m.T1)
			if m.Kind == trend.Step || m.Kind == trend.StepAndLine {
				u = m.USlope * (m.T1 - m.T0) // of what is not the step
			}
			if total == 0 || u == 0 {
				u = unseenRise(m)
			}
			c.Step = steps
			continue
		}
		// an earlier start counts where it was surely better
		if uBoth := math.Hypot(uStart, uNow); start+steps > clean+resolvedAt*uBoth {
			clean, u, c.Step = start+steps, uBoth, steps
		}
	}
	return clean, now, u
}

// unseenRise is the standard uncertainty with which a record excludes a slope,
// as a rise from its first point to its last: that of a line through points
// spread evenly, σ √(12/n), n the number of points that would do if they were
// independent.
func unseenRise(m *trend.Model) float64 {
	return m.Scatter * math.Sqrt(12*m.Inflation/float64(m.N))
}

// loss fills in what the difference of two levels costs.
func (c *Cleaning) loss(clean, now, u float64, use use, d *greywatt.Dwelling) {
	kept := math.Exp(now - clean)
	c.Loss, c.LossU95 = 1-kept, 2*u*kept
	c.Resolved = c.Loss > c.LossU95
	c.CleanEffectiveness, c.Effectiveness = use.effectiveness(clean), use.effectiveness(now)
	c.EffLoss = 1 - c.Effectiveness/c.CleanEffectiveness
	lo, hi := use.effectiveness(now-u), use.effectiveness(now+u)
	c.EffLossU95 = (hi - lo) / c.CleanEffectiveness
	more := c.CleanEffectiveness/c.Effectiveness - 1
	uMore := (hi - lo) / 2 * c.CleanEffectiveness / square(c.Effectiveness)
	c.LossKWhWeek = use.heatWeek * more
	c.LossKWhWeekU95 = 2 * math.Hypot(use.heatWeek*uMore, use.heatWeekU*more)
	c.LossFuelKWhWeek = c.LossKWhWeek / d.Heater.Efficiency
	c.LossMoneyWeek = c.LossFuelKWhWeek * d.Heater.PricePerKWh
	c.LossMoneyWeekU95 = c.LossKWhWeekU95 / d.Heater.Efficiency * d.Heater.PricePerKWh
}

// verdict says when to clean.
func (c *Cleaning) verdict(clean float64, use use) {
	m := &c.Stretch.Model
	level := use.levelAt(use.effectiveness(clean) * (1 - c.Threshold))
	if days := m.T1 - m.T0; days > 0 && level < clean {
		c.Need = m.Need((level-clean)/365, float64(m.N)/days)
	}
	falling := false
	switch m.Kind {
	case trend.Line, trend.Bend, trend.Approach, trend.StepAndLine:
		falling = m.Slope < 0 || c.Resolved
	}
	if falling && c.Resolved && !math.IsNaN(level) {
		x := m.Crossing(level, horizonDays)
		c.Due, c.DueFrom, c.DueTo = c.instant(x.T), c.instant(x.Lo), c.instant(x.Hi)
	}
	switch {
	case math.IsNaN(c.EffLoss):
	case c.Resolved && c.EffLoss >= c.Threshold:
		c.Verdict = CleanNow
	case c.Due != 0:
		c.Verdict = CleanBy
	case c.EffLoss+c.EffLossU95 < c.Threshold:
		c.Verdict = CleanNotYet
	}
}

// instant turns days of the present stretch into an instant, +Inf into zero.
func (c *Cleaning) instant(days float64) greywatt.Instant {
	if math.IsInf(days, 0) || math.IsNaN(days) {
		return 0
	}
	return c.Stretch.From.Add(days * day)
}

// gains compares the trend before and after each cleaning.
func (c *Cleaning) gains(sts []Stretch, d *greywatt.Dwelling, loc *time.Location, use use) {
	for _, on := range d.Cleaned {
		at := on.In(loc)
		var before, after *Stretch
		for i := range sts {
			switch s := &sts[i]; {
			case s.To < at:
				before = s
			case after == nil && s.From >= at:
				after = s
			}
		}
		if at > c.AsOf {
			continue
		}
		nan := math.NaN()
		g := CleaningGain{On: on, Gain: nan, GainU95: nan, EffGain: nan, EffGainU95: nan, KWhWeek: nan, KWhWeekU95: nan}
		g.Before, g.MissingBefore = showersOf(before)
		g.After, g.MissingAfter = showersOf(after)
		if before != nil && after != nil && before.Fitted && after.Fitted {
			was, uWas := before.Model.At(before.Model.T1)
			is, uIs := after.Model.At(after.Model.T0)
			g.fill(was, is, math.Hypot(uWas, uIs), use, c.Effectiveness)
		}
		c.Gains = append(c.Gains, g)
	}
}

func showersOf(s *Stretch) (have, missing int) {
	switch {
	case s == nil:
		return 0, modelPoints
	case s.Fitted:
		return s.Showers, 0
	}
	return s.Showers, max(1, modelPoints-s.Showers)
}

// fill takes the levels before and after, ln, with the standard uncertainty of
// their difference, and today's effectiveness, with which the usual heat was
// recovered.
func (g *CleaningGain) fill(was, is, u float64, use use, today float64) {
	factor := math.Exp(is - was)
	g.Gain, g.GainU95 = factor-1, 2*u*factor
	slope := (use.effectiveness(is+u) - use.effectiveness(is-u)) / 2
	g.EffGain, g.EffGainU95 = use.effectiveness(is)-use.effectiveness(was), 2*slope
	g.KWhWeek = use.heatWeek / today * g.EffGain
	g.KWhWeekU95 = math.Hypot(use.heatWeek/today*g.EffGainU95, 2*use.heatWeekU/today*g.EffGain)
}

// use is how a dwelling uses its unit.
type use struct {
	flow, waste float64 // l/min
	heatWeek    float64 // kWh
	heatWeekU   float64
	ua          float64 // of the rated unit at these flows, l/min of water
}

// usualUse reads the use off the four weeks before asOf.
func usualUse(events []Event, asOf greywatt.Instant, d *greywatt.Dwelling) use {
	var flow, waste []float64
	var heat heatSum
	from := asOf.Add(-usualDays * day)
	if len(events) > 0 {
		from = max(from, events[0].Start)
	}
	for i := range events {
		e := &events[i]
		if e.Start < from || e.Start > asOf || e.Kind == OtherDraw || e.Has(FlagNoWarmWaste) {
			continue
		}
		if !math.IsNaN(e.HeatKWh) && !math.IsNaN(e.HeatU95KWh) {
			heat.add(e)
		}
		if e.FlowLMin > 0 && e.WasteFlowLMin > 0 {
			flow, waste = append(flow, e.FlowLMin), append(waste, e.WasteFlowLMin)
		}
	}
	u := use{flow: median(flow), waste: median(waste), heatWeek: math.NaN(), heatWeekU: math.NaN(), ua: math.NaN()}
	if days := asOf.Sub(from) / day; days >= leastUsual {
		u.heatWeek, u.heatWeekU = heat.kWh/days*7, heat.u95()/2/days*7
	}
	if u.flow > 0 && u.waste > 0 {
		u.ua = exchanger.NewRating(d.Exchanger).UA(u.waste, u.flow)
	}
	return u
}

// effectiveness returns that of the unit whose conductance is exp(lnRatio) of
// the rated one's, at the usual flows.
func (u use) effectiveness(lnRatio float64) float64 {
	least, most := min(u.flow, u.waste), max(u.flow, u.waste)
	return exchanger.Counterflow(math.Exp(lnRatio)*u.ua/least, least/most)
}

// levelAt inverts effectiveness.
func (u use) levelAt(effectiveness float64) float64 {
	least, most := min(u.flow, u.waste), max(u.flow, u.waste)
	return math.Log(exchanger.CounterflowNTU(effectiveness, least/most) * least / u.ua)
}
