package main

import (
	"fmt"
	"math"
	"strings"
	"time"

	"greywatt"
	"greywatt/analysis/cleaning"
	"greywatt/analysis/finding"
	"greywatt/analysis/trend"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/plots/wording"
)

// A trendText is what is to be said of a dwelling's trend, in sentences.
type trendText struct {
	lines []string
	zone  *time.Location
}

func (t *trendText) line(format string, args ...any) {
	t.lines = append(t.lines, fmt.Sprintf(format, args...))
}

// String returns the sentences, wrapped and indented.
func (t *trendText) String() string {
	var b strings.Builder
	for _, line := range t.lines {
		b.WriteString("  " + cli.Wrap(line, cli.TextWidth-2, "    ") + "\n")
	}
	return b.String()
}

func (t *trendText) date(at greywatt.Instant) string {
	return at.Time().In(t.zone).Format(time.DateOnly)
}

func (t *trendText) dwelling(r *site.Result, c *cleaning.Assessment) {
	stretches := r.Diagnosis.Segments
	if len(stretches) == 0 {
		showers := 0
		for i := range r.Events {
			if len(r.Events[i].Parts) > 0 {
				showers++
			}
		}
		t.line("%s with a steady part: too few for a trend, which takes %d.", wording.Count(showers, "shower"), cleaning.ModelShowers)
		return
	}
	for i := range stretches {
		t.stretch(&stretches[i])
	}
	t.loss(c)
	if c.Ended {
		t.line("The trend ends there: what came after does not count for it, see the findings.")
	} else {
		t.when(c)
	}
	for i := range c.Gains {
		t.gain(&c.Gains[i])
	}
}

// uncertainDueS is the length of the interval of a due date, s, from which its ends
// are said too: this project's choice.
const uncertainDueS = 60 * 86400.0

// verdictWords says the verdict in a few words.
func verdictWords(c *cleaning.Assessment, zone *time.Location) string {
	switch c.Verdict {
	case cleaning.Now:
		return "clean now"
	case cleaning.By:
		day := func(at greywatt.Instant) string { return at.Time().In(zone).Format(time.DateOnly) }
		switch {
		case c.DueTo == 0:
			return "clean by " + day(c.Due) + ", uncertain: not before " + day(c.DueFrom) + ", perhaps not within two years"
		case c.DueTo.Sub(c.DueFrom) > uncertainDueS:
			return "clean by " + day(c.Due) + ", uncertain: between " + day(c.DueFrom) + " and " + day(c.DueTo)
		}
		return "clean by " + day(c.Due)
	case cleaning.NotYet:
		return "no cleaning needed yet"
	}
	return "cannot tell"
}

func (t *trendText) stretch(s *finding.Segment) {
	if s.Jump != 0 {
		word, then := "rose", "; if somebody cleaned the unit, note the date in the study file"
		if s.Jump < 0 {
			word, then = "fell", ""
		}
		t.line("%s: conductance %s by %.0f %% from one shower to the next%s.", t.date(s.From), word, math.Abs(100*math.Expm1(s.Jump)), then)
	}
	head := fmt.Sprintf("%s to %s, %s", t.date(s.From), t.date(s.To), wording.Count(s.Showers, "shower"))
	if !s.Fitted {
		t.line("%s: too few for a model, which takes %d.", head, cleaning.ModelShowers)
		return
	}
	t.line("%s: %s.", head, t.model(s))
	t.line("Chosen: %s", chosenWords(&s.Model))
}

// model says in words what the model of a stretch is: its unit is ln of the
// conductance ratio, its time days since the stretch began.
func (t *trendText) model(s *finding.Segment) string {
	m := &s.Model
	start, u0 := m.At(m.T0)
	end, u1 := m.At(m.T1)
	level := func(y, u float64) string {
		v, u95 := math.Exp(y), max(0.001, 2*u*math.Exp(y))
		if u95 < 0.01 {
			return cli.WithU95(v, u95, 3)
		}
		return cli.WithU95(v, u95, 2)
	}
	slope := func() string {
		return fmt.Sprintf("%+.2f ± %.2f %% a week", 700*m.Slope, 1400*m.USlope)
	}
	day := func(d float64) string { return t.date(s.From.Add(d * 86400)) }
	place := fmt.Sprintf("%s (%s to %s)", day(m.ChangeT), day(m.ChangeLo), day(m.ChangeHi))
	step := fmt.Sprintf("a change of %+.1f ± %.1f %% on %s", 100*math.Expm1(m.Step), 200*m.UStep*math.Exp(m.Step), place)
	from := fmt.Sprintf("conductance from %s to %s of the rated unit's", level(start, u0), level(end, u1))
	switch m.Kind {
	case trend.Constant:
		return fmt.Sprintf("no change, conductance %s of the rated unit's", level(end, u1))
	case trend.Line:
		return from + ", a line of " + slope()
	case trend.Step:
		return from + ", " + step
	case trend.Bend:
		return from + ", level until " + place + ", then " + slope()
	case trend.Approach, trend.LateApproach:
		if m.Kind == trend.LateApproach {
			from += ", level until " + place + ", then"
		} else {
			from += ","
		}
		w := fmt.Sprintf("%s towards %s with a time constant of %.0f days, now %s", from, level(m.Limit, m.ULimit), 1/m.Rate, slope())
		if m.Extrapolated {
			w += fmt.Sprintf("; %.0f %% of the way is seen, the limit is an extrapolation", 100*m.Reached)
		}
		return w
	}
	return from + ", " + step + " and a line of " + slope()
}

// chosenWords says why this model and no other.
func chosenWords(m *trend.Model) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s", m.Kind)
	for i, c := range m.Candidates[1:] {
		lead := ","
		if i == 0 {
			lead = ", by"
		}
		fmt.Fprintf(&b, "%s %.1f over %s", lead, c.Criterion-m.Candidates[0].Criterion, c.Kind)
	}
	fmt.Fprintf(&b, " (penalised likelihood; above 6 is strong). Single showers scatter by %.1f %%", 100*m.Scatter)
	if m.Inflation > 1.2 {
		fmt.Fprintf(&b, ", autocorrelated: effective sample size %.0f", float64(m.N)/m.Inflation)
	}
	if m.Outliers > 0 {
		fmt.Fprintf(&b, "; %s far off, which count little", wording.Count(m.Outliers, "shower"))
	}
	return b.String() + "."
}

func (t *trendText) loss(c *cleaning.Assessment) {
	if math.IsNaN(c.Loss) {
		t.line("Loss: not known, the present stretch has too few showers.")
		return
	}
	word := "Loss"
	if !c.Resolved {
		word = "No loss resolved"
	}
	t.line("%s on %s: %.1f ± %.1f %% of the clean unit's conductance; at the usual flow of %.1f l/min (waste side %.1f) effectiveness %.3f of %.3f, %.1f ± %.1f %% less.",
		word, t.date(c.AsOf), 100*c.Loss, 100*c.LossU95, c.FlowLMin, c.WasteFlowLMin, c.Effectiveness, c.CleanEffectiveness, 100*c.EffectivenessLoss, 100*c.EffectivenessLossU95)
	if c.Step != 0 {
		t.line("A sudden change of %+.1f %% is kept apart: cleaning does not undo it.", 100*math.Expm1(c.Step))
	}
	if math.IsNaN(c.LossKWhWeek) || !c.Resolved {
		return
	}
	cost := ""
	if !math.IsNaN(c.LossMoneyWeek) {
		cost = fmt.Sprintf(", %.2f ± %.2f %s", c.LossMoneyWeek, c.LossMoneyWeekU95, c.Currency)
	}
	t.line("It costs %.2f ± %.2f kWh of heat a week%s; %.1f kWh a week are recovered.", c.LossKWhWeek, c.LossKWhWeekU95, cost, c.HeatKWhWeek)
}

func (t *trendText) when(c *cleaning.Assessment) {
	threshold := fmt.Sprintf("A loss of %.0f %% of effectiveness", 100*c.Threshold)
	if c.Threshold == cleaning.DefaultThreshold {
		threshold += " (this project's choice)"
	}
	between := func() string {
		to := "open"
		if c.DueTo != 0 {
			to = t.date(c.DueTo)
		}
		return fmt.Sprintf("%s (%s to %s)", t.date(c.Due), t.date(c.DueFrom), to)
	}
	switch c.Verdict {
	case cleaning.Now:
		t.line("%s was passed on %s.", threshold, between())
	case cleaning.By:
		t.line("%s is due on %s, if the trend of the last four weeks goes on.", threshold, between())
	case cleaning.NotYet:
		t.line("%s is not in sight within two years.", threshold)
	default:
		t.line("%s can neither be seen nor excluded.", threshold)
	}
	if c.Resolved || !c.Segment.Fitted {
		return
	}
	switch {
	case math.IsInf(c.Need.Days, 0):
		t.line("The scatter is too large for a slope that reaches it in a year ever to be resolved.")
	case c.Need.Days > 0:
		t.line("A slope that reaches it in a year would be resolved with about %.0f showers more, %s.", c.Need.Points, wording.Count(int(math.Ceil(c.Need.Days/7)), "week"))
	case c.Verdict != cleaning.Unknown:
		t.line("A slope that reaches it in a year would have been resolved by now.")
	}
}

func (t *trendText) gain(g *cleaning.Gain) {
	if math.IsNaN(g.Gain) {
		t.line("Cleaned on %s: gain not known, with %s before (%d more needed) and %d after (%d more).", g.On, wording.Count(g.Before, "shower"), g.MissingBefore, g.After, g.MissingAfter)
		return
	}
	heat := ""
	if !math.IsNaN(g.KWhWeek) {
		heat = fmt.Sprintf(", %.2f ± %.2f kWh of heat a week at the usual use", g.KWhWeek, g.KWhWeekU95)
	}
	t.line("Cleaned on %s: conductance %+.1f ± %.1f %%, effectiveness %+.3f ± %.3f%s.", g.On, 100*g.Gain, 100*g.GainU95, g.EffectivenessGain, g.EffectivenessGainU95, heat)
}
