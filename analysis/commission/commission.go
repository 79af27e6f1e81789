package commission

import (
	"fmt"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/analysis/robust"
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

// A Result says whether a unit does what its certificate says at the
// flow it had.
type Result struct {
	Dwelling                string
	Verdict                 Verdict
	Reason                  string            // in words and numbers
	Events                  []string          // ids of the showers judged, in time order
	FlowLMin, WasteFlowLMin float64           // l/min
	Effectiveness           float64           // heat-weighted over the showers
	EffectivenessU95        float64           //
	Expected                float64           //
	ExpectedU95             float64           //
	Ratio                   float64           // measured / expected
	RatioU95                float64           // with what all showers share in full and what differs averaged
	LeastRatio              float64           // ratio that a sound installation reaches
	Findings                []finding.Finding // what the showers show besides
	Checks                  []string          // what to look at, first things first
	Cautions                []string
}

// LeastRatio is the ratio to the certificate that a sound installation reaches:
// the project's choice, leaving room for what a certificate, bench-tested at
// its best, does not see.
const LeastRatio = 0.92

// oneSided is the 95 % quantile of the normal distribution: a verdict is given
// where the chance of it being wrong is under one in twenty (guarded acceptance
// and rejection, JCGM 106:2012 section 8).
const oneSided = 1.645

// Judge judges a unit by its last showers, at most last of them, that have
// a minute of steady flow; events in time order. One run of ten minutes is
// enough where nothing else draws.
func Judge(study *greywatt.Study, dw *greywatt.Dwelling, events []event.Event, last int) Result {
	c := Result{Dwelling: dw.ID, LeastRatio: LeastRatio, Verdict: CannotTell,
		Effectiveness: math.NaN(), EffectivenessU95: math.NaN(), Expected: math.NaN(), ExpectedU95: math.NaN(), Ratio: math.NaN(), RatioU95: math.NaN(), FlowLMin: math.NaN(), WasteFlowLMin: math.NaN()}
	c.Cautions = []string{finding.CautionPipe, finding.CautionScald, finding.CautionStale}
	var used []event.Event
	for i := len(events) - 1; i >= 0 && len(used) < last; i-- {
		if e := &events[i]; e.Kind != event.OtherDraw && e.SteadyS >= event.GoodSteadyS && !math.IsNaN(e.Ratio) {
			used = append([]event.Event{*e}, used...)
		}
	}
	if len(used) == 0 {
		c.Reason = "no shower with a minute of settled flow"
		check, _ := finding.Advice(finding.Undecided)
		c.Checks = []string{check}
		return c
	}
	c.average(used)
	c.judge(study, dw, used)
	return c
}

// average combines the showers' figures: what differs from one to the next
// averages, what the clamps and the meter carry into all of them does not.
func (c *Result) average(used []event.Event) {
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
		r := event.RandomU(e.Budgets.Ratio)
		own += h * h * r * r
		shared += h * math.Sqrt(max(0, e.Budgets.Ratio.U*e.Budgets.Ratio.U-r*r))
		c.EffectivenessU95 = e.EffectivenessU95
	}
	c.Effectiveness, c.Expected, c.ExpectedU95, c.Ratio = sum[0]/w, sum[1]/w, sum[2]/w, sum[3]/w
	c.FlowLMin, c.WasteFlowLMin = sum[4]/w, sum[5]/w
	c.RatioU95 = 2 * math.Hypot(shared/w, math.Sqrt(own)/w)
	var spread []float64
	for i := range used {
		spread = append(spread, used[i].EffectivenessU95)
	}
	c.EffectivenessU95 = robust.Median(spread)
}

// judge gives the verdict and says what to look at.
func (c *Result) judge(study *greywatt.Study, dw *greywatt.Dwelling, used []event.Event) {
	var clamps bool
	c.Findings, clamps = finding.DiagnoseFew(study, dw, event.All(used))
	u := c.RatioU95 / 2
	at := fmt.Sprintf("%.2f ± %.2f of what the certificate gives at %.1f l/min (mains) and %.1f l/min (drain), from %d showers", c.Ratio, c.RatioU95, c.FlowLMin, c.WasteFlowLMin, len(used))
	switch {
	case clamps:
		c.Reason = "the clamps must be put right first: " + c.Findings[0].Evidence
	case c.Ratio-oneSided*u >= c.LeastRatio:
		c.Verdict, c.Reason = Pass, at
	case c.Ratio+oneSided*u < c.LeastRatio:
		c.Verdict, c.Reason = Fail, at
	default:
		c.Reason = at + fmt.Sprintf("; the interval holds the limit of %.2f", c.LeastRatio)
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
		check, _ := finding.Advice(finding.LowFromStart)
		c.Checks = []string{check, "Run ten minutes at a steady flow with nothing else drawing, and judge again."}
	}
}
