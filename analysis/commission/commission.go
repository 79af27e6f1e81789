package commission

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/analysis/uncert"
)

// A Verdict is the outcome of a commissioning check.
type Verdict string

// The verdicts.
const (
	Pass       Verdict = "pass"        // surely at or above the least ratio
	Fail       Verdict = "fail"        // surely below it
	CannotTell Verdict = "cannot tell" // no usable shower, clamps in doubt, or an interval that holds the limit
)

// A Result says whether a unit does what its certificate says at the flows and
// temperatures it had. A figure that is not known is NaN; every U95 is expanded,
// k = 2.
type Result struct {
	Dwelling                string
	Verdict                 Verdict
	Reason                  string   // in words and numbers
	Events                  []string // ids of the showers judged, in time order
	FlowLMin, WasteFlowLMin float64  // l/min
	Effectiveness           float64  // mean over the showers, by their steady seconds
	EffectivenessU95        float64  // what all showers share in full, what differs averaged
	Expected                float64  // at the showers' own flows and temperatures
	ExpectedU95             float64
	Ratio                   float64 // measured / expected
	RatioU95                float64
	LeastRatio              float64           // ratio that a sound installation reaches
	Findings                []finding.Finding // what the showers show besides
	Decide                  string            // what would decide, where the verdict is CannotTell
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

// Judge judges a unit by its last showers, at most last of them; events in time
// order. Showers with a minute of steady flow count; where there is none, those
// with less. One run of ten minutes is enough where nothing else draws. begun is
// the first reading of the dwelling's record, of which events may be the end only;
// zero: it begins with the events.
func Judge(study *greywatt.Study, dw *greywatt.Dwelling, begun greywatt.Instant, events []event.Event, last int) Result {
	nan := math.NaN()
	c := Result{Dwelling: dw.ID, LeastRatio: LeastRatio, Verdict: CannotTell,
		Effectiveness: nan, EffectivenessU95: nan, Expected: nan, ExpectedU95: nan, Ratio: nan, RatioU95: nan, FlowLMin: nan, WasteFlowLMin: nan}
	c.Cautions = []string{finding.CautionPipe, finding.CautionScald, finding.CautionStale}
	if begun == 0 && len(events) > 0 {
		begun = events[0].Start
	}
	if n := len(events); n > 0 { // showers of another unit, or of this one elsewhere, say nothing
		if since := dw.UnitSince(events[n-1].Start); since > 0 {
			events = events[sort.Search(n, func(i int) bool { return events[i].Start >= since }):]
			begun = max(begun, since)
		}
		dw = dw.At(events[len(events)-1].Start)
	}
	used := usable(events, last)
	if len(used) == 0 {
		c.Reason = "no shower with steady flow and all temperatures"
		c.Decide = tenMinutes
		c.Checks = []string{c.Decide}
		return c
	}
	shared, own := c.average(used)
	c.judge(study, dw, begun, used, shared, own)
	return c
}

const tenMinutes = "Run ten minutes at a steady flow with nothing else drawing, and judge again."

// Enough reports whether earlier events would change nothing for [Judge].
func Enough(events []event.Event, last int) bool {
	return len(lastOf(events, last, event.GoodSteadyS)) >= last
}

// usable returns the showers to go by, in time order.
func usable(events []event.Event, last int) []event.Event {
	if used := lastOf(events, last, event.GoodSteadyS); len(used) > 0 {
		return used
	}
	return lastOf(events, last, math.SmallestNonzeroFloat64)
}

// lastOf returns the last showers with a ratio and leastS of steady flow.
func lastOf(events []event.Event, last int, leastS float64) (used []event.Event) {
	for i := len(events) - 1; i >= 0 && len(used) < last; i-- {
		e := &events[i]
		if e.Kind != event.OtherDraw && e.SteadyS >= leastS && !math.IsNaN(e.Ratio) {
			used = append(used, *e)
		}
	}
	slices.Reverse(used)
	return used
}

// average combines the showers' figures, weighted by their steady seconds. It
// returns what one standard uncertainty of each shared input does to the ratio,
// and the standard uncertainty that one shower of mean
// length has by itself.
func (c *Result) average(used []event.Event) (shared []effect, own float64) {
	var w float64
	for i := range used {
		w += used[i].SteadyS
	}
	c.Effectiveness, c.Expected, c.ExpectedU95, c.Ratio, c.FlowLMin, c.WasteFlowLMin = 0, 0, 0, 0, 0, 0
	var sharedEff []effect
	var ownRatio, ownEff float64
	for i := range used {
		e := &used[i]
		c.Events = append(c.Events, e.ID)
		h := e.SteadyS / w
		c.Effectiveness += h * e.Effectiveness
		c.Expected += h * e.Expected
		c.ExpectedU95 += h * e.ExpectedU95
		c.Ratio += h * e.Ratio
		c.FlowLMin += h * e.FlowLMin
		c.WasteFlowLMin += h * e.WasteFlowLMin
		shared = addRows(shared, &ownRatio, h, e.Budgets.Ratio.Rows)
		sharedEff = addRows(sharedEff, &ownEff, h, e.Budgets.Effectiveness.Rows)
	}
	c.RatioU95 = 2 * math.Hypot(rootSum(shared), math.Sqrt(ownRatio))
	c.EffectivenessU95 = 2 * math.Hypot(rootSum(sharedEff), math.Sqrt(ownEff))
	return shared, math.Sqrt(ownRatio * float64(len(used)))
}

// An effect is what one standard uncertainty of an input that showers share does to
// a mean over them, signed.
type effect struct {
	input string
	shift float64
}

// addRows adds an event's budget rows, with its weight: those that events share
// with their signs, the others to the variance own.
func addRows(shared []effect, own *float64, weight float64, rows []uncert.Row) []effect {
	for _, r := range rows {
		if event.SharingOf(r.Name) == event.Own {
			*own += weight * weight * r.Contribution * r.Contribution
			continue
		}
		i := slices.IndexFunc(shared, func(e effect) bool { return e.input == r.Name })
		if i < 0 {
			i = len(shared)
			shared = append(shared, effect{input: r.Name})
		}
		shared[i].shift += weight * r.Contribution
	}
	return shared
}

func rootSum(shared []effect) float64 {
	var v float64
	for _, e := range shared {
		v += e.shift * e.shift
	}
	return math.Sqrt(v)
}

// wrongVerdict is the chance that a verdict may have of being wrong.
const wrongVerdict = 0.05

// blame takes back a [Fail] that is a sensor's with more than a chance of one in twenty, and
// says which.
func (c *Result) blame(doubts []finding.Doubt) {
	var p float64
	var words, ways []string
	for _, d := range doubts {
		p += d.P
		if d.P >= wrongVerdict/2 {
			words = append(words, fmt.Sprintf("%s (%.2f)", d.Words, d.P))
			ways = append(ways, d.Decide)
		}
	}
	if p <= wrongVerdict {
		return
	}
	c.Verdict = CannotTell
	c.Reason += fmt.Sprintf("; that is below the limit of %.2f, but with a chance of %.2f a sensor is to blame and not the unit", c.LeastRatio, p)
	if len(words) > 0 {
		c.Reason += ": " + strings.Join(words, "; ")
		c.Decide = "To tell the unit from the sensor: " + strings.Join(ways, "; and ") + "."
	} else {
		c.Decide = tenMinutes
	}
}

// weakShare is how many units are weak among those of which nothing is known: this
// project's choice.
const weakShare = 0.15

// hide takes back a [Pass] behind which a loose clamp may hide a weak unit, with more than
// a chance of one in twenty.
func (c *Result) hide(doubts []finding.Doubt) {
	for _, d := range doubts {
		if d.Code == finding.SensorLoose && d.P*weakShare > wrongVerdict {
			c.Verdict = CannotTell
			c.Reason += fmt.Sprintf("; but %s (%.2f), and what the unit does is then not known", d.Words, d.P)
			c.Decide = "First " + d.Decide + ". Then the same showers again."
			return
		}
	}
}

// judge gives the verdict and says what to look at.
func (c *Result) judge(study *greywatt.Study, dw *greywatt.Dwelling, begun greywatt.Instant, used []event.Event, shared []effect, own float64) {
	var clamps bool
	var doubts []finding.Doubt
	c.Findings, clamps, doubts = finding.DiagnoseFew(study, dw, begun, event.All(used))
	loose := slices.IndexFunc(c.Findings, func(f finding.Finding) bool { return f.Code == finding.SensorLoose })
	u := c.RatioU95 / 2
	at := fmt.Sprintf("%.2f ± %.2f of what the certificate gives at %.1f l/min (mains) and %.1f l/min (waste side), from %d showers", c.Ratio, c.RatioU95, c.FlowLMin, c.WasteFlowLMin, len(used))
	switch {
	case clamps:
		c.Reason = "the clamps must be put right first: " + c.Findings[0].Evidence
		c.Decide = "The same showers, once the clamps are right."
	case loose >= 0:
		c.Reason = at + "; the clamp must be put right first: " + c.Findings[loose].Evidence
		c.Decide = "The same showers, once the clamp is right."
		if how := c.Findings[loose].Decide; how != "" {
			c.Decide = "First " + how + ". Then the same showers again."
		}
	case c.Ratio-oneSided*u >= c.LeastRatio:
		c.Verdict, c.Reason = Pass, at
		c.hide(doubts)
	case c.Ratio+oneSided*u < c.LeastRatio:
		c.Verdict, c.Reason = Fail, at
		c.blame(doubts)
	default:
		c.Reason = at + fmt.Sprintf("; the interval holds the limit of %.2f", c.LeastRatio)
		b := budget{shared: shared, own: own, showers: len(used), rows: used[len(used)-1].Budgets.Ratio.Rows}
		c.Decide = b.decide(math.Abs(c.Ratio - c.LeastRatio))
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
	if c.Decide != "" {
		c.Checks = append(c.Checks, c.Decide)
	}
	if len(c.Checks) == 0 {
		check, _ := finding.Advice(finding.LowFromStart)
		c.Checks = []string{check, tenMinutes}
	}
}
