package main

import (
	"context"
	"io"
	"log/slog"
	"sync"
	"time"

	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/live"
	"greywatt/cmd/greywatt/internal/logger"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/cmd/greywatt/internal/watch"
	"greywatt/ingest/store"
)

type watchOptions struct {
	study     site.StudyFlag
	data      site.StoreFlags
	kept      site.KeptFlag
	worker    site.WorkerFlag
	dwellings site.DwellingFlag
	page      logger.PageFlags
}

func watchCommand() cli.Command {
	return cli.Command{
		Name:     "watch",
		Example:  "greywatt watch --study study.toml --data data --http 127.0.0.1:8081",
		Operands: "[DWELLING...]",
		Summary:  "follow what other processes log: the page, events, alarms",
		About: `
Shows the study's page, writes each event as a line once it is over, and tells
of alarms, as run does, for readings that others take in. It logs nothing, and
writes results.sqlite at most (see greywatt help events). The readings come from
a data folder, beside the logger that writes to it, or with --store from an
InfluxDB server, whoever writes there: loggers that share a broker's messages
have no page of their own.

At a start it takes from there what was kept of the history, and analyses the
rest: about a second for each dwelling and year from a data folder and some six
from a server, where nothing is kept. The guards learn from it too. Then it
analyses what is new, looking every second or, on a server, every ten. Readings
that come late are in after some minutes, those on a server after a day at most.

Changes of the study file and the journal are taken up as by run.

--worker and --dwelling show a share of the study. A city is watched by several
of these, each with its share and its address: greywatt watch --worker 2/3
--http 127.0.0.1:8082.`,
		Codes: []int{cli.ExitInterrupted},
		Verb:  &watchOptions{page: logger.PageFlags{Version: programVersion()}},
	}
}

func (o *watchOptions) AddFlags(flags *pflag.FlagSet) {
	o.study.AddFlags(flags)
	o.data.AddFlags(flags)
	o.kept.AddFlags(flags)
	o.worker.AddFlags(flags)
	o.dwellings.AddFlags(flags)
	o.page.AddFlags(flags)
	o.page.Needed = true
}

func (o *watchOptions) Run(ctx context.Context, con *cli.Console, args []string) error {
	hangups := site.Hangups()
	read := o.study.Contents()
	written, err := o.study.ReadWhole()
	if err != nil {
		return err
	}
	o.study.WarnTorn(con, &written)
	study, err := o.share(written.Study, args)
	if err != nil {
		return err
	}
	log := slog.New(slog.NewTextHandler(con.Err, nil))
	from, err := followed(&o.data, con)
	if err != nil {
		return err
	}
	defer from.Close()
	results := o.kept.Log(log, &o.data)
	defer results.Close()
	var past watch.Kept
	shown := live.Config{Study: study, Log: from, Rejected: from, Logger: log}
	if st, ok := from.(*store.Store); ok { // a server has no clocks
		past = site.Past(results, st)
		shown.Quarantine = st.QuarantineCounts
		shown.Clocks = func(ctx context.Context) (live.Clocks, error) {
			clocks, err := logger.ReadClocks(ctx, st)
			return logger.ShownClocks(clocks), err
		}
	}
	files := site.Journal{StudyFlag: &o.study}
	o.page.Journal, o.page.StudyFile, o.page.Sheets = files, files, o.study.SheetsFolder()
	page, err := o.page.Open(con, shown)
	if err != nil {
		return err
	}
	var work sync.WaitGroup
	if page != nil {
		defer page.Listener.Close()
		page.Announce(con)
		work.Go(func() { page.Host(ctx) })
	}
	showing := logger.Show(ctx, page, func(s *greywatt.Study) *watch.Watch {
		cfg := watch.Config{Study: s, Log: from, Kept: past, Logger: log, GiveBack: logger.GiveBack, OnUpdate: func(n watch.Update) { reportUpdate(con, log, s, n) }}
		if o.data.OnServer() {
			cfg.Every = 10 * time.Second
		}
		page.Follow(&cfg)
		return watch.New(cfg)
	}, study)
	work.Go(func() {
		o.study.Follow(ctx, log, hangups, read, func(w site.Written) {
			part, err := o.share(w.Study, args)
			if err != nil {
				log.Error("a change is not taken; what was before goes on", "error", err)
				page.RefuseEdit(err.Error())
				return
			}
			showing.Renew(part)
		}, page.RefuseEdit)
		showing.Wait()
	})
	work.Wait()
	return ctx.Err()
}

// share returns the study with the dwellings that are to be followed.
func (o *watchOptions) share(study *greywatt.Study, operands []string) (*greywatt.Study, error) {
	chosen, err := site.Dwellings(study, o.dwellings.With(operands))
	if err != nil {
		return nil, err
	}
	if chosen, err = o.worker.Choose(chosen); err != nil {
		return nil, err
	}
	part := *study
	part.Dwellings = nil
	for _, d := range chosen {
		part.Dwellings = append(part.Dwellings, *d)
	}
	return &part, nil
}

// A followedStore is being written by others.
type followedStore interface {
	watch.Log
	live.RejectedLog
	io.Closer
}

// followed opens what is named for following.
func followed(f *site.StoreFlags, con *cli.Console) (followedStore, error) {
	if !f.OnServer() {
		return f.DataFlag.Read()
	}
	db, err := f.Server(con)
	if err != nil {
		return nil, err
	}
	return db, nil
}
