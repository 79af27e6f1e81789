package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"

	"golang.org/x/sync/errgroup"

	"greywatt"
	"greywatt/ingest/influx"
	"greywatt/ingest/mqttsource"
	"greywatt/ingest/payload"
	"greywatt/ingest/store"
)

// What follows is what commands do with --store in place of a data folder.

// serverLog lets a committer write to a server.
type serverLog struct{ *influx.DB }

func (s serverLog) Append(ctx context.Context, rs []greywatt.Reading) (mqttsource.Counts, error) {
	n, err := s.DB.Append(ctx, rs)
	return mqttsource.Counts{New: n.New, Duplicate: n.Duplicate, Conflict: n.Conflict}, err
}

func (s serverLog) SetPresence(ctx context.Context, ps []mqttsource.Presence) error {
	all := make([]influx.Presence, len(ps))
	for i, p := range ps {
		all[i] = influx.Presence{Dwelling: p.Dwelling, Node: p.Node, Up: p.Up, Since: p.At}
	}
	return s.SetPresences(ctx, all)
}

// runOnServer logs to a server: a message is acknowledged once the server has
// confirmed all of it. Nothing is kept here, so any number of processes may do
// the same side by side.
func (o *runOptions) runOnServer(ctx context.Context, con *console, study *greywatt.Study) error {
	if o.mirror.address != "" || o.mirror.forget != "" {
		return usagef("a mirror is of a data folder; with --store the server is all there is")
	}
	if o.page.addr != "" && o.flags.Changed("http") {
		return usagef("with --store there may be many loggers, and none has a page; greywatt watch --store has one for all of them")
	}
	if o.broker.url != "" && o.broker.clientID == "" {
		return usagef("with --store there is no data folder to keep a client id in: give each process one of its own, the same at every start, by --client-id")
	}
	db, err := o.data.server(con)
	if err != nil {
		return err
	}
	defer db.Close()
	log := slog.New(slog.NewTextHandler(con.err, nil))
	if err := db.Ping(ctx); err != nil {
		var answer *influx.Error
		if !errors.As(err, &answer) || answer.Class != influx.Temporary {
			return err
		}
		log.Warn("the server does not answer yet; nothing is acknowledged until it does", "error", err)
	}
	l := &logger{log: log, committer: mqttsource.NewCommitter(mqttsource.CommitterConfig{
		Prefix: o.prefix, Resolver: payload.NewResolver(study), Log: serverLog{db}, Logger: log,
		OwnNames: o.listen.users != "" || o.broker.ownNames,
	})}
	if err := o.connectToServer(con, l, db); err != nil {
		return err
	}
	tasks, logging := errgroup.WithContext(ctx)
	tasks.Go(func() error { return l.committer.Run(logging) })
	if l.source != nil {
		tasks.Go(func() error { return l.source.Run(logging) })
	}
	tasks.Go(func() error { o.tellStatus(logging, l); return nil })
	err = tasks.Wait()
	if l.broker != nil {
		err = errors.Join(err, l.broker.Close())
	}
	if err != nil {
		return err
	}
	return ctx.Err()
}

// connectToServer gives the logger its broker.
func (o *runOptions) connectToServer(con *console, l *logger, db *influx.DB) error {
	if o.broker.url == "" {
		cfg, err := o.listen.config(o.prefix)
		if err != nil {
			return err
		}
		if err := l.listen(cfg); err != nil {
			return err
		}
		l.log.Info("listening", "broker", l.broker.URL(), "topics", o.prefix+"/<dwelling>/<node>/senml", "store", db.String())
		return nil
	}
	cfg, err := o.broker.config(con, o.prefix)
	if err != nil {
		return err
	}
	if err := l.subscribe(cfg); err != nil {
		return usageError{err}
	}
	l.log.Info("logging", "broker", l.source.Status().Broker, "client_id", cfg.ClientID, "store", db.String())
	return nil
}

// serverStore gives a server's answers in the words of the data folder's store.
type serverStore struct {
	*influx.DB
	refused int // readings that the server would not have, set aside
}

func (s *serverStore) Append(ctx context.Context, rs []greywatt.Reading) (store.Counts, error) {
	n, err := s.DB.Append(ctx, rs)
	s.refused += n.Refused
	return store.Counts{New: n.New, Duplicate: n.Duplicate, Conflict: n.Conflict}, err
}

func (s *serverStore) RefusalCounts(ctx context.Context) ([]store.RefusalCount, error) {
	counts, err := s.DB.RefusalCounts(ctx)
	all := make([]store.RefusalCount, len(counts))
	for i, c := range counts {
		all[i] = store.RefusalCount(c)
	}
	return all, err
}

func (s *serverStore) Conflicts(ctx context.Context, limit int) ([]store.Conflict, error) {
	conflicts, err := s.DB.Conflicts(ctx, limit)
	all := make([]store.Conflict, len(conflicts))
	for i, c := range conflicts {
		all[i] = store.Conflict(c)
	}
	return all, err
}

// Nodes knows of each node its conflicts and its newest reading, and no more.
func (s *serverStore) Nodes(ctx context.Context) ([]store.NodeSummary, error) {
	nodes, err := s.DB.Nodes(ctx)
	all := make([]store.NodeSummary, len(nodes))
	for i, n := range nodes {
		all[i] = store.NodeSummary{Dwelling: n.Dwelling, Node: n.Node, Conflicts: n.Conflicts, Last: n.Last}
	}
	return all, err
}

// Erase removes a dwelling and its results.
func (s *serverStore) Erase(ctx context.Context, dwelling string) error {
	return s.DB.Erase(ctx, dwelling, measurementEvent, measurementFinding)
}

// eraseMirrored removes a dwelling from a mirror too.
func (o *eraseOptions) eraseMirrored(ctx context.Context, con *console, dwelling string) error {
	db, err := o.data.influx.open(con, "mirror", o.mirror)
	if err != nil {
		return err
	}
	defer db.Close()
	if err := (&serverStore{DB: db}).Erase(ctx, dwelling); err != nil {
		return fmt.Errorf("%s is erased in %s, but not in the mirror: %w; erase it again", dwelling, o.data.dir, err)
	}
	return nil
}
