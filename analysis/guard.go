package analysis

import (
	"fmt"
	"math"
	"slices"

	"greywatt"
	"greywatt/analysis/exchanger"
	"greywatt/analysis/trend"
)

// A Guard watches one dwelling's showers as they come and raises an alarm when
// conductance or heat balance leaves the level it had: a sequential test, that
// needs no look at the history. What the change is, [Diagnose] says.
//
// The level is learnt from the first twenty showers after the start, a cleaning
// or an alarm, and anew where the unit does better than it: nobody is called for
// that. From then on a tabular CUSUM each sums what lies beyond half of
// the change worth an alarm. Its limit is set for one false alarm in 200 000
// showers of independent scatter, some two hundred years of a household; season,
// learning the level from few showers and scatter that hangs together make it
// more, and leave it under one in ten years (measured by a test on simulated
// years). Its fields are its whole state; they may be stored between showers.
type Guard struct {
	Learnt  int         // showers that the level is learnt from so far
	UA      []float64   // ln UA ratio of those
	Heat    []float64   // balance of those
	UASum   trend.CUSUM // of ln UA
	HeatSum trend.CUSUM // of the balance
	Last    greywatt.Instant
	Cleaned int // cleanings seen
}

// What is worth an alarm, and how it is watched for: this project's choice.
const (
	guardLearns     = 20
	guardShift      = 0.10 // of ln UA: the size of the default threshold for cleaning
	guardHeatShift  = 0.12 // of the balance: what a clamp half off its pipe does
	guardUA         = 0.012
	guardHeat       = 0.015
	guardMixedShift = 0.25 // the same in B and C, where the mixer and the season move the balance
	guardFalseEvery = 2e5  // showers
	guardShowers    = 3    // that an alarm takes at least, however wild one may be
)

// An AlarmKind names what left its level.
type AlarmKind = string

// The kinds of alarm.
const (
	AlarmConductance AlarmKind = "conductance"  // of the unit, against the certificate's: dirt, a valve, a unit that slipped
	AlarmHeatBalance AlarmKind = "heat-balance" // drain heat over mains heat: a clamp or a meter rather than the unit
)

// An Alarm is one thing that a [Guard] noticed.
type Alarm struct {
	Dwelling string
	At       greywatt.Instant // of the shower that raised it
	EventID  string
	Since    int // showers since which the level has been off
	What     AlarmKind
	Evidence string
}

// Add takes the dwelling's next event and returns the alarms it raises. Events
// that are no newer than the last one added, and those without a steady part,
// are passed over.
func (g *Guard) Add(study *greywatt.Study, dw *greywatt.Dwelling, e *Event) []Alarm {
	if e.Start <= g.Last || e.Kind == OtherDraw || len(e.Parts) == 0 {
		return nil
	}
	g.Last = e.Start
	d := diagnoser{place: place{connection: dw.Connection, hotC: dw.Heater.HotC}, study: study, dwelling: dw}
	for g.Cleaned < len(dw.Cleaned) && dw.Cleaned[g.Cleaned].In(d.timezone()) <= e.Start {
		g.Cleaned++
		g.learnAnew()
	}
	ua, heat := math.Log(e.UARatio), d.balance([4]float64{e.WasteInC, e.WasteOutC, e.ColdInC, e.PreheatOutC})
	if math.IsInf(ua, 0) {
		ua = math.NaN()
	}
	if g.Learnt < guardLearns {
		g.learn(ua, heat, dw.Connection)
		return nil
	}
	var out []Alarm
	alarm := func(what AlarmKind, evidence string, run int) {
		out = append(out, Alarm{Dwelling: dw.ID, At: e.Start, EventID: e.ID, Since: run, What: what, Evidence: evidence})
	}
	better := false
	switch g.UASum.Add(g.telling(ua, e)) {
	case trend.Below:
		alarm(AlarmConductance, fmt.Sprintf("conductance has been below its level of %.2f of the certificate's for %d showers, now %.2f", math.Exp(g.UASum.Target), g.UASum.LoRun, e.UARatio), g.UASum.LoRun)
	case trend.Above:
		better = true
	}
	if side := g.HeatSum.Add(heat); side != 0 {
		run := g.HeatSum.LoRun
		if side == trend.Above {
			run = g.HeatSum.HiRun
		}
		alarm(AlarmHeatBalance, fmt.Sprintf("drain heat over mains heat has been off its level by about %+.0f %% for %d showers: a clamp rather than the unit", 100*math.Expm1(heat-g.HeatSum.Target), run), run)
	}
	if len(out) > 0 || better {
		g.learnAnew() // the new level is the one to watch from here
	}
	return out
}

// telling is ln UA drawn towards the level by as much as the shower's own noise
// exceeds what is watched for: half a minute of steady flow tells little.
func (g *Guard) telling(ua float64, e *Event) float64 {
	own := e.UARatioRandom / e.UARatio
	if !(own > g.UASum.K/2) {
		return ua
	}
	return g.UASum.Target + (ua-g.UASum.Target)*square(g.UASum.K/2/own)
}

func (g *Guard) learnAnew() {
	g.Learnt, g.UA, g.Heat = 0, nil, nil
}

// learn collects the level and sets the sums up when there is enough.
func (g *Guard) learn(ua, heat float64, c greywatt.Connection) {
	if math.IsNaN(ua) || math.IsNaN(heat) || math.IsInf(heat, 0) {
		return
	}
	g.UA, g.Heat = append(g.UA, ua), append(g.Heat, heat)
	if g.Learnt++; g.Learnt < guardLearns {
		return
	}
	heatShift := guardHeatShift
	if c != greywatt.ConnectionA {
		heatShift = guardMixedShift
	}
	g.UASum = newSum(g.UA, guardUA, guardShift)
	g.HeatSum = newSum(g.Heat, guardHeat, heatShift)
	g.UA, g.Heat = nil, nil
}

// newSum designs a CUSUM about the median of the learnt values.
func newSum(learnt []float64, leastSD, shift float64) trend.CUSUM {
	center, sd := medianAndSpread(learnt)
	sd = max(sd, leastSD)
	c, err := trend.DesignCUSUM(center, sd, max(shift, 2*sd), guardFalseEvery)
	if err != nil {
		// no limit gives that rate: the widest that still answers
		c = trend.CUSUM{Target: center, K: shift / 2, H: 10 * sd}
	}
	c.Clip = c.K + 1.02*c.H/guardShowers
	return c
}

// A Verdict is the outcome of a commissioning check.
type Verdict string

// The verdicts.
const (
	Pass       Verdict = "pass"        // surely at or above the least ratio
	Fail       Verdict = "fail"        // surely below it
	CannotTell Verdict = "cannot tell" // no settled shower, clamps in doubt, or an interval that holds the limit
)

// A Commissioning says whether a unit does what its certificate says at the
// flow it had.
type Commissioning struct {
	Dwelling      string
	Verdict       Verdict
	Reason        string    // in words and numbers
	Events        []string  // ids of the showers judged, in time order
	Flow, Drain   float64   // l/min
	Effectiveness float64   // heat-weighted over the showers
	EffectU95     float64   //
	Expected      float64   //
	ExpectedU95   float64   //
	Ratio         float64   // measured / expected
	RatioU95      float64   // with what all showers share in full and what differs averaged
	Least         float64   // ratio that a sound installation reaches
	Findings      []Finding // what the showers show besides
	Checks        []string  // what to look at, first things first
	Cautions      []string
}

// LeastRatio is the ratio to the certificate that a sound installation reaches:
// the project's choice, leaving room for what a certificate, bench-tested at
// its best, does not see.
const LeastRatio = 0.92

// oneSided is the 95 % quantile of the normal distribution: a verdict is given
// where the chance of it being wrong is under one in twenty (guarded acceptance
// and rejection, JCGM 106:2012 section 8).
const oneSided = 1.645

// Commission judges a unit by its last showers, at most last of them, that have
// a minute of steady flow; events in time order. One run of ten minutes is
// enough where nothing else draws.
func Commission(study *greywatt.Study, dw *greywatt.Dwelling, events []Event, last int) Commissioning {
	c := Commissioning{Dwelling: dw.ID, Least: LeastRatio, Verdict: CannotTell,
		Effectiveness: math.NaN(), EffectU95: math.NaN(), Expected: math.NaN(), ExpectedU95: math.NaN(), Ratio: math.NaN(), RatioU95: math.NaN(), Flow: math.NaN(), Drain: math.NaN()}
	c.Cautions = []string{cautionPipe, cautionScald, cautionStale}
	var used []Event
	for i := len(events) - 1; i >= 0 && len(used) < last; i-- {
		if e := &events[i]; e.Kind != OtherDraw && e.SteadyS >= goodSteadyS && !math.IsNaN(e.Ratio) {
			used = append([]Event{*e}, used...)
		}
	}
	if len(used) == 0 {
		c.Reason = "no shower with a minute of settled flow"
		check, _ := advise(Undecided)
		c.Checks = []string{check}
		return c
	}
	c.average(used)
	c.judge(study, dw, used)
	return c
}

// average combines the showers' figures: what differs from one to the next
// averages, what the clamps and the meter carry into all of them does not.
func (c *Commissioning) average(used []Event) {
	var w, shared, own float64
	var sum [6]float64
	for i := range used {
		e := &used[i]
		c.Events = append(c.Events, e.ID)
		h := e.SteadyS
		w += h
		for k, v := range []float64{e.Effectiveness, e.Expected, e.ExpectedU95, e.Ratio, e.FlowLMin, e.WasteFlowLMin} {
			sum[k] += h * v
		}
		r := random(e.budget.ratio)
		own += h * h * r * r
		shared += h * math.Sqrt(max(0, e.budget.ratio.U*e.budget.ratio.U-r*r))
		c.EffectU95 = e.EffectivenessU95
	}
	c.Effectiveness, c.Expected, c.ExpectedU95, c.Ratio = sum[0]/w, sum[1]/w, sum[2]/w, sum[3]/w
	c.Flow, c.Drain = sum[4]/w, sum[5]/w
	c.RatioU95 = 2 * math.Hypot(shared/w, math.Sqrt(own)/w)
	var spread []float64
	for i := range used {
		spread = append(spread, used[i].EffectivenessU95)
	}
	c.EffectU95 = median(spread)
}

// judge gives the verdict and says what to look at.
func (c *Commissioning) judge(study *greywatt.Study, dw *greywatt.Dwelling, used []Event) {
	d := newDiagnoser(study, dw, pointers(used))
	d.reversed()
	clamps := len(d.found) > 0
	d.bypassed()
	if len(d.showers) > 0 && len(d.found) == 0 {
		// a few showers do not tell how many other draws pass the unit
		d.place.rating = exchanger.NewRating(dw.Exchanger)
		d.days = 0
		d.weighStanding(d.showers)
	}
	if len(d.found) > 0 {
		c.Findings = d.rows()
	}
	u := c.RatioU95 / 2
	at := fmt.Sprintf("%.2f ± %.2f of what the certificate gives at %.1f l/min (mains) and %.1f l/min (drain), from %d showers", c.Ratio, c.RatioU95, c.Flow, c.Drain, len(used))
	switch {
	case clamps:
		c.Reason = "the clamps must be put right first: " + c.Findings[0].Evidence
	case c.Ratio-oneSided*u >= c.Least:
		c.Verdict, c.Reason = Pass, at
	case c.Ratio+oneSided*u < c.Least:
		c.Verdict, c.Reason = Fail, at
	default:
		c.Reason = at + fmt.Sprintf("; the interval holds the limit of %.2f", c.Least)
	}
	if c.Verdict == Pass {
		c.Checks = []string{"Nothing in the figures. Label and insulate the preheated pipe if that is not done."}
		return
	}
	for _, f := range c.Findings {
		c.Checks = append(c.Checks, f.Advice)
		for _, caution := range f.Cautions {
			if !slices.Contains(c.Cautions, caution) {
				c.Cautions = append(c.Cautions, caution)
			}
		}
	}
	if len(c.Checks) == 0 {
		check, _ := advise(LowFromStart)
		c.Checks = []string{check, "Run ten minutes at a steady flow with nothing else drawing, and judge again."}
	}
}
