package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"time"

	"github.com/spf13/pflag"

	"greywatt/analysis/finding"
)

type diagnoseOptions struct {
	siteFlags
	json bool
}

func diagnoseCommand() command {
	return command{
		name:     "diagnose",
		operands: "[DWELLING...]",
		summary:  "say what is wrong with a unit, its sensors or its piping",
		about: `
Lists the findings of each dwelling, the strongest first: since when, how sure
(a probability), the figures that led to it, and what to check first with the
cautions that belong to it. A dwelling with none is healthy, one with too little
data undecided. Two faults at once are two rows.

With --json each finding is an object on a line of its own.`,
		codes: []int{exitInterrupted},
		verb:  &diagnoseOptions{},
	}
}

func (o *diagnoseOptions) addFlags(flags *pflag.FlagSet) {
	o.siteFlags.addFlags(flags)
	o.period.addFlags(flags)
	flags.BoolVar(&o.json, "json", false, "write JSON lines instead of text")
}

func (o *diagnoseOptions) run(ctx context.Context, con *console, args []string) error {
	s, err := o.open(con, args)
	if err != nil {
		return err
	}
	defer s.close()

	out := bufio.NewWriter(con.out)
	damage := damageReport{con: con}
	var all []finding.Finding
	for r := range s.analyse(ctx) {
		if r.err != nil {
			return r.err
		}
		damage.add(r)
		all = append(all, r.diagnosis.Findings...)
	}
	if o.json {
		for _, f := range all {
			if err := writeJSONLine(out, asFindingJSON(f)); err != nil {
				return err
			}
		}
	} else if err := writeDiagnosis(out, all, s.study.Timezone); err != nil {
		return err
	}
	if err := out.Flush(); err != nil {
		return err
	}
	return damage.err()
}

// writeDiagnosis writes a table at a glance, then each finding in full.
func writeDiagnosis(w io.Writer, findings []finding.Finding, zone *time.Location) error {
	since := func(f finding.Finding) string {
		if f.Since == 0 {
			return ""
		}
		return f.Since.Time().In(zone).Format(time.DateOnly)
	}
	table := newTextTable("DWELLING", "FINDING", "SINCE", ">CONFIDENCE")
	for _, f := range findings {
		table.add(f.Dwelling, string(f.Code), since(f), fmt.Sprintf("%.2f", f.Confidence))
	}
	if err := table.write(w); err != nil {
		return err
	}
	for _, f := range findings {
		head := f.Dwelling + ": " + string(f.Code)
		if s := since(f); s != "" {
			head += " since " + s
		}
		if _, err := fmt.Fprintf(w, "\n%s\n  %s\n  %s\n", head,
			wrapText("Evidence: "+f.Evidence, textWidth, "    "), wrapText("Advice: "+f.Advice, textWidth, "    ")); err != nil {
			return err
		}
		for _, c := range f.Cautions {
			if _, err := fmt.Fprintf(w, "  %s\n", wrapText("Mind: "+c, textWidth, "    ")); err != nil {
				return err
			}
		}
	}
	return nil
}

type findingJSON struct {
	Dwelling   string   `json:"dwelling"`   // its id
	Finding    string   `json:"finding"`    // see [findings](#findings)
	Since      *string  `json:"since"`      // first moment for which it holds; null: not known
	Confidence known    `json:"confidence"` // probability that it holds
	Evidence   string   `json:"evidence"`   // the figures that led to it
	Advice     string   `json:"advice"`     // what to check first
	Cautions   []string `json:"cautions"`   // that belong to the work
}

func asFindingJSON(f finding.Finding) findingJSON {
	return findingJSON{f.Dwelling, string(f.Code), knownInstant(f.Since), known(f.Confidence), f.Evidence, f.Advice, append([]string{}, f.Cautions...)}
}
