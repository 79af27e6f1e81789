package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/pflag"

	"greywatt/cmd/greywatt/internal/dataset"
	"greywatt/ingest/influx"
)

type exportOptions struct {
	study  studyFlag
	data   storeFlags
	mirror string
	worker workerFlag
	out    string
	hide   disclosureFlags
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
readings give the same bytes. It may run beside the logger.

With --store the readings come from an InfluxDB server, and events and findings
are written there too, in the place of those of an earlier export; then --out
may be left out. With --mirror they are written to the mirror of the data
folder. With --worker the dwellings are shared among several processes, each of
which exports its own; the results are the same whoever has a dwelling.

As it is, a dataset says who showered when. --pseudonyms puts names that tell
nothing in the place of dwellings' and events' ids, by a key that the data
folder keeps in pseudonyms.key, and leaves the study's name out. --public makes
a dataset to publish. Besides, it gives times as days only: which day matters
for season and fouling, at which hour somebody is at home to no one. And it
leaves out what points at one home: dwellings whose connection and exchanger are
those of fewer than --min-group dwellings, and then days on which fewer have an
event; five is common practice. It does not hide the figures: who knows some
from elsewhere, a participant for one, finds the rows. Nor that a home had no
event for days: --coarsen month does. Both only with a key that is not
published; what was published with one key can be held side by side.`,
		codes: []int{exitInterrupted},
		verb:  &exportOptions{},
	}
}

func (o *exportOptions) addFlags(flags *pflag.FlagSet) {
	o.study.addFlags(flags)
	o.data.addFlags(flags)
	flags.StringVar(&o.mirror, "mirror", "", "also write events and findings to the InfluxDB bucket at `URL`")
	o.worker.addFlags(flags)
	flags.StringVar(&o.out, "out", "", "the `DIR` to write into (required without a server)")
	o.hide.addFlags(flags)
}

func (o *exportOptions) run(ctx context.Context, con *console, args []string) error {
	if err := noOperands(args); err != nil {
		return err
	}
	if o.out == "" && !o.data.onServer() && o.mirror == "" {
		return usagef("say where to: --out DIR")
	}
	if o.data.onServer() && o.mirror != "" {
		return usagef("with --store the results go there; a mirror is of a data folder")
	}
	if err := o.hide.check(o); err != nil {
		return err
	}
	study, err := o.study.read()
	if err != nil {
		return err
	}
	chosen, err := dwellings(study, nil)
	if err != nil {
		return err
	}
	if chosen, err = o.worker.choose(chosen); err != nil {
		return err
	}
	st, err := o.data.read(con)
	if err != nil {
		return err
	}
	defer st.Close()
	server, err := o.server(con, st)
	if err != nil {
		return err
	}
	if server != nil {
		defer server.Close()
	}

	p, err := o.hide.open(ctx, con, o.data.dir, st, study)
	if err != nil {
		return err
	}
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
		if server != nil {
			if err := writeResults(ctx, server, &r); err != nil {
				return fmt.Errorf("dwelling %s: %w", r.dwelling.ID, err)
			}
		}
		bar.Add(1)
	}
	bar.Finish()
	var written []string
	if o.out != "" {
		if err := o.hide.explain(p.Write(o.out)); err != nil {
			return err
		}
		written = append(written, o.out)
	}
	if server != nil {
		written = append(written, server.String())
	}
	fmt.Fprintf(con.out, "%s: %s, %s of %s\n", strings.Join(written, ", "), plural(events, "event"), plural(findings, "finding"), plural(len(chosen), "dwelling"))
	if left := p.Withheld(); left != (dataset.Withheld{}) {
		fmt.Fprintf(con.out, "left out of it, as fewer than %d dwellings share what they tell: %s, %s in all\n", o.hide.minGroup, plural(left.Dwellings, "dwelling"), plural(left.Events, "event"))
	}
	return damage.err()
}

// server returns where results are to be written besides, nil if nowhere.
func (o *exportOptions) server(con *console, from readingStore) (*influx.DB, error) {
	if db, ok := from.(*influx.DB); ok && !o.hide.on() {
		return db, nil
	}
	if o.mirror == "" {
		return nil, nil
	}
	return o.data.influx.open(con, "mirror", o.mirror)
}
