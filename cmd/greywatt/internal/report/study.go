package report

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"greywatt/analysis/finding"
	"greywatt/analysis/summary"
	"greywatt/plots"
	"greywatt/plots/wording"
)

// A groupRow is a connection or a group of the study file.
type groupRow struct{ Name, Dwellings, Used, Ratio, Mean, Spread, Heat string }

// An effectRow is a dwelling's ratio before and after a piece of work.
type effectRow struct{ Name, Work, At, Before, After, Difference string }

// A foundRow is a finding with the dwellings that have it as their strongest.
type foundRow struct {
	Finding, Dwellings, Which string
	Wrong                     bool
}

// mostNamed is how many dwellings a finding names, the lowest ratios first.
const mostNamed = 12

// aboutStudy fills in what is said of the study as a whole.
func (r *Report) aboutStudy(v *view, sums []summary.Dwelling, months []summary.Study) (err error) {
	for _, g := range summary.ByGroup(sums) {
		row := groupRow{wording.Capital(g.Group), fmt.Sprint(g.Dwellings), fmt.Sprint(g.Used), spread(&g.Ratio), wording.Unknown, wording.Unknown, fixed(g.HeatKWh, g.HeatU95KWh, 1)}
		if p := &g.Pooled; p.Dwellings > 0 {
			row.Mean, row.Spread = fixed(p.Mean, p.U95, 3), wording.Fixed(p.Tau, 3)
		}
		v.Groups = append(v.Groups, row)
	}
	r.year(v)
	r.work(v)
	r.found(v)
	v.seasonChart = seasonOfStudy(months)
	if c := v.seasonChart; len(c.Months) > 1 {
		if v.Season, err = bothWidths(c); err != nil {
			return err
		}
	}
	return nil
}

// year says what a year would bring.
func (r *Report) year(v *view) {
	years := make([]summary.Year, len(r.dwellings))
	for i := range r.dwellings {
		years[i] = r.dwellings[i].Year
	}
	y := summary.OfYears(years)
	if !y.Known() {
		return
	}
	of := wording.Count(y.Dwellings, "dwelling")
	v.Year = []pair{
		{"Heat in a year", wording.WithUnit(plusMinus(y.HeatKWh, y.HeatU95KWh, 1), "kWh"), fmt.Sprintf("by these data, of %s; %s filled in", of, percent(y.Imputed))},
		{"A dwelling, mean", wording.WithUnit(plusMinus(y.HeatKWh/float64(y.Dwellings), y.HeatU95KWh/float64(y.Dwellings), 1), "kWh"), "in a year"},
		{"Fuel in a year", wording.WithUnit(plusMinus(y.Fuel, y.FuelU95KWh, 1), "kWh"), "that the heaters do not need"},
	}
	if !math.IsNaN(y.Carbon) {
		v.Year = append(v.Year, pair{"Carbon in a year", wording.WithUnit(plusMinus(y.Carbon, y.CarbonU95Kg, 1), "kg"), "carbon dioxide"})
	}
	if len(y.Money) > 0 {
		v.Year = append(v.Year, pair{"Money in a year", money(y.Money), "at the study file’s prices"})
	}
	v.YearNote = append(v.YearNote, fmt.Sprintf("Of the year’s ± %s kWh, %s are shared by dwellings: sensors of one batch, and the season of the mains. %d showers a year a dwelling.",
		wording.Fixed(y.HeatU95KWh, 0), wording.Fixed(y.Shares.BatchU95, 0), int(math.Round(y.Showers/float64(y.Dwellings)))))
	if y.Silent > 0 {
		mean, lo, hi := summary.YearBounds(years)
		v.YearNote = append(v.YearNote, fmt.Sprintf("%s too little for a year. The mean of the others is %s kWh; with all it lies between %s, if nothing is recovered there, and %s, if as much as in the best.",
			has(y.Silent), wording.Fixed(mean, 0), wording.Fixed(lo, 0), wording.Fixed(hi, 0)))
	}
	if y.Lost > 0 {
		v.YearNote = append(v.YearNote, wording.Capital(wording.Count(y.Lost, "shower"))+" of these have no heat that counts and are taken to be like the others; that they had none, or twice as much, is in the uncertainty.")
	}
}

// work says what cleanings and repairs did.
func (r *Report) work(v *view) {
	var all []summary.Effect
	for i := range r.dwellings {
		for _, e := range r.dwellings[i].Effects {
			v.Effects = append(v.Effects, effectRow{
				r.dwellings[i].Name, wording.Capital(wording.Plain(e.Kind)), date(e.At, v.Zone),
				estimate(&e.Before), estimate(&e.After), signed(e.Difference.Median, e.Difference.U95),
			})
			all = append(all, e)
		}
	}
	for _, p := range summary.Paired(all) {
		if p.Pooled.Dwellings < 2 {
			continue
		}
		text := fmt.Sprintf("%s: %s over %s, mean by random effects", wording.Capital(wording.Plain(p.Kind)), signed(p.Pooled.Mean, p.Pooled.U95), wording.Count(p.Pooled.Dwellings, "dwelling"))
		if !math.IsNaN(p.Pooled.Lo) {
			text += fmt.Sprintf("; the next dwelling’s is expected between %s and %s (95 %%)", signedFixed(p.Pooled.Lo), signedFixed(p.Pooled.Hi))
		}
		v.Pooled = append(v.Pooled, text+".")
	}
}

func signedFixed(x float64) string {
	if math.IsNaN(x) {
		return wording.Unknown
	}
	return wording.Signed(fmt.Sprintf("%+.3f", x))
}

func signed(x, u95 float64) string { return signedFixed(x) + " ± " + wording.Fixed(u95, 3) }

// found lists the strongest findings: faults, the most frequent first, then the
// undecided, then the healthy.
func (r *Report) found(v *view) {
	of := map[finding.Code][]*section{}
	for i := range r.dwellings {
		if f := r.dwellings[i].Findings; len(f) > 0 {
			of[f[0].Code] = append(of[f[0].Code], &r.dwellings[i])
		}
	}
	rank := func(c finding.Code) int {
		switch c {
		case finding.Healthy:
			return 2
		case finding.Undecided:
			return 1
		}
		return 0
	}
	var codes []finding.Code
	for c := range of {
		codes = append(codes, c)
	}
	slices.SortFunc(codes, func(a, b finding.Code) int {
		return cmp.Or(cmp.Compare(rank(a), rank(b)), cmp.Compare(len(of[b]), len(of[a])), cmp.Compare(a, b))
	})
	for _, c := range codes {
		all := of[c]
		slices.SortStableFunc(all, func(a, b *section) int {
			x, y := a.Summary.Ratio.Median, b.Summary.Ratio.Median
			switch {
			case math.IsNaN(x) || math.IsNaN(y):
				return cmp.Compare(map[bool]int{true: 1}[math.IsNaN(x)], map[bool]int{true: 1}[math.IsNaN(y)])
			}
			return cmp.Compare(x, y)
		})
		var names []string
		for _, s := range all[:min(len(all), mostNamed)] {
			name := s.Name
			if x := s.Summary.Ratio.Median; !math.IsNaN(x) {
				name += " (" + wording.Fixed(x, 2) + ")"
			}
			names = append(names, name)
		}
		which := strings.Join(names, ", ")
		if more := len(all) - mostNamed; more > 0 {
			which += fmt.Sprintf(" and %d more", more)
		}
		v.Found = append(v.Found, foundRow{wording.Capital(wording.Plain(c)), fmt.Sprint(len(all)), which, isFault(c)})
	}
}

// seasonOfStudy shows the study's months that have a figure, over the dwellings.
func seasonOfStudy(months []summary.Study) plots.SeasonChart {
	c := plots.SeasonChart{Name: "Study"}
	for i := range months {
		m := &months[i]
		if m.Month == (summary.Month{}) || m.Effectiveness.Dwellings == 0 {
			continue
		}
		c.Months = append(c.Months, plots.SeasonMonth{
			Year: m.Month.Year, Month: m.Month.Month, Events: m.Used, MainsC: m.MainsC,
			Measured: m.Effectiveness.Median, MeasuredU95: m.Effectiveness.U95, Expected: m.Expected, ExpectedU95: m.ExpectedU95,
		})
	}
	return c
}

// From so many dwellings on a chart cannot name each, and the first shows groups
// and those that stand out.
const (
	manyDwellings = 40
	mostStanding  = 18
)

// standOut is the chart of groups, and of the dwellings with a fault whose ratio is
// the lowest; many is false where a chart of all dwellings can name them.
func (r *Report) standOut(sums []summary.Dwelling) (c plots.DistributionChart, many bool) {
	if len(r.dwellings) <= manyDwellings {
		return c, false
	}
	c = plots.DistributionChart{Title: "Groups, and the dwellings that stand out", Interval: "expanded uncertainty, k = 2"}
	groups := append(summary.ByGroup(sums), summary.OfStudy(sums)[0])
	for i := range groups {
		g := &groups[i]
		name := cmp.Or(wording.Capital(g.Group), "All dwellings")
		c.Rows = append(c.Rows, plots.DistributionRow{Name: name, Median: g.Ratio.Median, Lo: g.Ratio.Median - g.Ratio.U95, Hi: g.Ratio.Median + g.Ratio.U95, Events: g.Used})
	}
	rows := slices.DeleteFunc(r.distributionChart().Rows, func(x plots.DistributionRow) bool {
		return math.IsNaN(x.Median) || x.Finding == "" || !isFault(x.Finding)
	})
	slices.SortStableFunc(rows, func(a, b plots.DistributionRow) int { return cmp.Compare(a.Median, b.Median) })
	shown := rows[:min(len(rows), mostStanding)]
	c.Rows = append(c.Rows, shown...)
	c.Summary = fmt.Sprintf("Groups by their medians; %d of the %s with a fault found, the lowest ratios. All dwellings follow below.", len(shown), wording.Count(len(rows), "dwelling"))
	return c, true
}
