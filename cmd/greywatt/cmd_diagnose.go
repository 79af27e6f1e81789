package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"time"

	"github.com/spf13/pflag"

	"greywatt/analysis/finding"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/site"
)

type diagnoseOptions struct {
	site.Flags
	dwellings site.DwellingFlag
	json      bool
}

func diagnoseCommand() cli.Command {
	return cli.Command{
		Name:     "diagnose",
		Example:  "greywatt diagnose --study study.toml --data data",
		Basic:    true,
		Operands: "[DWELLING...]",
		Summary:  "say what is wrong with a unit, its sensors or its piping",
		About: `
Lists the findings of each dwelling, the strongest first: since when, how sure
(a probability), the figures that led to it, and what to check first with the
cautions that belong to it. A dwelling with none is healthy, one with too little
data undecided. Two faults at once are two rows.

With --json each finding is an object on a line of its own.`,
		Codes: []int{cli.ExitInterrupted},
		Verb:  &diagnoseOptions{},
	}
}

func (o *diagnoseOptions) AddFlags(flags *pflag.FlagSet) {
	o.Flags.AddFlags(flags)
	o.Kept.AddFlags(flags)
	o.dwellings.AddFlags(flags)
	o.Period.AddFlags(flags)
	flags.BoolVar(&o.json, "json", false, "write JSON lines instead of text")
}

func (o *diagnoseOptions) Run(ctx context.Context, con *cli.Console, args []string) error {
	s, err := o.Open(con, o.dwellings.With(args))
	if err != nil {
		return err
	}
	defer s.Close()

	out := bufio.NewWriter(con.Out)
	damage := site.DamageReport{Console: con}
	var all []finding.Finding
	for r := range s.Analyse(ctx) {
		if r.Err != nil {
			return r.Err
		}
		damage.AddResult(&r)
		all = append(all, r.Diagnosis.Findings...)
	}
	if o.json {
		for _, f := range all {
			if err := cli.WriteJSONLine(out, asFindingJSON(f)); err != nil {
				return err
			}
		}
	} else if err := writeDiagnosis(out, all, s.Study.Timezone); err != nil {
		return err
	}
	if err := out.Flush(); err != nil {
		return err
	}
	return damage.Err()
}

// writeDiagnosis writes a table at a glance, then each finding in full.
func writeDiagnosis(w io.Writer, findings []finding.Finding, zone *time.Location) error {
	since := func(f finding.Finding) string {
		if f.Since == 0 {
			return ""
		}
		return f.Since.Time().In(zone).Format(time.DateOnly)
	}
	table := cli.NewTable("DWELLING", "FINDING", "SINCE", ">CONFIDENCE")
	for _, f := range findings {
		table.Add(f.Dwelling, string(f.Code), since(f), fmt.Sprintf("%.2f", f.Confidence))
	}
	if err := table.Write(w); err != nil {
		return err
	}
	for _, f := range findings {
		head := f.Dwelling + ": " + string(f.Code)
		if f.Channel != "" {
			head += " (" + f.Channel + ")"
		}
		if s := since(f); s != "" {
			head += " since " + s
		}
		if _, err := fmt.Fprintf(w, "\n%s\n  %s\n  %s\n", head,
			cli.Wrap("Evidence: "+f.Evidence, cli.TextWidth, "    "), cli.Wrap("Advice: "+f.Advice, cli.TextWidth, "    ")); err != nil {
			return err
		}
		if f.Decide != "" {
			if _, err := fmt.Fprintf(w, "  %s\n", cli.Wrap("Would decide: "+f.Decide, cli.TextWidth, "    ")); err != nil {
				return err
			}
		}
		for _, c := range f.Cautions {
			if _, err := fmt.Fprintf(w, "  %s\n", cli.Wrap("Caution: "+c, cli.TextWidth, "    ")); err != nil {
				return err
			}
		}
	}
	return nil
}

type findingJSON struct {
	Dwelling   string    `json:"dwelling"`   // its id
	Finding    string    `json:"finding"`    // see [findings](#findings)
	Since      *string   `json:"since"`      // first moment for which it holds; null: not known
	Confidence cli.Known `json:"confidence"` // probability that it holds
	Evidence   string    `json:"evidence"`   // the figures that led to it
	Advice     string    `json:"advice"`     // what to check first
	Cautions   []string  `json:"cautions"`   // that belong to the work
	Channel    string    `json:"channel"`    // concerned; empty: none
	Decide     string    `json:"decide"`     // what would decide, and how much of it; empty where the finding is sure
}

func asFindingJSON(f finding.Finding) findingJSON {
	return findingJSON{f.Dwelling, string(f.Code), cli.KnownInstant(f.Since), cli.Known(f.Confidence), f.Evidence, f.Advice, append([]string{}, f.Cautions...), f.Channel, f.Decide}
}
