package report

import (
	"fmt"
	"html/template"
	"math"
	"strings"
	"time"

	"greywatt"
	"greywatt/analysis/cleaning"
	"greywatt/analysis/finding"
	"greywatt/analysis/summary"
	"greywatt/plots/wording"
)

// A dwellingPage is one dwelling's page.
type dwellingPage struct {
	Name, Anchor string
	Facts        []pair
	Keys         []pair
	Wide, Narrow template.HTML
	Season       []template.HTML // wide and narrow, where there is more than a month
	Findings     []findingView
	Words        []wordsView
	Advice       string
	Months       []monthRow
	Rejected     []rejectedRow
	LeftOut      int // warm events whose heat does not count
}

// A wordsView is a sentence; Why: of the choice of model.
type wordsView struct {
	Text string
	Why  bool
}

type findingView struct {
	Title, Evidence, Advice string
	Cautions                []string
	Class                   string
}

func anchor(i int) string { return fmt.Sprintf("d%d", i+1) }

// isFault reports whether a finding is one.
func isFault(c finding.Code) bool { return c != finding.Healthy && c != finding.Undecided }

func (s *section) row(i int, zone *time.Location) dwellingRow {
	d := &s.Summary
	row := dwellingRow{
		Name: s.Name, Anchor: anchor(i), Connection: s.Study.Last().Connection.String(), Used: fmt.Sprint(d.Used),
		Effectiveness: estimate(&d.Effectiveness), Expected: wording.Fixed(d.Expected, 3), Ratio: estimate(&d.Ratio),
		Heat: fixed(d.HeatKWh, d.HeatU95KWh, 1), Clean: s.clean(zone),
	}
	if len(s.Findings) > 0 {
		row.Finding, row.Wrong = wording.Plain(s.Findings[0].Code), isFault(s.Findings[0].Code)
		if more := len(s.Findings) - 1; more > 0 {
			row.Finding += fmt.Sprintf(", +%d", more)
		}
	}
	return row
}

// clean says when to clean, for a column.
func (s *section) clean(zone *time.Location) string {
	switch c := &s.Cleaning; c.Verdict {
	case cleaning.Now:
		return "now"
	case cleaning.By:
		return "by " + c.Due.Time().In(zone).Format(time.DateOnly)
	case cleaning.NotYet:
		return "not yet"
	}
	return wording.Unknown
}

func (s *section) page(i int, until greywatt.Instant, zone *time.Location) dwellingPage {
	d := &s.Summary
	p := dwellingPage{
		Name: s.Name, Anchor: anchor(i), Facts: s.facts(until, zone), Wide: s.wide, Narrow: s.narrow, Season: s.season,
		Advice: s.Advice,
		Keys: []pair{
			{"Effectiveness", estimate(&d.Effectiveness), parts(&d.Effectiveness)},
			{"Expected", plusMinus(d.Expected, d.ExpectedU95, 3), "by the certificate, at these flows and temperatures"},
			{"Measured / expected", estimate(&d.Ratio), parts(&d.Ratio)},
			{"The same by heat", plusMinus(d.ByHeat.Value, d.ByHeat.U95, 3), "mean, each shower by its heat; by the time of its water " + plusMinus(d.ByTime.Value, d.ByTime.U95, 3)},
			{"Heat recovered", wording.WithUnit(plusMinus(d.HeatKWh, d.HeatU95KWh, 1), "kWh"), wording.Count(d.HeatEvents, "shower")},
			{"Fuel saved", wording.WithUnit(plusMinus(d.FuelKWh, d.FuelU95KWh, 1), "kWh"), fmt.Sprintf("heater efficiency %s", wording.Fixed(s.Study.Heater.Efficiency, 2))},
		},
	}
	if !math.IsNaN(d.CarbonKg) {
		p.Keys = append(p.Keys, pair{"Carbon saved", wording.WithUnit(plusMinus(d.CarbonKg, d.CarbonU95Kg, 1), "kg"), wording.Fixed(s.Study.Heater.CarbonKgPerKWh, 3) + " kg a kWh of fuel"})
	}
	if len(d.Money) > 0 {
		p.Keys = append(p.Keys, pair{"Money saved", money(d.Money), wording.Fixed(s.Study.Heater.PricePerKWh, 3) + " " + s.Study.Heater.Currency + " a kWh of fuel"})
	}
	for _, w := range s.Words {
		p.Words = append(p.Words, wordsView{minus(w), strings.HasPrefix(w, "Chosen: ")})
	}
	for _, f := range s.Findings {
		title := wording.Capital(wording.Plain(f.Code))
		if f.Since != 0 {
			title += " since " + date(f.Since, zone)
		}
		if f.Code != finding.Undecided {
			title += ", " + wording.Sure(f.Confidence)
		}
		class := ""
		switch {
		case isFault(f.Code):
			class = " wrong"
		case f.Code == finding.Undecided:
			class = " open"
		}
		p.Findings = append(p.Findings, findingView{title, minus(wording.Sentence(f.Evidence)), f.Advice, f.Cautions, class})
	}
	for k := range d.Months {
		m := &d.Months[k]
		share := math.NaN()
		if from, to := s.should(m.Month, until, zone); to > from {
			share = s.Coverage.ShareOf(from, to)
		}
		p.Months = append(p.Months, monthRow{
			m.Month.String(), fmt.Sprint(m.Showers), fmt.Sprint(m.Used), wording.Fixed(m.MainsC, 1), estimate(&m.Effectiveness), plusMinus(m.Expected, m.ExpectedU95, 3), estimate(&m.Ratio),
			fixed(m.HeatKWh, m.HeatU95KWh, 1), percent(share),
		})
	}
	for _, x := range d.Rejected {
		p.Rejected = append(p.Rejected, rejectedRow{Reason: reason(x.Reason), Events: x.Events})
	}
	p.LeftOut = d.HeatLeftOut
	return p
}

// facts are what the study file says of the dwelling.
func (s *section) facts(until greywatt.Instant, zone *time.Location) []pair {
	d := s.Study.Last()
	points := make([]string, len(d.Exchanger.Rated))
	for i, p := range d.Exchanger.Rated {
		points[i] = fmt.Sprintf("%s at %s l/min", wording.Fixed(p.Effectiveness, 2), wording.Fixed(p.FlowLMin, 1))
	}
	out := []pair{
		{Label: "Connection", Value: fmt.Sprintf("%s, preheated water to %s", d.Connection, connections[d.Connection])},
		{Label: "Unit", Value: string(d.Exchanger.Orientation) + ", rated " + strings.Join(points, ", ")},
		{Label: "Heater", Value: fmt.Sprintf("%s, efficiency %s, delivers %s °C", d.Heater.Kind, wording.Fixed(d.Heater.Efficiency, 2), wording.Fixed(d.Heater.HotC, 0))},
	}
	if d.Exchanger.Place != "" {
		out = append(out, pair{Label: "Place", Value: d.Exchanger.Place})
	}
	if !d.Commissioned.IsZero() {
		out = append(out, pair{Label: "Commissioned", Value: d.Commissioned.String()})
	}
	if len(d.Cleaned) > 0 {
		days := make([]string, len(d.Cleaned))
		for i, c := range d.Cleaned {
			days[i] = c.String()
		}
		out = append(out, pair{Label: "Cleaned", Value: strings.Join(days, ", ")})
	}
	data := "no readings"
	if c := s.cover(until, zone); s.Coverage.Span.From != 0 {
		data = fmt.Sprintf("%s to %s, %s of hours complete", c.From, c.To, c.Share)
	}
	return append(out, pair{Label: "Data", Value: data})
}

// parts says what an estimate's uncertainty consists of.
func parts(e *summary.Estimate) string {
	switch {
	case e.Events == 0:
		return "no event counts"
	}
	return fmt.Sprintf("median of %s; ±%s averages out, ±%s does not", wording.Count(e.Events, "event"), wording.Fixed(e.OwnU95, 3), wording.Fixed(e.SystematicU95, 3))
}

func (s *section) cover(until greywatt.Instant, zone *time.Location) coverRow {
	c := &s.Coverage
	if c.Span.From == 0 {
		return coverRow{s.Name, wording.Unknown, wording.Unknown, "0", wording.Unknown, wording.Unknown}
	}
	share := math.NaN()
	if from, to := s.should(summary.Month{}, until, zone); to > from {
		share = c.ShareOf(from, to)
	}
	return coverRow{
		s.Name, minute(c.Span.From, zone), minute(c.Span.To, zone), fmt.Sprint(c.Readings), percent(share), fmt.Sprint(len(c.Outages())),
	}
}
