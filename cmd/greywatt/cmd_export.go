package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"greywatt/analysis"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/analysis/summary"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/dataset"
	"greywatt/cmd/greywatt/internal/logger"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/ingest/influx"
	"greywatt/ingest/store"
	"greywatt/plots/wording"
)

type exportOptions struct {
	site.Flags
	mirror string
	out    string
	hide   disclosureFlags
}

func exportCommand() cli.Command {
	return cli.Command{
		Name:    "export",
		Example: "greywatt export --study study.toml --data data --out dataset",
		Basic:   true,
		Summary: "write events, findings and trend as a dataset for others",
		About: `
Analyses all readings and writes into a folder:

  events.csv, events.parquet  a row an event
  findings.csv                what is wrong with a unit, its sensors or piping
  trend.csv                   each unit's conductance, event by event
  dwellings.csv, monthly.csv  the dwellings, and their sums by month
  uncertainty.csv             what the uncertainty of those sums consists of
  yearly.csv, work.csv        what a year would bring; before and after work
  journal.csv, codes.csv      facts of the journal; flags and findings in words
  README.md                   all of this for readers, column by column
  datapackage.json            every column's unit, type and meaning
                              (Frictionless Tabular Data Package v1)

Where the study file has [dataset] (title, licence, contributors and so on, see
greywatt help study-file), also CITATION.cff (Citation File Format 1.2.0),
datacite.json (DataCite Metadata Schema 4) and ro-crate-metadata.json (RO-Crate
1.1). What stands there is published as it stands.

Files of these names are replaced, once all of them are complete. The same
readings give the same bytes. It may run beside the logger.

With --store the readings come from an InfluxDB server, and events and findings
are written there too, in the place of those of an earlier export; then --out
may be left out. With --mirror they are written to the mirror of the data
folder. With --worker the dwellings are shared among several processes, each of
which exports its own; the results are the same whoever has a dwelling.

A dataset as it is says who showered when. With --pseudonyms dwellings and
events have names that tell nothing, made with a key that is kept in the data
folder (pseudonyms.key, for its owner's eyes alone), and the study's name is
left out; times stay exact. The tables of dwellings, months, uncertainty, years,
work and journal are left out too: they say which dwelling is which.

With --public it is fit to publish. Times are days: a day is enough for seasons
and for fouling, an hour says when nobody is at home. What points at one home is
left out: dwellings whose connection and exchanger fewer than --min-group
dwellings share; days (or what --coarsen says) in which fewer have an event;
findings, beginnings of findings, and flags that fewer have, or sets of such as
tell the sensors; dates in the evidence, and the trend's segments. Five is
common practice. What this does not do: figures are exact, so who knows some of
them from elsewhere finds the home, as each participant finds their own; a home
without events on a day may have been empty, and a step in its figures says when
its unit was cleaned: --coarsen month hides these days; datasets made with one
key can be joined. risk.csv counts how many homes each of such facts points at:
read it before you publish. datapackage.json says all this too. Never publish
the key. Neither option writes anything to a server.

    greywatt export --public --data data --out public`,
		Codes: []int{cli.ExitInterrupted},
		Verb:  &exportOptions{},
	}
}

func (o *exportOptions) AddFlags(flags *pflag.FlagSet) {
	o.Flags.AddFlags(flags)
	o.Kept.AddFlags(flags)
	flags.StringVar(&o.mirror, "mirror", "", "also write events and findings to the InfluxDB bucket at `URL`")
	cli.ForServers(flags, "mirror")
	o.Worker.AddFlags(flags)
	flags.StringVar(&o.out, "out", "", "the `DIR` to write into (required without a server)")
	o.hide.AddFlags(flags)
}

func (o *exportOptions) Run(ctx context.Context, con *cli.Console, args []string) error {
	if err := cli.NoOperands(args); err != nil {
		return err
	}
	if o.out == "" && !o.Data.OnServer() && o.mirror == "" {
		return cli.Usagef("say where to: --out DIR")
	}
	if o.Data.OnServer() && o.mirror != "" {
		return cli.Usagef("with --store the results go there; a mirror is of a data folder")
	}
	if err := o.hide.check(o); err != nil {
		return err
	}
	s, err := o.Open(con, nil)
	if err != nil {
		return err
	}
	defer s.Close()
	server, err := o.server(con, s.Readings)
	if err != nil {
		return err
	}
	if server != nil {
		defer server.Close()
	}

	var p *dataset.Package // nil where only a server is written to
	if o.out != "" {
		if p, err = o.hide.open(ctx, con, o, s.Readings, s.Study); err != nil {
			return err
		}
		defer p.Close()
		if st, ok := s.Readings.(*store.Store); ok { // a server has no notes
			arrivals, err := logger.ReadArrivals(ctx, st)
			if err != nil {
				return err
			}
			p.SetArrivals(arrivals)
			packs, err := logger.ReadPacks(ctx, st)
			if err != nil {
				return err
			}
			missing := map[string]float64{}
			for _, n := range packs {
				missing[n.Dwelling] += float64(n.Missing())
			}
			p.SetMissingPacks(missing)
		}
	}
	if p != nil {
		if err := o.describe(p); err != nil {
			return err
		}
	}
	bar := con.Progress(int64(len(s.Chosen)), "dwellings analysed")
	damage := site.DamageReport{Console: con}
	events, findings := 0, 0
	for r := range s.AnalyseCompact(ctx) {
		if r.Err != nil {
			return r.Err
		}
		damage.AddResult(&r)
		events += r.History.Len()
		findings += len(r.Diagnosis.Findings)
		if p != nil {
			if err := addTo(p, &r, s.Study.Timezone); err != nil {
				return err
			}
		}
		if server != nil {
			if err := site.WriteResults(ctx, server, &r); err != nil {
				return fmt.Errorf("dwelling %s: %w", r.Dwelling.ID, err)
			}
		}
		bar.Add(1)
	}
	bar.Finish()
	var written []string
	if p != nil {
		if err := o.hide.explain(p.Write(o.out)); err != nil {
			return err
		}
		written = append(written, o.out)
	}
	if server != nil {
		written = append(written, server.String())
	}
	fmt.Fprintf(con.Out, "%s: %s, %s of %s\n", strings.Join(written, ", "), wording.Count(events, "event"), wording.Count(findings, "finding"), wording.Count(len(s.Chosen), "dwelling"))
	if p != nil {
		if left := p.Withheld(); left.Dwellings+left.Events > 0 {
			fmt.Fprintf(con.Out, "left out of it, as fewer than %d dwellings share what they tell: %s, %s in all\n", o.hide.minGroup, wording.Count(left.Dwellings, "dwelling"), wording.Count(left.Events, "event"))
		}
	}
	return damage.Err()
}

// describe adds what is known of the dataset before anything is analysed.
func (o *exportOptions) describe(p *dataset.Package) error {
	facts, err := o.Facts()
	if err != nil {
		return err
	}
	build := dataset.Build{Program: programVersion(), Method: analysis.MethodVersion}
	for _, in := range o.Inputs() {
		build.Inputs = append(build.Inputs, dataset.Input{Name: in.Name, Hash: in.Hash})
	}
	p.MadeBy(build)
	return p.AddJournal(facts)
}

// addTo adds a result to a package, one event in memory at a time.
func addTo(p *dataset.Package, r *site.Result, zone *time.Location) error {
	sums := summary.NewCollector(r.Dwelling, zone, r.Diagnosis.Findings)
	for e := range r.All() {
		if err := p.Add([]event.Event{*e}, finding.Diagnosis{}); err != nil {
			return err
		}
		sums.Add(e)
	}
	if err := p.Add(nil, r.Diagnosis); err != nil {
		return err
	}
	dwelling := sums.Dwelling()
	if err := p.AddDwelling(r.Dwelling, &dwelling); err != nil {
		return err
	}
	findings := r.Diagnosis.All()
	year := summary.OfYear(r.Dwelling, zone, r.All(), findings, &dwelling.Summary, &r.Completeness)
	return p.AddYear(r.Dwelling.ID, &year, summary.OfWork(r.Dwelling, zone, r.All(), findings))
}

// server returns where results are to be written besides, nil if nowhere.
func (o *exportOptions) server(con *cli.Console, from site.ReadingStore) (*influx.DB, error) {
	if db, ok := from.(*influx.DB); ok && !o.hide.on() {
		return db, nil
	}
	if o.mirror == "" {
		return nil, nil
	}
	return o.Data.Influx.Open(con, "mirror", o.mirror)
}
