package main

import (
	"context"
	"fmt"

	"github.com/spf13/pflag"

	"greywatt/cmd/greywatt/internal/dataset"
)

type exportOptions struct {
	study studyFlag
	data  dataFlag
	out   string
}

func exportCommand() command {
	return command{
		name:    "export",
		summary: "write events, findings and trend as a dataset for others",
		about: `
Analyses all readings and writes into a folder:

  events.csv, events.parquet  a row an event
  findings.csv                what is wrong with a unit, its sensors or piping
  trend.csv                   each unit's conductance, event by event
  datapackage.json            every column's unit, type and meaning
                              (Frictionless Tabular Data Package v1)

Files of these names are replaced, once all of them are complete. The same
readings give the same bytes. It may run beside the logger.`,
		codes: []int{exitInterrupted},
		verb:  &exportOptions{},
	}
}

func (o *exportOptions) addFlags(flags *pflag.FlagSet) {
	o.study.addFlags(flags)
	o.data.addFlags(flags)
	flags.StringVar(&o.out, "out", "", "the `DIR` to write into (required)")
}

func (o *exportOptions) run(ctx context.Context, con *console, args []string) error {
	if err := noOperands(args); err != nil {
		return err
	}
	if o.out == "" {
		return usagef("say where to: --out DIR")
	}
	study, err := o.study.read()
	if err != nil {
		return err
	}
	chosen, err := dwellings(study, nil)
	if err != nil {
		return err
	}
	st, err := o.data.read()
	if err != nil {
		return err
	}
	defer st.Close()

	p := dataset.New(study, version)
	bar := con.progress(int64(len(chosen)), "dwellings analysed")
	damage := damageReport{con: con}
	events, findings := 0, 0
	for r := range analyse(ctx, st, study, chosen, period{}) {
		if r.err != nil {
			return r.err
		}
		damage.add(r)
		events += len(r.events)
		findings += len(r.diagnosis.Findings)
		p.Add(r.events, r.diagnosis)
		bar.Add(1)
	}
	bar.Finish()
	if err := p.Write(o.out); err != nil {
		return err
	}
	fmt.Fprintf(con.out, "%s: %s, %s of %s\n", o.out, plural(events, "event"), plural(findings, "finding"), plural(len(chosen), "dwelling"))
	return damage.err()
}
