package analysis

import (
	"fmt"
	"math"
	"slices"

	"greywatt"
)

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
		r := random(e.Budgets.Ratio)
		own += h * h * r * r
		shared += h * math.Sqrt(max(0, e.Budgets.Ratio.U*e.Budgets.Ratio.U-r*r))
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
	var clamps bool
	c.Findings, clamps = diagnoseFew(study, dw, All(used))
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
