package main

import (
	"bufio"
	"cmp"
	"context"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/analysis/completeness"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/analysis/summary"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/plots/wording"
)

type summaryOptions struct {
	site.Flags
	dwellings site.DwellingFlag
	by        string
	json      bool
}

func summaryCommand() cli.Command {
	return cli.Command{
		Name:     "summary",
		Example:  "greywatt summary --study study.toml --data data --by month",
		Basic:    true,
		Operands: "[DWELLING...]",
		Summary:  "sum up dwellings and study: effectiveness, heat, savings, completeness",
		About: `
Sums up the events of each dwelling and of the study, all of it or by calendar
month in the study's time zone. Every ± is an expanded uncertainty, k = 2. What
it consists of stands in brackets: what averages out over events (a
distribution-free 95 % interval of the median; of fewer than six events their
budgets and scatter), and what does not (clamps, meter, conversion of the rated
points). Expected is at the events' own flows and temperatures, so that a unit
that is worse in winter is seen to be expected or not, month by month.

Heat is what the mains water gained in showers, as measured: nothing is added
for missing data, and draws without warm waste are left out, their water being
warmed by the room. Fuel is that over the heater's efficiency; carbon and money
need carbon_kg_per_kwh and price_per_kwh in the study file. Currencies are not
added to each other.

From a fortnight of readings on there is also what a year would bring, if the
household goes on as it did: a season of the mains temperature is fitted, heat
follows the span between waste water and mains, and time without readings is
filled in. Its ± has habits, season and the showers without a heat in it.

Where the study file or the journal has a cleaning or a repair, the ratio of the
four weeks before is compared with that of the four weeks after.

The study's figures are medians over its dwellings. Data is the share of hours
with readings of every needed channel, up to the study's last reading.

With --json a row is an object on a line of its own; null is not known.`,
		Codes: []int{cli.ExitInterrupted},
		Verb:  &summaryOptions{},
	}
}

func (o *summaryOptions) AddFlags(flags *pflag.FlagSet) {
	o.Flags.AddFlags(flags)
	o.Kept.AddFlags(flags)
	o.dwellings.AddFlags(flags)
	flags.StringVar(&o.by, "by", "", "also by `month`")
	cli.Choices(flags, "by", "month")
	o.Period.AddFlags(flags)
	flags.BoolVar(&o.json, "json", false, "write JSON lines instead of tables")
}

func (o *summaryOptions) Run(ctx context.Context, con *cli.Console, args []string) error {
	if o.by != "" && o.by != "month" {
		return cli.Usagef("--by %q: want month", o.by)
	}
	s, err := o.Open(con, o.dwellings.With(args))
	if err != nil {
		return err
	}
	defer s.Close()

	sums := studySums{zone: s.Study.Timezone, byMonth: o.by == "month"}
	damage := site.DamageReport{Console: con}
	for r := range s.Analyse(ctx) {
		if r.Err != nil {
			return r.Err
		}
		damage.AddResult(&r)
		sums.add(r)
	}
	out := bufio.NewWriter(con.Out)
	if o.json {
		err = sums.writeJSON(out)
	} else {
		err = sums.write(out)
	}
	if err != nil {
		return err
	}
	if err := out.Flush(); err != nil {
		return err
	}
	return damage.Err()
}

// studySums collects the summaries of dwellings and prints them.
type studySums struct {
	zone      *time.Location
	byMonth   bool
	dwellings []summary.Dwelling
	coverage  []completeness.Result
	left      []greywatt.Instant // where a dwelling has left the study; else 0
	years     []summary.Year
	effects   [][]summary.Effect
}

func (s *studySums) add(r site.Result) {
	s.dwellings = append(s.dwellings, summary.OfDwelling(r.Dwelling, s.zone, r.Events, r.Diagnosis.All()))
	s.coverage = append(s.coverage, r.Completeness)
	s.left = append(s.left, leaving(r.Dwelling, s.zone))
	s.addYear(&r)
}

// leaving returns the end of the dwelling's last day in the study, 0 where it has
// none.
func leaving(d *greywatt.Dwelling, zone *time.Location) greywatt.Instant {
	if d.Left.IsZero() {
		return 0
	}
	next := d.Left
	next.Day++ // past the month's end, it is the next one's first
	return next.In(zone)
}

// until is the study's last reading.
func (s *studySums) until() greywatt.Instant {
	var last greywatt.Instant
	for _, c := range s.coverage {
		last = max(last, c.Span.To)
	}
	return last
}

// covered returns for how many seconds of a month, or of all, a dwelling has complete
// data, and for how many it should: those that the journal leaves out do not count.
func (s *studySums) covered(i int, m summary.Month) (have, of float64) {
	c := &s.coverage[i]
	from, to := c.Span.From, s.until()
	if left := s.left[i]; left != 0 {
		to = min(to, left)
	}
	if m != (summary.Month{}) {
		begin, end := m.Span(s.zone)
		from, to = max(from, begin), min(to, end)
	}
	if c.Span.From == 0 || to <= from {
		return 0, 0
	}
	return c.TimeOf(from, to)
}

// A sumRow is one line of the tables: a dwelling or the study, all or a month.
type sumRow struct {
	dwelling *summary.Summary // nil: the study
	study    *summary.Study
	tally    *summary.Tally
	month    summary.Month
	complete float64 // NaN without data
}

// rows returns all rows: dwelling by dwelling, the groups, then the study.
func (s *studySums) rows() []sumRow {
	var rows []sumRow
	add := func(i int, d *summary.Summary) {
		have, of := s.covered(i, d.Month)
		rows = append(rows, sumRow{dwelling: d, tally: &d.Tally, month: d.Month, complete: have / of})
	}
	for i := range s.dwellings {
		d := &s.dwellings[i]
		add(i, &d.Summary)
		for k := range d.Months {
			if s.byMonth {
				add(i, &d.Months[k])
			}
		}
	}
	if len(s.dwellings) < 2 {
		return rows
	}
	for _, sum := range summary.ByGroup(s.dwellings) {
		rows = append(rows, sumRow{study: &sum, tally: &sum.Tally, complete: math.NaN()})
	}
	for _, sum := range summary.OfStudy(s.dwellings) {
		if sum.Month != (summary.Month{}) && !s.byMonth {
			continue
		}
		var have, of float64
		for i := range s.dwellings {
			h, o := s.covered(i, sum.Month)
			have, of = have+h, of+o
		}
		rows = append(rows, sumRow{study: &sum, tally: &sum.Tally, month: sum.Month, complete: have / of})
	}
	return rows
}

// name is the row's first cells.
func (r *sumRow) name(byMonth bool) []string {
	name := "study"
	if r.dwelling != nil {
		name = r.dwelling.Dwelling
	} else if r.study.Group != "" {
		name = r.study.Group
	}
	if !byMonth {
		return []string{name}
	}
	return []string{name, cmp.Or(r.month.String(), "all")}
}

func (s *studySums) write(w io.Writer) error {
	heads := []string{"DWELLING"}
	if s.byMonth {
		heads = append(heads, "MONTH")
	}
	events := cli.NewTable(append(slices.Clone(heads), ">SHOWERS", ">OTHER DRAWS", ">PARTIAL", ">USED", ">NOT USED", ">DATA")...)
	figures := cli.NewTable(append(slices.Clone(heads), "EFFECTIVENESS", "EXPECTED", ">MAINS °C", "RATIO")...)
	savings := cli.NewTable(append(slices.Clone(heads), ">HEAT KWH", ">FUEL KWH", ">CARBON KG", "SAVED")...)
	rows := s.rows()
	for i := range rows {
		r := &rows[i]
		t := r.tally
		rejected := 0
		for _, x := range t.Rejected {
			rejected += x.Events
		}
		events.Add(append(r.name(s.byMonth), fmt.Sprint(t.Showers), fmt.Sprint(t.OtherDraws), fmt.Sprint(t.Partial),
			fmt.Sprint(t.Used), fmt.Sprint(rejected), percent(r.complete))...)
		savings.Add(append(r.name(s.byMonth), sumU95(t.HeatKWh, t.HeatU95KWh), sumU95(t.FuelKWh, t.FuelU95KWh),
			sumU95(t.CarbonKg, t.CarbonU95Kg), moneyWords(t.Money))...)
		if d := r.dwelling; d != nil {
			figures.Add(append(r.name(s.byMonth), estimateWords(&d.Effectiveness), cli.WithU95(d.Expected, d.ExpectedU95, 3), cli.Figure(d.MainsC, 1), estimateWords(&d.Ratio))...)
		} else {
			figures.Add(append(r.name(s.byMonth), spreadWords(&r.study.Effectiveness), cli.WithU95(r.study.Expected, r.study.ExpectedU95, 3), cli.Figure(r.study.MainsC, 1), spreadWords(&r.study.Ratio))...)
		}
	}
	var text strings.Builder
	events.Write(&text)
	text.WriteString("\nMedians over the events used; in brackets what averages out over events, and what does not:\n")
	figures.Write(&text)
	text.WriteString("\nRecovered in showers, as measured; fuel, carbon and money that the heater did not need:\n")
	savings.Write(&text)
	s.writeYear(&text)
	s.writeEffects(&text)
	s.writeWeighted(&text, rows)
	s.writeLikeThese(&text, rows)
	s.writeReasons(&text, rows)
	s.writeOutages(&text)
	_, err := io.WriteString(w, text.String())
	return err
}

// writeWeighted says the ratio by other weights: of the study, or of the only
// dwelling.
func (s *studySums) writeWeighted(w io.Writer, rows []sumRow) {
	for i := range rows {
		r := &rows[i]
		if r.month != (summary.Month{}) || r.study != nil && r.study.Group != "" || r.study == nil && len(s.dwellings) > 1 {
			continue
		}
		heat, time := weightedOf(r)
		if heat.Events > 0 {
			fmt.Fprintf(w, "\nRatio weighted by the heat of the showers %.3f ± %.3f, by the time of their water %.3f ± %.3f.\n", heat.Value, heat.U95, time.Value, time.U95)
		}
	}
}

func weightedOf(r *sumRow) (heat, time *summary.Weighted) {
	if r.dwelling != nil {
		return &r.dwelling.ByHeat, &r.dwelling.ByTime
	}
	return &r.study.ByHeat, &r.study.ByTime
}

// writeLikeThese says what the dwellings' spread means beyond them.
func (s *studySums) writeLikeThese(w io.Writer, rows []sumRow) {
	for i := range rows {
		if r := &rows[i]; r.study != nil && r.study.Group == "" && r.month == (summary.Month{}) && r.study.Ratio.Dwellings > 1 {
			x := &r.study.Ratio
			fmt.Fprintf(w, "\nRatio over %s: %.3f to %.3f, middle half %.3f to %.3f", wording.Count(x.Dwellings, "dwelling"), x.Min, x.Max, x.Q1, x.Q3)
			if x.Lo == x.Lo {
				fmt.Fprintf(w, ";\nthe median of dwellings like these lies between %.3f and %.3f (95 %%)", x.Lo, x.Hi)
			}
			fmt.Fprintln(w, ".")
			if p := &r.study.Pooled; p.Dwellings > 0 {
				fmt.Fprintf(w, "Mean of dwellings like these %.3f ± %.3f, of which %.3f more of them would not lessen; from dwelling to dwelling %.3f (standard deviation)",
					p.Mean, p.U95, p.SharedU95, p.Tau)
				if p.Lo == p.Lo {
					fmt.Fprintf(w, ";\nthe next dwelling's lies between %.3f and %.3f (95 %%, random effects)", p.Lo, p.Hi)
				}
				fmt.Fprintln(w, ".")
			}
			fmt.Fprintf(w, "Of the heat's ± %.1f kWh, %.1f are shared by sensors of a batch (batch in the study file; sensors without one count as one batch).\n",
				r.study.HeatU95KWh, r.study.HeatShares.BatchU95)
		}
	}
}

// writeReasons says why events were not used: of the last row for all data,
// which is the study or the only dwelling.
func (s *studySums) writeReasons(w io.Writer, rows []sumRow) {
	var all *sumRow
	for i := range rows {
		if rows[i].month == (summary.Month{}) && (rows[i].study == nil || rows[i].study.Group == "") {
			all = &rows[i]
		}
	}
	if all == nil || len(all.tally.Rejected) == 0 {
		return
	}
	table := cli.NewTable(">EVENTS", "NOT USED FOR THE EFFECTIVENESS")
	for _, x := range all.tally.Rejected {
		table.Add(fmt.Sprint(x.Events), fmt.Sprintf("%s: %s", x.Reason, reasonWords(x.Reason)))
	}
	fmt.Fprintln(w)
	table.Write(w)
	if n := all.tally.HeatLeftOut; n > 0 {
		fmt.Fprintf(w, "%s without a heat that counts.\n", wording.Count(n, "warm event"))
	}
}

// reasonWords says a reason for not using an event: a flag, or a finding about
// its sensors.
func reasonWords(reason event.Flag) string {
	switch finding.Code(reason) {
	case finding.SensorLoose, finding.FlowOffScale, finding.WasteSensorsSwapped, finding.SupplySensorsSwapped, finding.ConnectionDiffers, finding.SensorDrifting, finding.SensorDead:
		return "since that finding"
	}
	return wording.Flag(reason)
}

// longestOutages is how many outages a table of them lists.
const longestOutages = 12

func (s *studySums) writeOutages(w io.Writer) {
	type outage struct {
		dwelling string
		completeness.Outage
	}
	var all []outage
	for i := range s.coverage {
		for _, o := range s.coverage[i].Outages() {
			all = append(all, outage{s.dwellings[i].Dwelling, o})
		}
	}
	if len(all) == 0 {
		return
	}
	slices.SortStableFunc(all, func(a, b outage) int { return cmp.Compare(b.Span.Seconds(), a.Span.Seconds()) })
	table := cli.NewTable("DWELLING", "NO READINGS FROM", "TO", ">HOURS", "OF")
	for _, o := range all[:min(len(all), longestOutages)] {
		local := func(at greywatt.Instant) string { return at.Time().In(s.zone).Format("2006-01-02 15:04") }
		table.Add(o.dwelling, local(o.Span.From), local(o.Span.To), fmt.Sprintf("%.1f", o.Span.Seconds()/3600), channelWords(o.Channels))
	}
	fmt.Fprintln(w)
	table.Write(w)
	if more := len(all) - longestOutages; more > 0 {
		fmt.Fprintf(w, "and %d more, shorter; --json lists all\n", more)
	}
}

// channelWords names channels, all of the needed ones in a word.
func channelWords(cs []greywatt.Channel) string {
	if len(cs) == int(greywatt.Flow)+1 {
		return "all channels"
	}
	names := make([]string, len(cs))
	for i, c := range cs {
		names[i] = c.String()
	}
	return strings.Join(names, ", ")
}

// estimateWords writes a median with its uncertainty and the two parts of it.
func estimateWords(e *summary.Estimate) string {
	switch {
	case e.Events == 0:
		return ""
	case e.U95 != e.U95:
		return fmt.Sprintf("%.3f (%s)", e.Median, wording.Count(e.Events, "event"))
	}
	return fmt.Sprintf("%.3f ± %.3f (%.3f, %.3f)", e.Median, e.U95, e.OwnU95, e.SystematicU95)
}

func spreadWords(s *summary.StudyMedian) string {
	if s.Dwellings == 0 {
		return ""
	}
	return fmt.Sprintf("%.3f ± %.3f of %s", s.Median, s.U95, wording.Count(s.Dwellings, "dwelling"))
}

func percent(share float64) string {
	if share != share {
		return ""
	}
	return fmt.Sprintf("%.1f %%", 100*share)
}

// sumU95 writes a sum with as many decimals as its uncertainty has a use for.
func sumU95(v, u95 float64) string {
	decimals := 1
	switch {
	case u95 >= 9.95:
		decimals = 0
	case u95 < 0.0995:
		decimals = 3
	case u95 < 0.995:
		decimals = 2
	}
	return cli.WithU95(v, u95, decimals)
}

func moneyWords(sums []summary.Money) string {
	words := make([]string, len(sums))
	for i, m := range sums {
		words[i] = cli.WithU95(m.Saved, m.U95, 2) + " " + m.Currency
	}
	return strings.Join(words, ", ")
}
