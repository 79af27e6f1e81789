package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"github.com/spf13/pflag"

	"greywatt/analysis/commission"
	"greywatt/analysis/event"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/sheet"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/cmd/greywatt/internal/staging"
	"greywatt/plots"
)

type commissionOptions struct {
	site.Flags
	dwelling site.DwellingFlag
	last     int
	sheet    string
	kept     bool
	json     bool
}

func commissionCommand() cli.Command {
	return cli.Command{
		Name:     "commission",
		Example:  "greywatt commission larch-04 --study study.toml --data data --sheet sheet.pdf",
		Operands: "DWELLING",
		Summary:  "say whether a unit does what its certificate says",
		About: `
Judges one unit by its last few showers, or by one run of ten minutes with
nothing else drawing: pass, fail or cannot tell, at the flows and temperatures
that it had. A unit passes that reaches ` + fmt.Sprintf("%.2f", commission.LeastRatio) + ` of the certificate's
effectiveness (the project's choice) with no more than one chance in twenty that
it does not; it fails the other way round. Between the two it cannot be told:
then the command says what would decide, such as so many showers more or a zero
check of the clamps. Clamps in each other's place are named before anything is
judged. Only the last days are read, as many as those showers take.

--sheet writes a sheet to leave on site: .svg, .png or .pdf. Where the page kept a
handover of the same showers, its answers, remarks and signatures are on it.
--kept goes by the showers of the newest handover that the page kept, so that its
sheet is made again. A .png is in print resolution, 288 dots to the inch.`,
		Codes: []int{cli.ExitInterrupted},
		Verb:  &commissionOptions{},
	}
}

func (o *commissionOptions) AddFlags(flags *pflag.FlagSet) {
	o.Flags.AddFlags(flags)
	o.dwelling.AddFlags(flags)
	flags.IntVar(&o.last, "showers", 5, "judge by the last `N` showers that have a minute of steady flow")
	o.Period.AddFlags(flags)
	flags.StringVar(&o.sheet, "sheet", "", "also write a page to `FILE`")
	flags.BoolVar(&o.kept, "kept", false, "judge by the showers of the newest handover that the page kept")
	flags.BoolVar(&o.json, "json", false, "write JSON instead of text")
}

func (o *commissionOptions) Run(ctx context.Context, con *cli.Console, args []string) error {
	id, err := o.dwelling.One(args)
	if err != nil {
		return err
	}
	if o.last < 1 {
		return cli.Usagef("--showers %d: want 1 or more", o.last)
	}
	var format plots.Format
	if o.sheet != "" {
		if format, err = chartFormat("sheet", o.sheet); err != nil {
			return err
		}
	}
	s, err := o.Open(con, []string{id})
	if err != nil {
		return err
	}
	defer s.Close()

	kept := sheet.Folder(o.SheetsFolder())
	if o.kept {
		record, err := kept.Newest(id, nil)
		if err != nil {
			return err
		}
		if record == nil {
			return cli.Usagef("--kept: the page has kept no handover of %s in %s", id, kept)
		}
		o.last, s.Period.To = record.Showers, record.Instant()
	}
	damage := site.DamageReport{Console: con}
	r, begun, err := s.AnalyseRecent(ctx, s.Chosen[0], func(events []event.Event) bool { return commission.Enough(events, o.last) })
	if err != nil {
		return err
	}
	damage.AddResult(&r)
	c := commission.Judge(s.Study, s.Chosen[0], begun, r.Events, o.last)
	if o.json {
		enc := json.NewEncoder(con.Out)
		enc.SetIndent("", "  ")
		err = enc.Encode(asCommissionJSON(&c))
	} else {
		err = writeCommission(con.Out, &c)
	}
	if err != nil {
		return err
	}
	if o.sheet != "" {
		var chart *plots.EventChart
		if n := len(c.Events); n > 0 {
			event, trace, err := site.TraceEvent(ctx, con, s.Readings, s.Study, c.Events[n-1])
			if err != nil {
				return err
			}
			chart = &plots.EventChart{Event: event, Trace: trace, Location: s.Study.Timezone}
		}
		facts, err := o.Facts()
		if err != nil {
			return err
		}
		now := s.Chosen[0].Last()
		in := &sheet.Input{
			Study: s.Study, Dwelling: now, Result: &c, Events: judged(r.Events, c.Events), Chart: chart, Facts: facts, Serial: now.Exchanger.Serial, Version: programVersion(),
		}
		record, err := kept.Newest(id, asList(c.Events))
		if err != nil {
			return err
		}
		if record != nil {
			record.Fill(in)
			if code := sheet.Code(in); code != record.Code {
				fmt.Fprintf(con.Err, "the sheet's check code is %s, and was %s when it was signed on %s: figures or description have changed since\n", code, record.Code, record.At)
			}
		}
		made := sheet.Make(in)
		err = staging.WriteFile(o.sheet, func(w io.Writer) error {
			return plots.Write(w, plots.Output{Format: format, Density: density(format)}, made)
		})
		if err != nil {
			return fmt.Errorf("sheet: %w", err)
		}
	}
	return damage.Err()
}

// density is that of a sheet: for printing, where the format has one.
func density(f plots.Format) int {
	if f == plots.PNG {
		return sheet.PrintDensity
	}
	return 0
}

// judged returns the events of the given ids.
func judged(events []event.Event, ids []string) (out []event.Event) {
	for i := range events {
		if slices.Contains(ids, events[i].ID) {
			out = append(out, events[i])
		}
	}
	return out
}

func writeCommission(w io.Writer, c *commission.Result) error {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: %s\n%s\n", c.Dwelling, strings.ToUpper(string(c.Verdict)), c.Reason)
	if !math.IsNaN(c.Ratio) {
		fmt.Fprintf(&b, "\n  effectiveness  %s   expected %s\n  ratio          %s   limit %.2f\n  showers        %s\n",
			cli.WithU95(c.Effectiveness, c.EffectivenessU95, 3), cli.WithU95(c.Expected, c.ExpectedU95, 3),
			cli.WithU95(c.Ratio, c.RatioU95, 3), c.LeastRatio, strings.Join(c.Events, ", "))
	}
	for _, f := range c.Findings {
		fmt.Fprintf(&b, "\n%s (confidence %.2f): %s\n", f.Code, f.Confidence, f.Evidence)
		if f.Decide != "" {
			fmt.Fprintf(&b, "  would decide: %s\n", f.Decide)
		}
	}
	if c.Decide != "" {
		fmt.Fprintf(&b, "\nwhat would decide: %s\n", c.Decide)
	}
	fmt.Fprintln(&b, "\nlook at:")
	for _, t := range c.Checks {
		fmt.Fprintf(&b, "  - %s\n", t)
	}
	fmt.Fprintln(&b, "\ncautions:")
	for _, t := range c.Cautions {
		fmt.Fprintf(&b, "  - %s\n", t)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// commissionJSON names the figures as the export does.
type commissionJSON struct {
	Dwelling string   `json:"dwelling"`  // its id
	Verdict  string   `json:"verdict"`   // see [verdicts of commission](#verdicts-of-commission)
	Reason   string   `json:"reason"`    // in words and numbers
	EventIDs []string `json:"event_ids"` // of the showers judged

	FlowLMin         cli.Known `json:"flow_l_min"`        // mains side
	WasteFlowLMin    cli.Known `json:"waste_flow_l_min"`  // waste side
	Effectiveness    cli.Known `json:"effectiveness"`     // heat-weighted over the showers
	EffectivenessU95 cli.Known `json:"effectiveness_u95"` // its expanded uncertainty
	Expected         cli.Known `json:"expected"`          // of the rating, at those flows
	ExpectedU95      cli.Known `json:"expected_u95"`      // its expanded uncertainty
	Ratio            cli.Known `json:"ratio"`             // measured over expected
	RatioU95         cli.Known `json:"ratio_u95"`         // its expanded uncertainty
	LeastRatio       cli.Known `json:"least_ratio"`       // that a sound installation reaches

	Findings []commissionFindingJSON `json:"findings"` // what the showers show besides
	Decide   string                  `json:"decide"`   // what would decide where it cannot be told, else empty
	Checks   []string                `json:"checks"`   // what to look at, first things first
	Cautions []string                `json:"cautions"` // that belong to the work
}

type commissionFindingJSON struct {
	Finding    string    `json:"finding"`    // see [findings](#findings)
	Confidence cli.Known `json:"confidence"` // probability that it holds
	Evidence   string    `json:"evidence"`   // the figures that led to it
	Advice     string    `json:"advice"`     // what to check first
	Cautions   []string  `json:"cautions"`   // that belong to the work
	Decide     string    `json:"decide"`     // what would decide it, empty where it is sure
}

func asCommissionJSON(c *commission.Result) commissionJSON {
	out := commissionJSON{
		Dwelling: c.Dwelling, Verdict: string(c.Verdict), Reason: c.Reason, EventIDs: asList(c.Events),
		FlowLMin: cli.Known(c.FlowLMin), WasteFlowLMin: cli.Known(c.WasteFlowLMin),
		Effectiveness: cli.Known(c.Effectiveness), EffectivenessU95: cli.Known(c.EffectivenessU95),
		Expected: cli.Known(c.Expected), ExpectedU95: cli.Known(c.ExpectedU95),
		Ratio: cli.Known(c.Ratio), RatioU95: cli.Known(c.RatioU95), LeastRatio: cli.Known(c.LeastRatio),
		Findings: []commissionFindingJSON{}, Decide: c.Decide, Checks: asList(c.Checks), Cautions: asList(c.Cautions),
	}
	for _, f := range c.Findings {
		out.Findings = append(out.Findings, commissionFindingJSON{string(f.Code), cli.Known(f.Confidence), f.Evidence, f.Advice, asList(f.Cautions), f.Decide})
	}
	return out
}

// asList is a list that JSON writes as such, with nothing in it too.
func asList(words []string) []string { return append([]string{}, words...) }
