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
func (o *demoOptions) stays(con *console) bool {
	return o.page.addr != "" && (isTerminal(con.out) || o.flags.Changed("http"))
}

// goOn lets the street live on, faster than the clock, and shows its page until
// ctx ends.
func (o *demoOptions) goOn(ctx context.Context, con *console, st *store.Store, study *greywatt.Study, street *simulate.Street) error {
	_, end := street.Houses[0].Span()
	began, from := time.Now(), end.Time().Add(goOnFrom)
	clock := func() time.Time { return from.Add(goOnPace * time.Since(began)) }

	l := newLogger(st, study, payload.DefaultPrefix, slog.New(slog.NewTextHandler(con.err, &slog.HandlerOptions{Level: slog.LevelWarn})), clock, true)
	page, err := l.openPage(con, &o.page, study, payload.DefaultPrefix+"/<dwelling>/<node>/senml", nil, clock)
	if err != nil || page == nil {
		return err
	}
	defer page.listener.Close()
	if err := l.listen(broker.Config{Addr: "127.0.0.1:0", Prefix: payload.DefaultPrefix}); err != nil {
		return err
	}
	fmt.Fprintf(con.out, "\nThe street lives on, %d times as fast as the clock. Its page: %s\nCtrl-C ends it.\n", goOnPace, page.url())
	whole, shut := context.WithCancel(ctx)
	defer shut()
	tasks, open := errgroup.WithContext(whole)
	logging, stop := context.WithCancel(context.WithoutCancel(ctx))
	defer stop()
	tasks.Go(func() error { return l.run(logging) })
	tasks.Go(func() error { page.run(open); return nil })
	tasks.Go(func() error { l.follow(study, page, clock, nil).Run(open); return nil })
	nodes, publishing := errgroup.WithContext(open)
	for _, h := range street.Houses {
		h.Days += goOnDays
		nodes.Go(func() error { return publishLive(publishing, l.broker.URL(), h, end, clock) })
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

// publishLive lets the nodes of a house publish what they measure from from on,
// each frame when the clock has come to it.
func publishLive(ctx context.Context, url string, h *simulate.House, from greywatt.Instant, clock func() time.Time) error {
	nodes := map[string]*node{}
	defer func() {
		for _, n := range nodes {
			n.client.Disconnect(disconnectWait)
		}
	}()
	for frame := range h.Frames(nil) {
		if frame.At < from {
			continue
		}
		if wait := frame.At.Time().Sub(clock()); wait > 0 {
			for _, n := range nodes {
				if err := n.publish(); err != nil {
					return err
				}
			}
			select {
			case <-time.After(wait / goOnPace):
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		n := nodes[frame.Node]
		if n == nil {
			var err error
			if n, err = connectNode(url, payload.Topic{Dwelling: h.Dwelling.ID, Node: frame.Node}, payload.DefaultPrefix); err != nil {
				return err
			}
			nodes[frame.Node] = n
		}
		if err := n.take(&frame); err != nil {
			return err
		}
	}
	return nil
}
