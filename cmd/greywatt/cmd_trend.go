package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/analysis/cleaning"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/cmd/greywatt/internal/staging"
	"greywatt/plots"
	"greywatt/plots/wording"
)

type trendOptions struct {
	site.Flags
	dwellings site.DwellingFlag
	threshold float64
	charts    string
	format    string
	json      bool
}

func trendCommand() cli.Command {
	return cli.Command{
		Name:     "trend",
		Example:  "greywatt trend larch-04 --study study.toml --data data --chart charts",
		Basic:    true,
		Operands: "[DWELLING...]",
		Summary:  "follow a unit's conductance: dirt, what it costs, when to clean",
		About: `
Follows the conductance of each unit, against that of the rated unit at the same
flows, from shower to shower, and says which model describes it and why; what is
lost today against the unit when clean, in conductance, effectiveness, heat and
money at the usual use, that of the last four weeks; when the loss passes the
threshold; what each cleaning has brought. Every ± is an expanded uncertainty,
k = 2, and every pair of dates a 95 % interval. Those of the conductance are the
trend's own: what clamps, meter and certificate add to every shower alike leaves
the comparison, and stands in summary. A trend that is not resolved says how
many showers more would resolve one.

The threshold is a share of the clean unit's effectiveness. Nobody has published
one for this duty: the default is this project's choice.

--chart writes a chart trend-DWELLING of each dwelling and overview of all, as SVG
or, with --format, as PNG or PDF.`,
		Codes: []int{cli.ExitInterrupted},
		Verb:  &trendOptions{},
	}
}

func (o *trendOptions) AddFlags(flags *pflag.FlagSet) {
	o.Flags.AddFlags(flags)
	o.Kept.AddFlags(flags)
	o.dwellings.AddFlags(flags)
	flags.Float64Var(&o.threshold, "threshold", cleaning.DefaultThreshold, "the loss of effectiveness, as a `SHARE`, at which to clean")
	flags.StringVar(&o.charts, "chart", "", "also write charts into `DIR`")
	flags.StringVar(&o.format, "format", string(plots.SVG), "`FORMAT` of the charts: svg, png or pdf")
	cli.Choices(flags, "format", plots.SVG, plots.PNG, plots.PDF)
	o.Period.AddFlags(flags)
	flags.BoolVar(&o.json, "json", false, "write JSON lines instead of text")
}

func (o *trendOptions) Run(ctx context.Context, con *cli.Console, args []string) error {
	if !(o.threshold > 0 && o.threshold < 1) {
		return cli.Usagef("--threshold %g: want a share between 0 and 1, such as 0.10", o.threshold)
	}
	format, err := plots.FormatOf("." + o.format)
	if err != nil {
		return cli.Usagef("--format %q: want svg, png or pdf", o.format)
	}
	s, err := o.Open(con, o.dwellings.With(args))
	if err != nil {
		return err
	}
	defer s.Close()

	out := bufio.NewWriter(con.Out)
	damage := site.DamageReport{Console: con}
	var charts []plots.TrendChart
	first := true
	for r := range s.Analyse(ctx) {
		if r.Err != nil {
			return r.Err
		}
		damage.AddResult(&r)
		c := cleaning.Assess(s.Study, r.Dwelling, r.Events, r.Diagnosis, o.threshold)
		if o.charts != "" {
			charts = append(charts, trendChart(s.Study, &r, &c))
		}
		if o.json {
			if err := cli.WriteJSONLine(out, asTrendJSON(&r, &c)); err != nil {
				return err
			}
			continue
		}
		if !first {
			fmt.Fprintln(out)
		}
		first = false
		t := trendText{zone: s.Study.Timezone}
		t.dwelling(&r, &c)
		fmt.Fprintf(out, "%s: %s\n%s", r.Dwelling.ID, verdictWords(&c, s.Study.Timezone), t.String())
	}
	if err := out.Flush(); err != nil {
		return err
	}
	if o.charts != "" {
		if err := writeTrendCharts(o.charts, format, s.Study, charts); err != nil {
			return fmt.Errorf("chart: %w", err)
		}
		if !o.json {
			fmt.Fprintf(con.Out, "\n%s: %s\n", o.charts, wording.Count(len(charts), "trend chart"))
		}
	}
	return damage.Err()
}

func trendChart(s *greywatt.Study, r *site.Result, c *cleaning.Assessment) plots.TrendChart {
	return plots.TrendChart{
		Dwelling: *r.Dwelling, Points: r.Diagnosis.Trend, Findings: r.Diagnosis.Findings,
		Threshold: c.ThresholdUA, Location: s.Timezone,
	}
}

// writeTrendCharts writes a chart a dwelling, and the overview in as many files
// as it takes.
func writeTrendCharts(dir string, format plots.Format, s *greywatt.Study, charts []plots.TrendChart) error {
	stage, err := staging.In(dir)
	if err != nil {
		return err
	}
	defer stage.Discard()
	for _, c := range charts {
		name := "trend-" + strings.ReplaceAll(c.Dwelling.ID, ":", "_") + "." + string(format) // no colon in names, for Windows
		if err := stage.Write(name, func(w io.Writer) error { return plots.Write(w, plots.Output{Format: format}, c) }); err != nil {
			return err
		}
	}
	for first := 0; first < len(charts); first += plots.OverviewMost {
		name := "overview." + string(format)
		if first > 0 {
			name = fmt.Sprintf("overview-%d.%s", first/plots.OverviewMost+1, format)
		}
		err := stage.Write(name, func(w io.Writer) error {
			return plots.Write(w, plots.Output{Format: format}, plots.OverviewChart{Study: s.Name, Dwellings: charts, Location: s.Timezone, First: first})
		})
		if err != nil {
			return err
		}
	}
	return stage.Publish()
}
