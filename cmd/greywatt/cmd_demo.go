package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"runtime"
	"sync/atomic"
	"time"

	"github.com/spf13/pflag"
	"golang.org/x/sync/errgroup"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/analysis/simulate"
	"greywatt/analysis/summary"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/dataset"
	"greywatt/cmd/greywatt/internal/logger"
	"greywatt/cmd/greywatt/internal/publish"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/cmd/greywatt/internal/staging"
	"greywatt/ingest/broker"
	"greywatt/ingest/payload"
	"greywatt/ingest/store"
	"greywatt/plots"
	"greywatt/plots/wording"
)

type demoOptions struct {
	dir  string
	seed uint64
	days int

	page  logger.PageFlags
	flags *pflag.FlagSet
}

// demoDays is long enough for the fouling to be told from chance.
const demoDays = 28

func demoCommand() cli.Command {
	return cli.Command{
		Name:    "demo",
		Example: "greywatt demo",
		Basic:   true,
		Summary: "run a simulated street through the whole program",
		About: `
Invents a street of six dwellings, lets their nodes publish some weeks of
readings over MQTT to the program's own broker, logs them, analyses them, draws
charts and exports the dataset: all that is done with real nodes, faster than
real time. Needs no network and no hardware. The same flags give the same figures.

At a terminal, or where --http is given, the street then goes on at twenty
times real time, and its page is there to be looked at until Ctrl-C.

A folder that an earlier demo made is replaced; any other that is not empty is
left as it is.`,
		Codes: []int{cli.ExitInterrupted},
		Verb:  &demoOptions{page: logger.PageFlags{Version: programVersion()}},
	}
}

func (o *demoOptions) AddFlags(flags *pflag.FlagSet) {
	flags.StringVar(&o.dir, "dir", "greywatt-demo", "the `DIR` to put everything in")
	flags.IntVar(&o.days, "days", demoDays, "`DAYS` to simulate")
	flags.Uint64Var(&o.seed, "seed", 1, "the `NUMBER` that seeds all random values")
	o.page.AddFlags(flags)
	o.flags = flags
}

func (o *demoOptions) Run(ctx context.Context, con *cli.Console, args []string) error {
	if err := cli.NoOperands(args); err != nil {
		return err
	}
	if o.days < 1 || o.days > 366 {
		return cli.Usagef("--days %d: want 1 to 366", o.days)
	}
	if o.stays(con) {
		if err := o.page.CheckFree(con); err != nil {
			return err
		}
	}
	if err := o.clear(); err != nil {
		return err
	}
	street := simulate.Demo(o.seed, o.days, demoZone())
	studyFile := filepath.Join(o.dir, "study.toml")
	err := staging.WriteFile(studyFile, func(w io.Writer) error { return simulate.WriteStudy(w, &street.Study) })
	if err != nil {
		return err
	}
	flag := site.StudyFlag{File: studyFile}
	study, err := flag.Read() // as everybody reads it
	if err != nil {
		return err
	}
	st, err := store.Open(filepath.Join(o.dir, "data"), store.Options{})
	if err != nil {
		return err
	}
	defer st.Close()
	if err := o.log(ctx, con, st, study, street); err != nil {
		return err
	}
	if err := o.report(ctx, con, st, study); err != nil {
		return err
	}
	_, err = fmt.Fprintf(con.Out, `
Charts are in %s, the dataset is in %s.
Next: %s events --study %s --data %s --kind shower
`, filepath.Join(o.dir, "charts"), filepath.Join(o.dir, "dataset"), con.Name, studyFile, filepath.Join(o.dir, "data"))
	if err != nil || !o.stays(con) {
		return err
	}
	return o.goOn(ctx, con, st, study, street)
}

// marker is a file that marks a folder as one that may be replaced.
const marker = ".greywatt-demo"

// clear makes the folder, or empties one that an earlier demo made.
func (o *demoOptions) clear() error {
	entries, err := os.ReadDir(o.dir)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if len(entries) > 0 {
		if _, err := os.Stat(filepath.Join(o.dir, marker)); err != nil {
			return cli.Usagef("%s holds something else; name another folder with --dir", o.dir)
		}
		for _, name := range []string{"data", "charts", "dataset", "study.toml"} {
			if err := os.RemoveAll(filepath.Join(o.dir, name)); err != nil {
				return err
			}
		}
	}
	return staging.WriteFile(filepath.Join(o.dir, marker), func(w io.Writer) error {
		_, err := io.WriteString(w, "greywatt demo made this folder and may replace it\n")
		return err
	})
}

// log runs the street's nodes against a logger with its own broker.
func (o *demoOptions) log(ctx context.Context, con *cli.Console, st *store.Store, study *greywatt.Study, street *simulate.Street) error {
	began := time.Now()
	_, end := street.Houses[0].Span()
	l := logger.New(st, study, payload.DefaultPrefix, slog.New(slog.NewTextHandler(con.Err, &slog.HandlerOptions{Level: slog.LevelWarn})),
		end.Time, true, nil, logger.Options{}) // the street's clock, whatever ours says
	if err := l.Listen(broker.Config{Addr: "127.0.0.1:0", Prefix: payload.DefaultPrefix}); err != nil {
		return err
	}
	logging, stop := context.WithCancel(ctx)
	defer stop()
	done := make(chan error, 1)
	go func() { done <- l.Run(logging) }()

	fmt.Fprintf(con.Out, "%s of %s publish SenML over MQTT to %s\n", wording.Count(o.days, "day"), wording.Count(len(street.Houses), "dwelling"), l.Broker.URL())
	bar := con.Progress(int64(o.days*len(street.Houses)), "days of a dwelling logged")
	var passed atomic.Int64
	nodes, ctx := errgroup.WithContext(ctx)
	nodes.SetLimit(2 * runtime.GOMAXPROCS(0))
	for _, h := range street.Houses {
		nodes.Go(func() error {
			return publish.House(ctx, l.Broker.URL(), payload.DefaultPrefix, h, func() { bar.Set64(passed.Add(1)) })
		})
	}
	err := nodes.Wait()
	bar.Finish()
	stop()
	if err := errors.Join(err, <-done); err != nil {
		return err
	}
	s := l.Committer.Status()
	took := time.Since(began)
	fmt.Fprintf(con.Out, "%d readings on disk in %.1f s (%.0f a second), each acknowledged after its commit\n\n",
		s.New, took.Seconds(), float64(s.New)/took.Seconds())
	return nil
}

// report analyses what was logged: a table, charts, the dataset.
func (o *demoOptions) report(ctx context.Context, con *cli.Console, st *store.Store, study *greywatt.Study) error {
	chosen, err := site.Dwellings(study, nil)
	if err != nil {
		return err
	}
	out := filepath.Join(o.dir, "dataset")
	p := dataset.New(study, version, out)
	defer p.Close()
	table := newEventTable(study.Timezone)
	kinds := map[event.Kind]int{}
	var findings []finding.Finding
	overview := plots.OverviewChart{Study: study.Name, Location: study.Timezone}
	for r := range site.Analyse(ctx, st, study, chosen, site.Period{}) {
		if r.Err != nil {
			return r.Err
		}
		if err := p.Add(r.Events, r.Diagnosis); err != nil {
			return err
		}
		sums := summary.OfDwelling(r.Dwelling, study.Timezone, r.Events, r.Diagnosis.Findings)
		if err := p.AddDwelling(r.Dwelling, &sums); err != nil {
			return err
		}
		findings = append(findings, r.Diagnosis.Findings...)
		for i := range r.Events {
			kinds[r.Events[i].Kind]++
		}
		for _, e := range lastMeasured(r.Events, 2) {
			table.add(e)
			if err := o.writeEventChart(ctx, con, st, study, e.ID); err != nil {
				return err
			}
		}
		trend := plots.TrendChart{
			Dwelling: *r.Dwelling, Points: r.Diagnosis.Trend, Findings: r.Diagnosis.Findings, Location: study.Timezone,
		}
		if err := o.writeChart(r.Dwelling.ID+"-trend", trend); err != nil {
			return err
		}
		overview.Dwellings = append(overview.Dwellings, trend)
	}
	if err := o.writeChart("overview", overview); err != nil {
		return err
	}
	fmt.Fprintf(con.Out, "%s and %s found; the last two showers of each dwelling:\n\n",
		wording.Count(kinds[event.Shower], "shower"), wording.Count(kinds[event.OtherDraw], "other draw"))
	if err := table.text.Write(con.Out); err != nil {
		return err
	}
	fmt.Fprintln(con.Out)
	if err := writeFindings(con.Out, findings, study.Timezone); err != nil {
		return err
	}
	return p.Write(out)
}

func (o *demoOptions) writeEventChart(ctx context.Context, con *cli.Console, st *store.Store, study *greywatt.Study, id string) error {
	event, trace, err := site.TraceEvent(ctx, con, st, study, id)
	if err != nil {
		return err
	}
	chart := plots.EventChart{Event: event, Trace: trace, Location: study.Timezone}
	return o.writeChart(id, chart)
}

func (o *demoOptions) writeChart(name string, chart plots.Chart) error {
	return staging.WriteFile(filepath.Join(o.dir, "charts", name+".svg"), func(w io.Writer) error {
		return plots.Write(w, plots.Output{}, chart)
	})
}

// lastMeasured returns the last n showers that have an effectiveness.
func lastMeasured(events []event.Event, n int) []*event.Event {
	var last []*event.Event
	for i := len(events) - 1; i >= 0 && len(last) < n; i-- {
		if e := &events[i]; e.Kind == event.Shower && e.Effectiveness == e.Effectiveness {
			last = append([]*event.Event{e}, last...)
		}
	}
	return last
}

// writeFindings writes findings as a table.
func writeFindings(w io.Writer, findings []finding.Finding, zone *time.Location) error {
	table := cli.NewTable("DWELLING", "FINDING", "SINCE", ">CONFIDENCE", "EVIDENCE")
	for _, f := range findings {
		since := ""
		if f.Since != 0 {
			since = f.Since.Time().In(zone).Format(time.DateOnly)
		}
		table.Add(f.Dwelling, string(f.Code), since, cli.Figure(f.Confidence, 2), f.Evidence)
	}
	return table.Write(w)
}
