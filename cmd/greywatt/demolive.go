package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"golang.org/x/sync/errgroup"

	"greywatt"
	"greywatt/analysis/simulate"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/logger"
	"greywatt/cmd/greywatt/internal/publish"
	"greywatt/ingest/broker"
	"greywatt/ingest/payload"
	"greywatt/ingest/store"
)

const (
	goOnDays = 7
	goOnPace = 20            // times the clock
	goOnFrom = 6 * time.Hour // after midnight: before that everyone sleeps
)

// stays reports whether the demo goes on once its work is done: for somebody at
// a terminal, and where the page was asked for.
func (o *demoOptions) stays(con *cli.Console) bool {
	return o.page.Addr != "" && (cli.IsTerminal(con.Out) || o.flags.Changed("http"))
}

// goOn lets the street live on, faster than the clock, and shows its page until
// ctx ends.
func (o *demoOptions) goOn(ctx context.Context, con *cli.Console, st *store.Store, study *greywatt.Study, street *simulate.Street) error {
	_, end := street.Houses[0].Span()
	began, from := time.Now(), end.Time().Add(goOnFrom)
	clock := func() time.Time { return from.Add(goOnPace * time.Since(began)) }

	l := logger.New(st, study, payload.DefaultPrefix, slog.New(slog.NewTextHandler(con.Err, &slog.HandlerOptions{Level: slog.LevelWarn})), clock, true, nil, logger.Options{})
	page, err := l.OpenPage(con, &o.page, study, payload.DefaultPrefix+"/<dwelling>/<node>/senml", nil, clock)
	if err != nil || page == nil {
		return err
	}
	defer page.Listener.Close()
	if err := l.Listen(broker.Config{Addr: "127.0.0.1:0", Prefix: payload.DefaultPrefix}); err != nil {
		return err
	}
	fmt.Fprintf(con.Out, "\nThe street lives on, %d times as fast as the clock. Its page: %s\nCtrl-C ends it.\n", goOnPace, page.Addresses()[0])
	whole, shut := context.WithCancel(ctx)
	defer shut()
	tasks, open := errgroup.WithContext(whole)
	logging, stop := context.WithCancel(context.WithoutCancel(ctx))
	defer stop()
	tasks.Go(func() error { return l.Run(logging) })
	tasks.Go(func() error { page.Host(open); return nil })
	tasks.Go(func() error { l.Follow(study, page, clock, nil).Run(open); return nil })
	nodes, publishing := errgroup.WithContext(open)
	for _, h := range street.Houses {
		h.Days += goOnDays
		nodes.Go(func() error { return publish.Live(publishing, l.Broker.URL(), h, end, clock, goOnPace) })
	}
	if err = nodes.Wait(); err == nil {
		<-open.Done() // the nodes have come to the end of their days; the page stays
	}
	shut()
	stop()
	if err := errors.Join(err, tasks.Wait()); err != nil && !errors.Is(err, context.Canceled) {
		return err
	}
	return nil
}
