package main

import (
	"context"
	"errors"
	"log/slog"
	"os"

	"golang.org/x/sync/errgroup"

	"greywatt"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/logger"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/ingest/influx"
	"greywatt/ingest/mqttsource"
	"greywatt/ingest/payload"
)

// What follows is what commands do with --store in place of a data folder.

// runOnServer logs to a server: a message is acknowledged once the server has
// confirmed all of it. Nothing is kept here, so any number of processes may do
// the same side by side.
func (o *runOptions) runOnServer(ctx context.Context, con *cli.Console, study *greywatt.Study, hangups <-chan os.Signal, read [3]string) error {
	if o.mirror.Address != "" || o.mirror.Forget != "" {
		return cli.Usagef("a mirror is of a data folder; with --store the server is all there is")
	}
	if o.flags.Changed("backup-to") {
		return cli.Usagef("--backup-to is of a data folder; with --store the server is all there is")
	}
	if o.page.Addr != "" && o.flags.Changed("http") {
		return cli.Usagef("with --store there may be many loggers, and none has a page; greywatt watch --store has one for all of them")
	}
	if o.broker.URL != "" && o.broker.ClientID == "" {
		return cli.Usagef("with --store there is no data folder to keep a client id in: give each process one of its own, the same at every start, by --client-id")
	}
	db, err := o.data.Server(con)
	if err != nil {
		return err
	}
	defer db.Close()
	log := slog.New(slog.NewTextHandler(con.Err, nil))
	if err := db.Ping(ctx); err != nil {
		var answer *influx.Error
		if !errors.As(err, &answer) || answer.Class != influx.Temporary {
			return err
		}
		log.Warn("the server does not answer yet; nothing is acknowledged until it does", "error", err)
	}
	others, err := o.others(study)
	if err != nil {
		return err
	}
	l := &logger.Logger{Log: log, Names: payload.NewResolver(study)}
	l.Commit(mqttsource.CommitterConfig{
		Prefix: o.prefix, Resolver: l.Names, Log: db, Logger: log, Now: o.now, GroupDelay: o.commitDelay, Patience: o.patience,
		OwnNames: o.listen.Users != "" || o.broker.OwnNames,
	}, others)
	health, err := o.health.Open()
	if err != nil {
		return err
	}
	if health != nil {
		defer health.Close()
	}
	if err := o.connectToServer(con, l, db); err != nil {
		return err
	}
	tasks, logging := errgroup.WithContext(ctx)
	tasks.Go(func() error { l.HostHealth(logging, health, nil); return nil })
	tasks.Go(func() error { return l.Committer.Run(logging) })
	if l.Broker != nil {
		tasks.Go(func() error { l.WatchBroker(logging); return nil })
	}
	if l.Source != nil {
		tasks.Go(func() error { return l.Source.Run(logging) })
	}
	tasks.Go(func() error {
		o.study.Follow(logging, log, hangups, read, func(w site.Written) { o.renameTo(w.Study, l) }, func(string) {})
		return nil
	})
	tasks.Go(func() error { l.FollowUsers(logging, o.listen.Users, nil); return nil })
	tasks.Go(func() error { l.ReportStatus(logging, o.statusEvery); return nil })
	tasks.Go(func() error { l.Supervise(logging, study.Timezone); return nil })
	err = tasks.Wait()
	if l.Broker != nil {
		err = errors.Join(err, l.Broker.Close())
	}
	if err != nil {
		return err
	}
	return ctx.Err()
}

// connectToServer gives the logger its broker.
func (o *runOptions) connectToServer(con *cli.Console, l *logger.Logger, db *influx.DB) error {
	if o.broker.URL == "" {
		cfg, err := o.listen.Config(o.prefix)
		if err != nil {
			return err
		}
		if err := l.Listen(cfg); err != nil {
			return err
		}
		l.Log.Info("listening", "broker", l.Broker.URL(), "topics", o.prefix+"/<dwelling>/<node>/senml", "store", db.String())
		return nil
	}
	cfg, err := o.broker.Config(con, o.prefix)
	if err != nil {
		return err
	}
	if err := l.Subscribe(cfg); err != nil {
		return cli.Usage(err)
	}
	l.Log.Info("logging", "broker", l.Source.Status().Broker, "client_id", cfg.ClientID, "store", db.String())
	return nil
}
