package report

import (
	"cmp"
	"fmt"
	"io"
	"time"

	"greywatt/plots"
)

// WritePDF writes the report as PDF, A4: the same figures, tables and charts in the
// same order.
func (r *Report) WritePDF(w io.Writer, about About) error {
	if about.Zone == nil {
		about.Zone = time.UTC
	}
	about.Study = cmp.Or(about.Study, untitled)
	v, err := r.view(about)
	if err != nil {
		return fmt.Errorf("report: %w", err)
	}
	d := plots.Document{Title: about.Study + ": measured against rated", Subject: v.Span + ", " + v.Count, Footer: about.Study + ", " + v.Span + ". " + about.Program}
	d.Blocks = r.blocks(v)
	if err := plots.Write(w, plots.Output{Format: plots.PDF}, d); err != nil {
		return fmt.Errorf("report: %w", err)
	}
	return nil
}

const untitled = "Shower heat recovery study"

func heading(level int, text string) plots.Block { return plots.DocHeading{Level: level, Text: text} }

func docKeys(ps []pair) plots.DocKeys {
	var out plots.DocKeys
	for _, p := range ps {
		out = append(out, plots.DocKey{Label: p.Label, Value: p.Value, Note: p.Note})
	}
	return out
}

// numbers says which columns stand at the right: all but the first left.
func numbers(left, n int) []bool {
	out := make([]bool, n)
	for i := left; i < n; i++ {
		out[i] = true
	}
	return out
}

func (r *Report) blocks(v *view) []plots.Block {
	var out []plots.Block
	add := func(b ...plots.Block) { out = append(out, b...) }
	text := func(all ...string) {
		for _, t := range all {
			add(plots.DocText{Text: t})
		}
	}
	table := func(caption string, head []string, left int, rows [][]string) {
		add(plots.DocTable{Caption: caption, Head: head, Right: numbers(left, len(head)), Rows: rows})
	}
	add(plots.DocText{Text: "Shower heat recovery, study report", Small: true}, heading(1, v.Study), plots.DocText{Text: v.Span + " · " + v.Count})
	add(docKeys(v.Keys))
	chart := r.distributionChart()
	all := plots.DocChart{Chart: chart, Height: min(distributionHeight(pageWidth, len(chart.Rows)), 820)}
	first, many := r.standOut(v.sums)
	switch {
	case many:
		add(plots.DocChart{Chart: first, Height: plots.DistributionHeight(pageWidth, len(first.Rows))})
	case len(chart.Rows) > 0:
		add(all)
	}
	text(v.Lead...)
	add(plots.DocText{Text: v.Events + " Every ± in this report is an expanded uncertainty with k = 2, a level of about 95 %.", Small: true})
	if many {
		add(all)
	}

	if len(v.Groups) > 0 {
		add(heading(2, "Groups"))
		var rows [][]string
		for _, g := range v.Groups {
			rows = append(rows, []string{g.Name, g.Dwellings, g.Used, g.Ratio, g.Mean, g.Spread, g.Heat})
		}
		table("Median and mean of measured / expected; the mean is of dwellings like these, by random effects. Spread: standard deviation from dwelling to dwelling.",
			[]string{"Group", "Dwellings", "Events used", "Median", "Mean", "Spread", "Heat, kWh"}, 1, rows)
	}
	if len(v.Year) > 0 {
		add(heading(2, "A year"), docKeys(v.Year))
		text(v.YearNote...)
	}
	add(heading(2, "Month by month"))
	if len(v.seasonChart.Months) > 1 {
		add(plots.DocChart{Chart: v.seasonChart, Height: 340})
	}
	table("Effectiveness and ratio: medians over the dwellings. Expected: by the certificates, at the flows and temperatures of these events. Data: share of hours with every needed channel.", monthHead, 1, monthCells(v.Months))
	if len(v.Effects) > 0 {
		add(heading(2, "Before and after work"))
		text(v.Pooled...)
		var rows [][]string
		for _, e := range v.Effects {
			rows = append(rows, []string{e.Name, e.Work, e.At, e.Before, e.After, e.Difference})
		}
		table("Measured / expected in the four weeks before and after. What the sensors are off by cancels in the difference.",
			[]string{"Dwelling", "Work", "At", "Before", "After", "Difference"}, 3, rows)
	}
	if len(v.Found) > 0 {
		add(heading(2, "Findings"))
		var rows [][]string
		for _, f := range v.Found {
			rows = append(rows, []string{f.Finding, f.Dwellings, f.Which})
		}
		add(plots.DocTable{Caption: "The strongest finding of each dwelling, faults first. In brackets: measured / expected, the lowest first.",
			Head: []string{"Finding", "Dwellings", "Which"}, Right: []bool{false, true}, Rows: rows})
	}
	add(heading(2, "Every dwelling"))
	var rows [][]string
	for _, d := range v.Rows {
		rows = append(rows, []string{d.Name, d.Connection, d.Ratio, d.Effectiveness, d.Expected, d.Used, d.Heat, d.Finding, d.Clean})
	}
	add(plots.DocTable{Caption: "Medians over the events used. Heat: recovered in showers, as measured.",
		Head:  []string{"Dwelling", "Connection", "Measured / expected", "Effectiveness", "Expected", "Events used", "Heat, kWh", "Strongest finding", "Clean"},
		Right: []bool{false, false, true, true, true, true, true}, Rows: rows})

	add(heading(2, "Method and assumptions"))
	for _, p := range v.Method {
		add(heading(3, p.Head))
		for i, t := range p.Paras {
			text(t)
			if p.Formula && i == 0 {
				text(formula)
			}
		}
	}
	add(heading(2, "Uncertainty"))
	text(v.Uncertainty...)
	if len(v.Shared) > 0 {
		rows = nil
		for _, s := range v.Shared {
			rows = append(rows, []string{s.Input, s.Effectiveness, s.Ratio, s.Kind})
		}
		add(plots.DocTable{Caption: "What does not average out over events: contribution of each input to the expanded uncertainty (k = 2) of a dwelling’s medians, in the middle dwelling.",
			Head: []string{"Input", "Effectiveness", "Measured / expected", "Kind"}, Right: []bool{false, true, true}, Rows: rows})
	}
	text(v.UncertaintyAfter...)

	add(heading(2, "Completeness of the data"))
	rows = nil
	for _, c := range v.Covers {
		rows = append(rows, []string{c.Name, c.From, c.To, c.Readings, c.Share, c.Outages})
	}
	table("Complete: share of clock hours with a reading of every needed channel, from the dwelling’s first reading to the study’s last.",
		[]string{"Dwelling", "First reading", "Last reading", "Readings", "Complete", "Outages"}, 3, rows)
	if len(v.Rejected) > 0 {
		add(heading(2, "Events not used, and why"))
		rows = nil
		for _, x := range v.Rejected {
			rows = append(rows, []string{x.Reason, fmt.Sprint(x.Events), x.Share, x.Homes})
		}
		table("Showers, and partial events with warm waste, that do not count for the effectiveness. Most of them still have their heat.",
			[]string{"Reason", "Events", "Of all such events", "In"}, 1, rows)
	}
	add(heading(2, "Cautions"))
	for _, c := range v.Cautions {
		text(c.Word + " " + c.Text)
	}
	add(heading(2, "About this report"))
	text("Data: " + v.Span + ", " + v.Count + ". Written by " + v.Program + ". Events: sha256:" + v.Digest + " over what greywatt events --json writes.")
	for i := range v.Pages {
		add(plots.DocBreak{})
		add(r.dwellingBlocks(&v.Pages[i], &r.dwellings[i])...)
	}
	return out
}

var monthHead = []string{"Month", "Showers", "Events used", "Mains, °C", "Effectiveness", "Expected", "Measured / expected", "Heat, kWh", "Data"}

func monthCells(months []monthRow) [][]string {
	var rows [][]string
	for _, m := range months {
		rows = append(rows, []string{m.Month, m.Showers, m.Used, m.Mains, m.Effectiveness, m.Expected, m.Ratio, m.Heat, m.Data})
	}
	return rows
}

// dwellingBlocks are a dwelling's page.
func (r *Report) dwellingBlocks(p *dwellingPage, s *section) []plots.Block {
	out := []plots.Block{heading(1, p.Name)}
	for _, f := range p.Facts {
		out = append(out, plots.DocText{Text: f.Label + ": " + f.Value, Small: true})
	}
	out = append(out, docKeys(p.Keys), plots.DocChart{Chart: s.chart, Height: 320})
	for _, f := range p.Findings {
		out = append(out, heading(3, f.Title), plots.DocText{Text: f.Evidence})
		if f.Advice != "" {
			out = append(out, plots.DocText{Text: f.Advice})
		}
		for _, c := range f.Cautions {
			out = append(out, plots.DocText{Text: "Caution: " + c})
		}
	}
	out = append(out, heading(3, "Trend and cleaning: "+p.Advice))
	for _, w := range p.Words {
		out = append(out, plots.DocText{Text: w.Text, Small: w.Why})
	}
	if len(p.Months) > 0 {
		out = append(out, plots.DocTable{Head: monthHead, Right: numbers(1, len(monthHead)), Rows: monthCells(p.Months)})
	}
	return out
}
