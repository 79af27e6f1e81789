package main

import (
	"context"
	"io"
	"log/slog"
	"sync"
	"time"

	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/cmd/greywatt/internal/live"
	"greywatt/cmd/greywatt/internal/watch"
	"greywatt/ingest/store"
)

type watchOptions struct {
	study     studyFlag
	data      storeFlags
	worker    workerFlag
	dwellings []string
	page      pageFlags
}

func watchCommand() command {
	return command{
		name:    "watch",
		summary: "follow what other processes log: the page, events, alarms",
		about: `
Shows the study's page, writes each event as a line once it is over, and tells
of alarms, as run does, for readings that others take in. It logs nothing and
writes nothing. The readings come from a data folder, beside the logger that
writes to it, or with --store from an InfluxDB server, whoever writes there:
loggers that share a broker's messages have no page of their own.

At a start it analyses the whole history, about a second for each dwelling and
year from a data folder and some six from a server, from which the guards learn
too; then what is new, looking every second or, on a server, every ten. Readings
that come late are in after some minutes, those on a server after a day at most.

--worker and --dwelling show a share of the study. A city is watched by several
of these, each with its share and its address: greywatt watch --worker 2/3
--http 127.0.0.1:8082.`,
		codes: []int{exitInterrupted},
		verb:  &watchOptions{},
	}
}

func (o *watchOptions) addFlags(flags *pflag.FlagSet) {
	o.study.addFlags(flags)
	o.data.addFlags(flags)
	o.worker.addFlags(flags)
	flags.StringSliceVar(&o.dwellings, "dwelling", nil, "only the dwelling `ID`; may be repeated")
	o.page.addFlags(flags)
	o.page.needed = true
}

func (o *watchOptions) run(ctx context.Context, con *console, args []string) error {
	if err := noOperands(args); err != nil {
		return err
	}
	study, err := o.share()
	if err != nil {
		return err
	}
	log := slog.New(slog.NewTextHandler(con.err, nil))
	from, err := o.data.followed(con)
	if err != nil {
		return err
	}
	defer from.Close()
	shown := live.Config{Study: study, Log: from, Aside: from, Logger: log}
	if st, ok := from.(*store.Store); ok { // a server is not told of clocks
		shown.Clocks = func(ctx context.Context) (live.Clocks, error) {
			clocks, err := readClocks(ctx, st)
			return shownClocks(clocks), err
		}
	}
	page, err := o.page.open(con, shown)
	if err != nil {
		return err
	}
	cfg := watch.Config{Study: study, Log: from, Logger: log, Tell: func(n watch.News) { tellNews(con, log, study, n) }}
	if o.data.onServer() {
		cfg.Every = 10 * time.Second
	}
	page.follow(&cfg)
	var work sync.WaitGroup
	if page != nil {
		defer page.listener.Close()
		log.Info("page", "url", page.url())
		work.Go(func() { page.run(ctx) })
	}
	work.Go(func() { watch.New(cfg).Run(ctx) })
	work.Wait()
	return ctx.Err()
}

// share returns the study with the dwellings that are to be followed.
func (o *watchOptions) share() (*greywatt.Study, error) {
	study, err := o.study.read()
	if err != nil {
		return nil, err
	}
	chosen, err := dwellings(study, o.dwellings)
	if err != nil {
		return nil, err
	}
	if chosen, err = o.worker.choose(chosen); err != nil {
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
	live.Aside
	io.Closer
}

// followed opens what is named for following.
func (f *storeFlags) followed(con *console) (followedStore, error) {
	if !f.onServer() {
		return f.dataFlag.read()
	}
	db, err := f.server(con)
	if err != nil {
		return nil, err
	}
	return followedServer{&serverStore{DB: db}}, nil
}

// followedServer gives a server's presences in the words of the data folder's
// store.
type followedServer struct{ *serverStore }

func (s followedServer) Presences(ctx context.Context) ([]store.Presence, error) {
	said, err := s.DB.Presences(ctx)
	all := make([]store.Presence, len(said))
	for i, p := range said {
		all[i] = store.Presence{Dwelling: p.Dwelling, Node: p.Node, Up: p.Up, Since: p.Since}
	}
	return all, err
}
