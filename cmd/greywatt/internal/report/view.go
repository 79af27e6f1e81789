package report

import (
	"fmt"
	"html/template"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"greywatt"
	"greywatt/analysis/cleaning"
	"greywatt/analysis/completeness"
	"greywatt/analysis/finding"
	"greywatt/analysis/summary"
	"greywatt/plots"
	"greywatt/plots/wording"
)

// A view is the report in the texts that the page shows.
type view struct {
	About
	Style       template.CSS
	Loss        string // the threshold
	Span        string
	Count       string
	Few         bool // dwellings: not worth breaking their tables over pages
	Lead        []string
	Keys        []pair
	Chart       template.HTML
	Phone       template.HTML
	First       []template.HTML // of many dwellings: those that stand out, wide and narrow
	seasonChart plots.SeasonChart
	sums        []summary.Dwelling
	Season      []template.HTML // of the study, wide and narrow; none of a single month
	Groups      []groupRow
	Year        []pair
	YearNote    []string
	Effects     []effectRow
	Pooled      []string // effects over dwellings, a sentence each
	Found       []foundRow
	Method      []part

	Uncertainty, UncertaintyAfter []string
	Cautions                      []caution
	Rows                          []dwellingRow
	Months                        []monthRow
	Pages                         []dwellingPage
	Shared                        []sharedRow
	Covers                        []coverRow
	Outages                       []outageRow
	More                          int // outages that are not listed
	Rejected                      []rejectedRow
	Events                        string
}

// A pair is a label with its figure and what belongs to it.
type pair struct{ Label, Value, Note string }

type dwellingRow struct {
	Name, Anchor, Connection, Used, Effectiveness, Expected, Ratio, Heat, Finding, Clean string
	Wrong                                                                                bool // the finding is a fault
}

type monthRow struct{ Month, Showers, Used, Mains, Effectiveness, Expected, Ratio, Heat, Data string }

// A sharedRow is one input that does not average out.
type sharedRow struct{ Input, Effectiveness, Ratio, Kind string }

type coverRow struct{ Name, From, To, Readings, Share, Outages string }

type outageRow struct{ Name, From, To, Hours, Channels string }

type rejectedRow struct {
	Reason string
	Events int
	Share  string
	Homes  string
}

func (r *Report) view(about About) (*view, error) {
	v := &view{About: about, Style: template.CSS(style), Loss: wording.Fixed(100*about.Threshold, 0) + " %", Few: len(r.dwellings) <= 14}
	sums := make([]summary.Dwelling, len(r.dwellings))
	for i := range r.dwellings {
		sums[i] = r.dwellings[i].Summary
	}
	study := summary.OfStudy(sums)
	v.sums = sums
	first, last := r.span()
	v.Span = "no readings"
	if last != 0 {
		v.Span = date(first, about.Zone) + " to " + date(last, about.Zone)
	}
	v.Count = wording.Count(len(r.dwellings), "dwelling")
	all := &study[0]
	share := r.share(summary.Month{}, last, about.Zone)
	v.Method, v.Uncertainty, v.UncertaintyAfter, v.Cautions = methodAt(v.Loss), uncertainty, uncertaintyAfter, cautionsOf(about.Pseudonym)
	if err := r.aboutStudy(v, sums, study); err != nil {
		return nil, err
	}
	v.Keys = keys(all, share, v.Year)
	v.Lead = r.lead(all)
	v.Events = events(&all.Tally)
	if err := r.distribution(v); err != nil {
		return nil, err
	}
	for i := range study {
		if m := &study[i]; i > 0 {
			v.Months = append(v.Months, monthRow{
				m.Month.String(), fmt.Sprint(m.Showers), fmt.Sprint(m.Used), wording.Fixed(m.MainsC, 1), spread(&m.Effectiveness), plusMinus(m.Expected, m.ExpectedU95, 3), spread(&m.Ratio),
				fixed(m.HeatKWh, m.HeatU95KWh, 1), percent(r.share(m.Month, last, about.Zone)),
			})
		}
	}
	for i := range r.dwellings {
		s := &r.dwellings[i]
		v.Rows = append(v.Rows, s.row(i, about.Zone))
		if r.Pages {
			v.Pages = append(v.Pages, s.page(i, last, about.Zone))
		}
		v.Covers = append(v.Covers, s.cover(last, about.Zone))
	}
	v.Shared = r.shared()
	r.outages(v)
	v.Rejected = r.rejected(all)
	return v, nil
}

// span returns the first and last reading of the study.
func (r *Report) span() (first, last greywatt.Instant) {
	for i := range r.dwellings {
		s := r.dwellings[i].Coverage.Span
		if s.From != 0 && (first == 0 || s.From < first) {
			first = s.From
		}
		last = max(last, s.To)
	}
	return first, last
}

// should returns the stretch of a month, or of all, in which a dwelling should
// have readings: from its first one to the study's last.
func (s *section) should(m summary.Month, until greywatt.Instant, zone *time.Location) (from, to greywatt.Instant) {
	from, to = s.Coverage.Span.From, until
	if left := s.Study.Left; !left.IsZero() {
		left.Day++
		to = min(to, left.In(zone))
	}
	if m != (summary.Month{}) {
		begin, end := m.Span(zone)
		from, to = max(from, begin), min(to, end)
	}
	if s.Coverage.Span.From == 0 || to < from {
		return 0, 0
	}
	return from, to
}

// share returns the share of hours with complete data over all dwellings.
func (r *Report) share(m summary.Month, until greywatt.Instant, zone *time.Location) float64 {
	var have, of float64
	for i := range r.dwellings {
		s := &r.dwellings[i]
		if from, to := s.should(m, until, zone); to > from {
			complete, counted := s.Coverage.TimeOf(from, to)
			have, of = have+complete, of+counted
		}
	}
	return have / of
}

func keys(s *summary.Study, share float64, year []pair) []pair {
	ratio := pair{"Measured / rated", plusMinus(s.Ratio.Median, s.Ratio.U95, 3), "median over " + wording.Count(s.Ratio.Dwellings, "dwelling")}
	out := []pair{ratio}
	if len(year) > 0 {
		out = append(out, year[0])
	}
	out = append(out, []pair{
		{"Heat recovered", wording.WithUnit(plusMinus(s.HeatKWh, s.HeatU95KWh, 1), "kWh"), "in " + wording.Count(s.HeatEvents, "shower") + ", as measured"},
		{"Fuel saved", wording.WithUnit(plusMinus(s.FuelKWh, s.FuelU95KWh, 1), "kWh"), "that the heaters did not need"},
	}...)
	if !math.IsNaN(s.CarbonKg) {
		out = append(out, pair{"Carbon saved", wording.WithUnit(plusMinus(s.CarbonKg, s.CarbonU95Kg, 1), "kg"), "carbon dioxide, by the study file’s factors"})
	}
	if len(s.Money) > 0 {
		out = append(out, pair{"Money saved", money(s.Money), "at the study file’s prices"})
	}
	return append(out, pair{"Data complete", percent(share), "hours with every needed channel"})
}

// lead says the study in a few sentences.
func (r *Report) lead(s *summary.Study) []string {
	var out []string
	below, above, within := 0, 0, 0
	for i := range r.dwellings {
		switch e := &r.dwellings[i].Summary.Ratio; {
		case math.IsNaN(e.U95):
		case e.Median+e.U95 < 1:
			below++
		case e.Median-e.U95 > 1:
			above++
		default:
			within++
		}
	}
	if x := &s.Ratio; x.Dwellings > 0 {
		out = append(out, fmt.Sprintf("Over %s the units reach %s of the effectiveness that their certificates promise at the flows they had (median, k = 2). "+
			"Single dwellings lie between %s and %s; %d below their certificate by more than their uncertainty, %d in agreement with it, %d above.",
			wording.Count(x.Dwellings, "dwelling"), plusMinus(x.Median, x.U95, 3), wording.Fixed(x.Min, 2), wording.Fixed(x.Max, 2), below, within, above))
		if !math.IsNaN(x.Lo) {
			out = append(out, fmt.Sprintf("For dwellings like these the median is expected between %s and %s (95 %%, distribution-free).", wording.Fixed(x.Lo, 3), wording.Fixed(x.Hi, 3)))
		}
		if p := &s.Pooled; p.Dwellings > 2 {
			out = append(out, fmt.Sprintf("The mean of dwellings like these is %s, of which %s more dwellings would not lessen; the next dwelling is expected between %s and %s (95 %%, random effects).",
				plusMinus(p.Mean, p.U95, 3), wording.Fixed(p.SharedU95, 3), wording.Fixed(p.Lo, 2), wording.Fixed(p.Hi, 2)))
		}
		if h, t := &s.ByHeat, &s.ByTime; h.Events > 0 && t.Events > 0 {
			out = append(out, fmt.Sprintf("Over all showers, each weighted by its heat, the ratio is %s; weighted by the time of its water, %s.",
				plusMinus(h.Value, h.U95, 3), plusMinus(t.Value, t.U95, 3)))
		}
		out = append(out, fmt.Sprintf("Of the heat’s ± %s kWh, %s are shared by sensors of one batch; sensors of which the study file states no batch count as one.",
			wording.Fixed(s.HeatU95KWh, 1), wording.Fixed(s.HeatShares.BatchU95, 1)))
	}
	if silent := len(r.dwellings) - s.Ratio.Dwellings; silent > 0 {
		out = append(out, fmt.Sprintf("%s no event that counts, or sensors in doubt, and no ratio.", has(silent)))
	}
	found := map[finding.Code]int{}
	var order []finding.Code
	clean := 0
	for i := range r.dwellings {
		if len(r.dwellings[i].Findings) > 0 {
			c := r.dwellings[i].Findings[0].Code
			if found[c]++; found[c] == 1 {
				order = append(order, c)
			}
		}
		if r.dwellings[i].Cleaning.Verdict == cleaning.Now {
			clean++
		}
	}
	slices.SortStableFunc(order, func(a, b finding.Code) int { return found[b] - found[a] })
	var words []string
	for _, c := range order {
		words = append(words, fmt.Sprintf("%s %d", wording.Plain(c), found[c]))
	}
	if len(words) > 0 {
		out = append(out, "Strongest finding, by dwellings: "+strings.Join(words, ", ")+".")
	}
	if clean > 0 {
		out = append(out, fmt.Sprintf("%s to be cleaned now, by the threshold stated in the method.", needs(clean)))
	}
	return out
}

func has(n int) string {
	if n == 1 {
		return "One dwelling has"
	}
	return fmt.Sprintf("%d dwellings have", n)
}

func needs(n int) string {
	if n == 1 {
		return "One unit wants"
	}
	return fmt.Sprintf("%d units want", n)
}

func events(t *summary.Tally) string {
	rejected := 0
	for _, x := range t.Rejected {
		rejected += x.Events
	}
	return fmt.Sprintf("%s, %s without warm waste, %s of which a gap hides a part. Of the showers, and of partial events with warm waste, %d count for the effectiveness and %d do not.",
		wording.Count(t.Showers, "shower"), wording.Count(t.OtherDraws, "draw"), wording.Count(t.Partial, "event"), t.Used, rejected)
}

func spread(s *summary.StudyMedian) string {
	if s.Dwellings == 0 {
		return wording.Unknown
	}
	return fixed(s.Median, s.U95, 3)
}

func estimate(e *summary.Estimate) string {
	if e.Events == 0 {
		return wording.Unknown
	}
	return fixed(e.Median, e.U95, 3)
}

// distributionChart is of the dwellings' ratios.
func (r *Report) distributionChart() plots.DistributionChart {
	d := plots.DistributionChart{Title: "Measured against rated, dwelling by dwelling", Interval: "expanded uncertainty, k = 2"}
	for i := range r.dwellings {
		s := &r.dwellings[i]
		e := &s.Summary.Ratio
		row := plots.DistributionRow{Name: s.Name, Median: e.Median, Lo: e.Median - e.U95, Hi: e.Median + e.U95, Events: s.Summary.Used}
		if len(s.Findings) > 0 {
			row.Finding = s.Findings[0].Code
		}
		d.Rows = append(d.Rows, row)
	}
	return d
}

// distribution draws the dwellings' ratios.
func (r *Report) distribution(v *view) error {
	d := r.distributionChart()
	if c, many := r.standOut(v.sums); many {
		for _, width := range []int{pageWidth, phoneWidth} {
			svg, err := inline(func(w io.Writer) error {
				return plots.Write(w, plots.Output{Width: width, Height: plots.DistributionHeight(width, len(c.Rows))}, c)
			})
			if err != nil {
				return err
			}
			v.First = append(v.First, svg)
		}
	}
	draw := func(width int) (template.HTML, error) {
		height := distributionHeight(width, len(d.Rows))
		return inline(func(w io.Writer) error { return plots.Write(w, plots.Output{Width: width, Height: height}, d) })
	}
	var err error
	if v.Chart, err = draw(pageWidth); err != nil {
		return err
	}
	v.Phone, err = draw(phoneWidth)
	return err
}

// distributionHeight returns the height, px, of a distribution of n rows: all of
// the room that they want for a few, less for many, a printed page at most.
func distributionHeight(width, n int) int {
	const frame, row, few, page = 150, 12, 24, 900
	height := max(plots.DistributionHeight(width, min(n, few)), frame+row*n)
	return max(min(height, page), frame+3*n)
}

// shared returns the inputs that do not average out, with what they do in the
// middle dwelling.
func (r *Report) shared() []sharedRow {
	type input struct {
		name          string
		effect, ratio []float64
		ofMethod      bool
	}
	var inputs []*input
	add := func(e *summary.Estimate, to func(*input, float64)) {
		for _, s := range e.Systematic {
			k := slices.IndexFunc(inputs, func(x *input) bool { return x.name == s.Input })
			if k < 0 {
				k = len(inputs)
				inputs = append(inputs, &input{name: s.Input, ofMethod: s.OfMethod})
			}
			to(inputs[k], 2*math.Abs(s.Shift))
		}
	}
	n := 0
	for i := range r.dwellings {
		s := &r.dwellings[i].Summary
		if s.Used == 0 {
			continue
		}
		n++
		add(&s.Effectiveness, func(x *input, u float64) { x.effect = append(x.effect, u) })
		add(&s.Ratio, func(x *input, u float64) { x.ratio = append(x.ratio, u) })
	}
	slices.SortStableFunc(inputs, func(a, b *input) int {
		switch x, y := middle(a.ratio, n), middle(b.ratio, n); {
		case x > y:
			return -1
		case x < y:
			return 1
		}
		return 0
	})
	var out []sharedRow
	for _, x := range inputs {
		row := sharedRow{x.name, small(middle(x.effect, n)), small(middle(x.ratio, n)), "of each dwelling"}
		if x.ofMethod {
			row.Kind = "of the method"
		}
		if row.Effectiveness != wording.Unknown || row.Ratio != wording.Unknown {
			out = append(out, row)
		}
	}
	return out
}

// middle is the median of n values of which those not listed are 0.
func middle(x []float64, n int) float64 {
	all := make([]float64, n)
	copy(all, x)
	slices.Sort(all)
	if n == 0 {
		return 0
	}
	return (all[(n-1)/2] + all[n/2]) / 2
}

func small(u95 float64) string {
	if u95 < 0.00005 {
		return wording.Unknown
	}
	return wording.Fixed(u95, 4)
}

// mostOutages is how many outages the report lists.
const mostOutages = 40

func (r *Report) outages(v *view) {
	type outage struct {
		name string
		completeness.Outage
	}
	var all []outage
	for i := range r.dwellings {
		for _, o := range r.dwellings[i].Coverage.Outages() {
			all = append(all, outage{r.dwellings[i].Name, o})
		}
	}
	slices.SortStableFunc(all, func(a, b outage) int { return int(min(max(b.Span.Seconds()-a.Span.Seconds(), -1), 1)) })
	v.More = max(0, len(all)-mostOutages)
	for _, o := range all[:min(len(all), mostOutages)] {
		v.Outages = append(v.Outages, outageRow{
			o.name, minute(o.Span.From, v.Zone), minute(o.Span.To, v.Zone), wording.Fixed(o.Span.Seconds()/3600, 1), channels(o.Channels),
		})
	}
}

func (r *Report) rejected(s *summary.Study) []rejectedRow {
	total := s.Used
	for _, x := range s.Rejected {
		total += x.Events
	}
	var out []rejectedRow
	for _, x := range s.Rejected {
		homes := 0
		for i := range r.dwellings {
			if slices.ContainsFunc(r.dwellings[i].Summary.Rejected, func(y summary.Rejection) bool { return y.Reason == x.Reason }) {
				homes++
			}
		}
		out = append(out, rejectedRow{wording.Capital(reason(x.Reason)), x.Events, percent(float64(x.Events) / float64(total)), wording.Count(homes, "dwelling")})
	}
	return out
}
