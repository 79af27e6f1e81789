// Package report writes a study's report: one HTML file that needs nothing
// else, holds no script, prints on A4 and reads on a phone. Its charts are SVG
// in the page. The same report is written as PDF, and its charts and the figures
// behind them as files.
//
// It words and lays out, it computes nothing: every figure comes from the
// analysis. It knows no clock: the same results give the same bytes. Dwellings
// appear under the names that the caller gives them.
package report

import (
	"bytes"
	"cmp"
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"time"

	"greywatt"
	"greywatt/analysis/cleaning"
	"greywatt/analysis/completeness"
	"greywatt/analysis/finding"
	"greywatt/analysis/summary"
	"greywatt/plots"
)

// A Dwelling is what the report says of one dwelling.
type Dwelling struct {
	Name     string // in place of its id
	Study    *greywatt.Dwelling
	Summary  summary.Dwelling
	Coverage completeness.Result
	Findings []finding.Finding // strongest first
	Trend    []finding.TrendPoint
	Cleaning cleaning.Assessment
	Advice   string   // on cleaning, in a few words
	Words    []string // on the trend, sentences
	Year     summary.Year
	Effects  []summary.Effect // of work on it
}

// About is what the report says of itself.
type About struct {
	Study     string
	Zone      *time.Location
	Pseudonym bool    // names stand for the dwellings' ids
	Threshold float64 // loss of effectiveness, as a share, at which cleaning is advised
	Digest    string  // of the events
	Program   string  // name and version
}

// A Report collects dwellings and writes them, in the order in which they come.
type Report struct {
	Pages     bool // a page for each dwelling too; before the first is added
	dwellings []section
}

// A section is a dwelling with its charts drawn, so that the points need not be
// kept.
type section struct {
	Dwelling
	chart        plots.TrendChart
	wide, narrow template.HTML
	season       []template.HTML // wide and narrow; none of a single month
}

// Widths of charts, px: for a page, and for a phone.
const (
	pageWidth  = 720
	phoneWidth = 358
)

// Add takes the next dwelling.
func (r *Report) Add(d Dwelling, zone *time.Location) error {
	chart := plots.TrendChart{
		Dwelling: *d.Study, Points: d.Trend, Threshold: d.Cleaning.ThresholdUA, Location: zone, Name: d.Name,
	}
	s := section{Dwelling: d}
	s.Trend = nil
	if !r.Pages {
		r.dwellings = append(r.dwellings, s)
		return nil
	}
	s.chart = chart
	for _, size := range []struct {
		to            *template.HTML
		width, height int
	}{{&s.wide, pageWidth, 320}, {&s.narrow, phoneWidth, 340}} {
		svg, err := inline(func(w io.Writer) error {
			return plots.Write(w, plots.Output{Width: size.width, Height: size.height}, chart)
		})
		if err != nil {
			return fmt.Errorf("report: %s: %w", d.Name, err)
		}
		*size.to = svg
	}
	if season := seasonChart(d.Name, d.Summary.Months); len(season.Months) > 1 {
		var err error
		if s.season, err = bothWidths(season); err != nil {
			return fmt.Errorf("report: %s: %w", d.Name, err)
		}
	}
	r.dwellings = append(r.dwellings, s)
	return nil
}

// seasonChart shows a dwelling's months that have a figure.
func seasonChart(name string, months []summary.Summary) plots.SeasonChart {
	c := plots.SeasonChart{Name: name}
	for i := range months {
		if m := &months[i]; m.Used > 0 {
			c.Months = append(c.Months, plots.SeasonMonth{
				Year: m.Month.Year, Month: m.Month.Month, Events: m.Used, MainsC: m.MainsC,
				Measured: m.Effectiveness.Median, MeasuredU95: m.Effectiveness.U95, Expected: m.Expected, ExpectedU95: m.ExpectedU95,
			})
		}
	}
	return c
}

// bothWidths returns a chart for a page and for a phone.
func bothWidths(c plots.Chart) ([]template.HTML, error) {
	var out []template.HTML
	for _, width := range []int{pageWidth, phoneWidth} {
		svg, err := inline(func(w io.Writer) error {
			return plots.Write(w, plots.Output{Width: width, Height: 340}, c)
		})
		if err != nil {
			return nil, err
		}
		out = append(out, svg)
	}
	return out, nil
}

// inline returns a chart as markup. It is ours, every text in it escaped by the
// plots package.
func inline(draw func(io.Writer) error) (template.HTML, error) {
	var b bytes.Buffer
	if err := draw(&b); err != nil {
		return "", err
	}
	return template.HTML(bytes.TrimSpace(b.Bytes())), nil
}

//go:embed report.tmpl
var page string

//go:embed report.css
var style string

// Write writes the report.
func (r *Report) Write(w io.Writer, about About) error {
	if about.Zone == nil {
		about.Zone = time.UTC
	}
	about.Study = cmp.Or(about.Study, untitled)
	t, err := template.New("report").Parse(page)
	if err != nil {
		panic("report: its own page does not parse: " + err.Error())
	}
	v, err := r.view(about)
	if err != nil {
		return fmt.Errorf("report: %w", err)
	}
	if err := t.Execute(w, v); err != nil {
		return fmt.Errorf("report: %w", err)
	}
	return nil
}
