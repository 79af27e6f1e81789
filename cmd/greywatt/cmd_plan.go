package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/analysis/plan"
	"greywatt/analysis/summary"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/cmd/greywatt/internal/staging"
	"greywatt/plots"
	"greywatt/plots/wording"
)

type planOptions struct {
	study      site.StudyFlag
	like       string
	connection string
	rated      string

	clamp, clampBatch, meter, meterBatch float64
	wasteMeter                           bool

	design plan.Design
	want   float64
	chart  string
	json   bool
}

func planCommand() cli.Command {
	return cli.Command{
		Name:    "plan",
		Example: "greywatt plan --connection B --dwellings 40 --weeks 26",
		Summary: "tell before a study how small a change it will resolve",
		About: `
Analyses the usual shower of a study to be, with its sensors, as its events will
be, and says with which uncertainty (k = 2) a shower, a dwelling and the study
will be known, and which change of a dwelling's unit a test (95 %) finds four
times in five. --want turns the question round: how many dwellings it takes,
with clamps as given and with better ones.

What the sensors of all dwellings share does not average out. Unless the batch
flags say less, that is all of their uncertainty: sensors made together, or
calibrated against one thermometer.

    greywatt plan --rated 9.5:0.52 --clamp 0.3 --clamp-batch 0.1 --want 0.02
    greywatt plan --study study.toml --like larch-04 --chart plan.svg`,
		Verb: &planOptions{},
	}
}

func (o *planOptions) AddFlags(flags *pflag.FlagSet) {
	flags.StringVar(&o.like, "like", "", "take connection, unit and sensors of this `DWELLING` of the study file")
	o.study.AddFlags(flags)
	flags.StringVar(&o.connection, "connection", "A", "`LETTER` of what the preheated water feeds: A, B or C")
	flags.StringVar(&o.rated, "rated", "9.5:0.5", "the certificate's points, as `L/MIN:EFFECTIVENESS[,...]`")
	flags.Float64Var(&o.clamp, "clamp", 0.3, "u95 of each clamp, `K`")
	flags.Float64Var(&o.clampBatch, "clamp-batch", math.NaN(), "the part of it that all clamps of a channel share, `K`")
	flags.Float64Var(&o.meter, "meter", 0.03, "relative u95 of the flow meters, as a `FRACTION`")
	flags.Float64Var(&o.meterBatch, "meter-batch", math.NaN(), "the part of it that all meters share, as a `FRACTION`")
	for _, name := range []string{"clamp-batch", "meter-batch"} {
		flags.Lookup(name).DefValue = "all" // which NaN stands for
	}
	flags.BoolVar(&o.wasteMeter, "waste-meter", false, "the waste side's flow is metered too")
	d := &o.design
	flags.Float64Var(&d.FlowLMin, "flow", 9, "mixed water of a shower, `L/MIN`")
	flags.Float64Var(&d.Minutes, "minutes", 7, "length of a shower, `MINUTES`")
	flags.Float64Var(&d.MainsC, "mains", 12, "mains temperature, `°C`")
	flags.Float64Var(&d.WasteInC, "waste-in", 37, "temperature of the waste at the unit, `°C`")
	flags.Float64Var(&d.MainsPerMix, "mains-share", 0.7, "in connections B and C: `SHARE` of the shower's flow that passes the unit's mains side")
	flags.Float64Var(&d.ShowersPerWeek, "showers", 10, "showers a week and dwelling that can be measured, `NUMBER`")
	flags.Float64Var(&d.Weeks, "weeks", 26, "length of the study, `WEEKS`")
	flags.IntVar(&d.Dwellings, "dwellings", 20, "`NUMBER` of dwellings")
	flags.Float64Var(&d.Scatter, "scatter", 0.01, "standard deviation of the ratio from shower to shower, beside that of sensors: a `FRACTION`")
	flags.Float64Var(&d.Between, "between", 0.05, "standard deviation of the ratio from unit to unit: a `FRACTION`")
	flags.Float64Var(&o.want, "want", 0, "find the dwellings that the mean's `U95` takes")
	flags.StringVar(&o.chart, "chart", "", "draw the mean's u95 against the number of dwellings into this `FILE`: .svg, .png or .pdf")
	flags.BoolVar(&o.json, "json", false, "write a JSON line instead of tables")
}

// mostDwellings is how far --want looks.
const mostDwellings = 2000

func (o *planOptions) Run(_ context.Context, con *cli.Console, args []string) error {
	if err := cli.NoOperands(args); err != nil {
		return err
	}
	d := o.design
	if err := o.dwelling(&d.Dwelling); err != nil {
		return err
	}
	p, err := plan.Of(d)
	if err != nil {
		return err
	}
	var choices []planChoice
	if o.want < 0 || o.want != o.want {
		return cli.Usagef("--want is %g; state an uncertainty such as 0.02", o.want)
	}
	if o.want > 0 || o.chart != "" {
		choices = o.choices(&d)
	}
	if o.want > 0 {
		for i := range choices {
			c := &choices[i]
			if c.needed, c.reached, err = plan.Needed(c.design, o.want, mostDwellings); err != nil {
				return err
			}
		}
	}
	if o.chart != "" {
		if err := o.drawChart(choices); err != nil {
			return err
		}
	}
	if o.json {
		return writePlanJSON(con.Out, &d, &p, o.want, choices)
	}
	return writePlan(con.Out, &d, &p, o.want, choices)
}

// dwelling describes the dwelling that stands for all.
func (o *planOptions) dwelling(d *greywatt.Dwelling) error {
	if o.like != "" {
		s, err := o.study.Read()
		if err != nil {
			return err
		}
		like, ok := s.Dwelling(o.like)
		if !ok {
			return site.NoDwelling(s, o.like)
		}
		*d = *like
		return nil
	}
	if !slices.Contains([]string{"A", "B", "C"}, o.connection) {
		return cli.Usagef("--connection is %q; state A, B or C", o.connection)
	}
	points, err := ratedPoints(o.rated)
	if err != nil {
		return err
	}
	for _, f := range []struct {
		name  string
		value float64
	}{{"--clamp", o.clamp}, {"--meter", o.meter}} {
		if !(f.value > 0 && f.value <= 20) {
			return cli.Usagef("%s is %g; state an uncertainty above 0", f.name, f.value)
		}
	}
	*d = greywatt.Dwelling{
		ID: "plan", Connection: greywatt.Connection(o.connection[0]),
		Exchanger: greywatt.Exchanger{Orientation: greywatt.Vertical, Rated: points},
		Heater:    greywatt.Heater{Efficiency: 1, CarbonKgPerKWh: math.NaN(), PricePerKWh: math.NaN()},
	}
	all := func(part, whole float64) float64 {
		if part != part {
			return whole
		}
		return part
	}
	for c := greywatt.WasteIn; c.IsPort(); c++ {
		s := greywatt.DefaultSensor(c)
		s.U95K, s.BatchU95K = o.clamp, all(o.clampBatch, o.clamp)
		d.Sensors = append(d.Sensors, s)
	}
	meters := []greywatt.Channel{greywatt.Flow}
	if o.wasteMeter {
		meters = append(meters, greywatt.WasteFlow)
	}
	for _, c := range meters {
		s := greywatt.DefaultSensor(c)
		s.U95Relative, s.BatchU95Relative = o.meter, all(o.meterBatch, o.meter)
		d.Sensors = append(d.Sensors, s)
	}
	return nil
}

// ratedPoints reads points such as 7:0.55,9.5:0.5.
func ratedPoints(text string) ([]greywatt.RatedPoint, error) {
	var points []greywatt.RatedPoint
	for part := range strings.SplitSeq(text, ",") {
		flow, effectiveness, ok := strings.Cut(strings.TrimSpace(part), ":")
		q, err := strconv.ParseFloat(flow, 64)
		e, err2 := strconv.ParseFloat(effectiveness, 64)
		if !ok || err != nil || err2 != nil || !(q >= 1 && q <= 60) || !(e > 0.05 && e < 0.95) {
			return nil, cli.Usagef("--rated: %q is no point; write l/min and effectiveness as in 9.5:0.52", part)
		}
		points = append(points, greywatt.RatedPoint{FlowLMin: q, Effectiveness: e})
	}
	slices.SortFunc(points, func(a, b greywatt.RatedPoint) int { return int(math.Copysign(1, a.FlowLMin-b.FlowLMin)) })
	return points, nil
}

// A planChoice is the design with clamps of another uncertainty.
type planChoice struct {
	clampK  float64 // u95 of the waste-in clamp
	design  plan.Design
	needed  int
	reached bool
}

// choices returns the design with its own clamps and with some that have a half and
// a quarter of their uncertainty.
func (o *planOptions) choices(d *plan.Design) []planChoice {
	var out []planChoice
	for _, part := range []float64{1, 0.5, 0.25} {
		c := planChoice{design: *d}
		c.design.Dwelling.Sensors = slices.Clone(d.Dwelling.Sensors)
		for i := range c.design.Dwelling.Sensors {
			s := &c.design.Dwelling.Sensors[i]
			s.U95K *= part
			s.BatchU95K *= part
			if s.Channel == greywatt.WasteIn {
				c.clampK = s.U95K
			}
		}
		out = append(out, c)
	}
	return out
}

func (o *planOptions) drawChart(choices []planChoice) error {
	format, err := plots.FormatOf(o.chart)
	if err != nil {
		return cli.Usagef("--chart: %w", err)
	}
	chart := plots.PlanChart{Want: o.want}
	for _, c := range choices {
		line := plots.PlanLine{Name: fmt.Sprintf("clamps ± %.2g K", c.clampK)}
		for _, k := range []int{4, 5, 7, 10, 14, 20, 30, 50, 70, 100, 140, 200} {
			c.design.Dwellings = k
			p, err := plan.Of(c.design)
			if err != nil {
				return err
			}
			line.Dwellings = append(line.Dwellings, float64(k))
			line.U95 = append(line.U95, p.MeanU95)
		}
		chart.Lines = append(chart.Lines, line)
	}
	return staging.WriteFile(o.chart, func(w io.Writer) error {
		return plots.Write(w, plots.Output{Format: format}, chart)
	})
}

func writePlan(w io.Writer, d *plan.Design, p *plan.Plan, want float64, choices []planChoice) error {
	var text strings.Builder
	fmt.Fprintf(&text, "A shower of %.0f minutes at %.1f l/min, mains %.0f °C, connection %s; %s a dwelling in %.0f weeks, %s.\n\n",
		d.Minutes, d.FlowLMin, d.MainsC, d.Dwelling.Connection, wording.Count(p.Showers, "shower"), d.Weeks, wording.Count(d.Dwellings, "dwelling"))
	shower := cli.NewTable("OF A SHOWER", ">EXPECTED", ">U95")
	shower.Add("effectiveness", cli.Figure(p.Effectiveness, 3), cli.Figure(p.EffectivenessU95, 3))
	shower.Add("ratio", "1", cli.Figure(p.RatioU95, 3))
	shower.Add("heat, kWh", cli.Figure(p.HeatKWh, 3), cli.Figure(p.HeatU95KWh, 3))
	shower.Write(&text)
	text.WriteByte('\n')
	ratio := cli.NewTable("U95 OF THE RATIO", ">ALL", ">OWN", ">SENSORS SHARED", ">METHOD")
	addShares := func(name string, s summary.Shares) {
		ratio.Add(name, cli.Figure(s.U95(), 3), cli.Figure(s.OwnU95, 3), cli.Figure(s.BatchU95, 3), cli.Figure(s.MethodU95, 3))
	}
	addShares("of a dwelling", p.Dwelling)
	addShares("mean of these dwellings", p.Study)
	ratio.Add("mean of dwellings like these", cli.Figure(p.MeanU95, 3), "", "", "")
	ratio.Write(&text)
	text.WriteByte('\n')
	heat := cli.NewTable("U95 OF THE HEAT", ">%")
	heat.Add("of a dwelling", cli.Figure(100*p.DwellingHeatU95Relative, 1))
	heat.Add("of all dwellings", cli.Figure(100*p.StudyHeatU95Relative, 1))
	heat.Write(&text)
	text.WriteByte('\n')
	change := cli.NewTable("SMALLEST CHANGE OF THE CONDUCTANCE THAT IS FOUND", ">%")
	change.Add("of one unit, for good in the middle of the time", cli.Figure(100*p.Step, 1))
	change.Add("of one unit, steady over the whole time", cli.Figure(100*p.Fouling, 1))
	change.Add("mean effect of one cleaning of each unit", cli.Figure(100*p.CleanedBy, 1))
	change.Write(&text)
	text.WriteString(cli.Wrap("Found: by a test with a confidence of 95 %, in four studies of five, where season, flow and dirt can be told apart. A few weeks of cooling mains take longer.", 100, ""))
	text.WriteByte('\n')
	if want > 0 {
		fmt.Fprintf(&text, "\nFor a mean of dwellings like these with a u95 of %g:\n", want)
		needed := cli.NewTable(">CLAMPS ± K", "DWELLINGS")
		for _, c := range choices {
			words := strconv.Itoa(c.needed)
			if !c.reached {
				words = fmt.Sprintf("not with %d: what dwellings share does not average out", mostDwellings)
			}
			needed.Add(fmt.Sprintf("%.2g", c.clampK), words)
		}
		needed.Write(&text)
	}
	_, err := io.WriteString(w, text.String())
	return err
}

// planJSON is what plan writes in JSON.
type planJSON struct {
	Connection         string           `json:"connection"`           // A, B or C
	Dwellings          int              `json:"dwellings"`            // of the design
	Showers            int              `json:"showers"`              // of a dwelling
	Effectiveness      cli.Known        `json:"effectiveness"`        // of the usual shower
	EffectivenessU95   cli.Known        `json:"effectiveness_u95"`    // its expanded uncertainty
	RatioU95           cli.Known        `json:"ratio_u95"`            // of a shower
	HeatKWh            cli.Known        `json:"heat_kwh"`             // of a shower
	HeatU95KWh         cli.Known        `json:"heat_u95_kwh"`         // its expanded uncertainty
	Dwelling           planShares       `json:"dwelling"`             // of the ratio of a dwelling
	Study              planShares       `json:"study"`                // of the mean ratio of these dwellings
	MeanU95            cli.Known        `json:"mean_u95"`             // of the mean ratio of dwellings like these
	DwellingHeatU95    cli.Known        `json:"dwelling_heat_u95"`    // relative, of the heat of a dwelling
	StudyHeatU95       cli.Known        `json:"study_heat_u95"`       // relative, of the heat of all dwellings
	SmallestStep       cli.Known        `json:"smallest_step"`        // relative change of the conductance of one unit for good
	SmallestFouling    cli.Known        `json:"smallest_fouling"`     // relative, steady over the whole time
	SmallestByCleaning cli.Known        `json:"smallest_by_cleaning"` // relative, mean effect of one cleaning of each unit
	Needed             []planNeededJSON `json:"needed,omitempty"`     // with --want
}

type planShares struct {
	U95       cli.Known `json:"u95"`        // all parts together
	OwnU95    cli.Known `json:"own_u95"`    // each dwelling's own part
	BatchU95  cli.Known `json:"batch_u95"`  // the part that sensors of a batch share
	MethodU95 cli.Known `json:"method_u95"` // the part that all dwellings share
}

func asSharesJSON(s summary.Shares) planShares {
	return planShares{cli.Known(s.U95()), cli.Known(s.OwnU95), cli.Known(s.BatchU95), cli.Known(s.MethodU95)}
}

type planNeededJSON struct {
	ClampU95K cli.Known `json:"clamp_u95_k"` // of each clamp
	Dwellings *int      `json:"dwellings"`   // that reach the wanted u95; null: not even 2000 do
}

func writePlanJSON(w io.Writer, d *plan.Design, p *plan.Plan, want float64, choices []planChoice) error {
	line := planJSON{
		Connection: d.Dwelling.Connection.String(), Dwellings: d.Dwellings, Showers: p.Showers,
		Effectiveness: cli.Known(p.Effectiveness), EffectivenessU95: cli.Known(p.EffectivenessU95), RatioU95: cli.Known(p.RatioU95),
		HeatKWh: cli.Known(p.HeatKWh), HeatU95KWh: cli.Known(p.HeatU95KWh),
		Dwelling:        asSharesJSON(p.Dwelling),
		Study:           asSharesJSON(p.Study),
		MeanU95:         cli.Known(p.MeanU95),
		DwellingHeatU95: cli.Known(p.DwellingHeatU95Relative), StudyHeatU95: cli.Known(p.StudyHeatU95Relative),
		SmallestStep: cli.Known(p.Step), SmallestFouling: cli.Known(p.Fouling), SmallestByCleaning: cli.Known(p.CleanedBy),
	}
	if want > 0 {
		for _, c := range choices {
			n := planNeededJSON{ClampU95K: cli.Known(c.clampK)}
			if c.reached {
				n.Dwellings = &c.needed
			}
			line.Needed = append(line.Needed, n)
		}
	}
	return cli.WriteJSONLine(w, line)
}
