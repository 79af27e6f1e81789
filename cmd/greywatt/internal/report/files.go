package report

import (
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"strconv"
	"time"

	"greywatt/analysis/summary"
	"greywatt/plots"
)

// A File is one that may stand beside the report.
type File struct {
	Name  string
	Write func(io.Writer) error
}

// Files are the report's charts, as SVG and PNG, each with the table that it shows
// as CSV, and the other tables' figures as CSV. An empty cell is not known; u95 is an
// expanded uncertainty, k = 2.
func (r *Report) Files(about About) []File {
	if about.Zone == nil {
		about.Zone = time.UTC
	}
	sums := make([]summary.Dwelling, len(r.dwellings))
	for i := range r.dwellings {
		sums[i] = r.dwellings[i].Summary
	}
	months := summary.OfStudy(sums)
	var out []File
	chart := func(name string, c plots.Chart, height int) {
		for _, format := range []plots.Format{plots.SVG, plots.PNG} {
			o := plots.Output{Format: format, Width: pageWidth, Height: height}
			if format == plots.PNG {
				o.Density = 2
			}
			out = append(out, File{name + "." + string(format), func(w io.Writer) error { return plots.Write(w, o, c) }})
		}
	}
	table := func(name string, head []string, rows [][]string) {
		out = append(out, File{name + ".csv", func(w io.Writer) error {
			c := csv.NewWriter(w)
			if err := c.Write(head); err != nil {
				return err
			}
			if err := c.WriteAll(rows); err != nil { // it flushes
				return err
			}
			return c.Error()
		}})
	}
	d := r.distributionChart()
	chart("distribution", d, distributionHeight(pageWidth, len(d.Rows)))
	var rows [][]string
	for i := range r.dwellings {
		s := &r.dwellings[i]
		x := &s.Summary
		found := ""
		if len(s.Findings) > 0 {
			found = string(s.Findings[0].Code)
		}
		y := &s.Year
		rows = append(rows, []string{
			s.Name, x.Connection.String(), x.Group, fmt.Sprint(x.Used), number(x.Ratio.Median, 5), number(x.Ratio.U95, 5),
			number(x.Effectiveness.Median, 5), number(x.Effectiveness.U95, 5), number(x.Expected, 5), number(x.HeatKWh, 3), number(x.HeatU95KWh, 3),
			number(y.HeatKWh, 1), number(y.HeatU95KWh, 1), found,
		})
	}
	table("distribution", []string{"dwelling", "connection", "group", "events", "ratio", "ratio_u95", "effectiveness", "effectiveness_u95", "expected", "heat_kwh", "heat_u95_kwh", "year_heat_kwh", "year_heat_u95_kwh", "finding"}, rows)
	if c := seasonOfStudy(months); len(c.Months) > 1 {
		chart("season", c, 340)
	}
	rows = nil
	for _, m := range months[min(1, len(months)):] {
		rows = append(rows, []string{
			m.Month.String(), fmt.Sprint(m.Showers), fmt.Sprint(m.Used), number(m.MainsC, 2), number(m.Effectiveness.Median, 5), number(m.Effectiveness.U95, 5),
			number(m.Expected, 5), number(m.ExpectedU95, 5), number(m.Ratio.Median, 5), number(m.Ratio.U95, 5), number(m.HeatKWh, 3), number(m.HeatU95KWh, 3),
		})
	}
	table("season", []string{"month", "showers", "events", "mains_c", "effectiveness", "effectiveness_u95", "expected", "expected_u95", "ratio", "ratio_u95", "heat_kwh", "heat_u95_kwh"}, rows)
	rows = nil
	for i := range r.dwellings {
		for _, e := range r.dwellings[i].Effects {
			rows = append(rows, []string{
				r.dwellings[i].Name, string(e.Kind), e.At.Time().In(about.Zone).Format(time.DateOnly), fmt.Sprint(e.Before.Events), number(e.Before.Median, 5), number(e.Before.U95, 5),
				fmt.Sprint(e.After.Events), number(e.After.Median, 5), number(e.After.U95, 5), number(e.Difference.Median, 5), number(e.Difference.U95, 5),
			})
		}
	}
	if len(rows) > 0 {
		table("work", []string{"dwelling", "kind", "at", "events_before", "before", "before_u95", "events_after", "after", "after_u95", "difference", "difference_u95"}, rows)
	}
	return out
}

func number(x float64, decimals int) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return ""
	}
	return strconv.FormatFloat(x, 'f', decimals, 64)
}
