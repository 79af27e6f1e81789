package main

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"fmt"
	"log/slog"
	"os"
	"strings"
	"sync"
	"time"

	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/cmd/greywatt/internal/watch"
	"greywatt/ingest/broker"
	"greywatt/ingest/mqttsource"
	"greywatt/ingest/payload"
	"greywatt/ingest/store"
)

type runOptions struct {
	study       studyFlag
	data        storeFlags
	mirror      mirrorFlags
	prefix      string
	broker      brokerFlags
	listen      listenFlags
	page        pageFlags
	statusEvery time.Duration
	noEvents    bool
	flags       *pflag.FlagSet
}

func runCommand() command {
	return command{
		name:    "run",
		summary: "log what the nodes publish over MQTT",
		about: `
Takes the readings that nodes publish under <prefix>/<dwelling>/<node>/senml and
acknowledges each message once it is on disk. Without --broker it is the broker
itself, on loopback unless --listen says otherwise; beyond loopback it wants
--users. With --broker it subscribes to another one, under a client id that it
keeps in the data folder, so that what is published while it is away is not
lost. The password for that broker comes from --password-file or from
` + passwordVariable + `.

Each event is written as a line once it is over. A guard over each dwelling
raises an alarm when conductance or heat balance leaves its level: see alarms.
Logging does not wait for either. What cannot be used is set aside with its reason: see set-aside.

The study's page is at --http: the dwellings, water while it runs, events,
findings. Beyond loopback it wants a password, from --http-password-file or from
` + pagePasswordVariable + `. It also serves /healthz and /metrics.

With --mirror all that is stored is copied to an InfluxDB server as well. What
the server has not confirmed waits in the data folder, however long it is away;
logging does not wait. With --store the server is the store: a message is
acknowledged once the server has confirmed it, nothing is kept here, and any
number of such processes may share the messages of a broker (--broker, --group
and a --client-id each). They do not analyse and have no page: one process beside
them has, greywatt watch --store. The token for the server comes from
--influx-token-file or from
` + influxTokenVariable + `.

SIGINT or SIGTERM stops it; what it has acknowledged is on disk.`,
		codes: []int{exitInterrupted},
		verb:  &runOptions{},
	}
}

func (o *runOptions) addFlags(flags *pflag.FlagSet) {
	o.flags = flags
	o.study.addFlags(flags)
	o.data.addFlags(flags)
	o.mirror.addFlags(flags)
	flags.StringVar(&o.prefix, "prefix", payload.DefaultPrefix, "first `LEVEL` of the topics")
	o.broker.addFlags(flags)
	o.listen.addFlags(flags)
	o.page.addFlags(flags)
	flags.DurationVar(&o.statusEvery, "status-every", time.Minute, "write a line on how things stand every `TIME`; 0 for never")
	flags.BoolVar(&o.noEvents, "no-events", false, "tell of no events and no alarms while logging")
}

func (o *runOptions) run(ctx context.Context, con *console, args []string) error {
	if err := noOperands(args); err != nil {
		return err
	}
	if err := payload.CheckPrefix(o.prefix); err != nil {
		return usageError{fmt.Errorf("--prefix: %w", err)}
	}
	study, err := o.study.read()
	if err != nil {
		return err
	}
	if o.data.onServer() {
		return o.runOnServer(ctx, con, study)
	}
	st, err := o.data.dataFlag.write()
	if err != nil {
		return err
	}
	defer st.Close()

	l := newLogger(st, study, o.prefix, slog.New(slog.NewTextHandler(con.err, nil)), time.Now, o.listen.users != "" || o.broker.ownNames)
	mirror, err := o.mirror.open(ctx, con, &o.data.influx, st, l.log)
	if err != nil {
		return err
	}
	page, err := l.openPage(con, &o.page, study, o.prefix+"/<dwelling>/<node>/senml", mirror, time.Now)
	if err != nil {
		return err
	}
	if page != nil {
		defer page.listener.Close()
	}
	if err := o.connect(ctx, con, l); err != nil {
		return err
	}
	var shown sync.WaitGroup
	defer shown.Wait()
	logging, stop := context.WithCancel(ctx)
	defer stop()
	if page != nil {
		l.log.Info("page", "url", page.url())
		shown.Go(func() { page.run(logging) })
	}
	if mirror != nil {
		shown.Go(func() { mirror.run(logging) })
	}
	if page != nil || !o.noEvents {
		w := l.follow(study, page, time.Now, o.teller(con, l.log, study))
		shown.Go(func() { w.Run(logging) })
	}
	done := make(chan error, 1)
	go func() {
		done <- l.run(logging)
		stop()
	}()
	o.tellStatus(logging, l)
	if err := <-done; err != nil {
		return err
	}
	return ctx.Err()
}

// connect gives the logger its broker.
func (o *runOptions) connect(ctx context.Context, con *console, l *logger) error {
	if o.broker.url == "" {
		cfg, err := o.listen.config(o.prefix)
		if err != nil {
			return err
		}
		if err := l.listen(cfg); err != nil {
			return err
		}
		l.log.Info("listening", "broker", l.broker.URL(), "topics", o.prefix+"/<dwelling>/<node>/senml", "data", l.store.Path())
		return nil
	}
	cfg, err := o.broker.config(con, o.prefix)
	if err != nil {
		return err
	}
	if cfg.ClientID == "" {
		if cfg.ClientID, err = clientID(ctx, l.store); err != nil {
			return err
		}
	}
	if err := l.subscribe(cfg); err != nil {
		return usageError{err}
	}
	l.log.Info("logging", "broker", l.source.Status().Broker, "client_id", cfg.ClientID, "data", l.store.Path())
	return nil
}

// teller writes a line for each event and logs each alarm; nil where that is not
// wanted.
func (o *runOptions) teller(con *console, log *slog.Logger, study *greywatt.Study) func(watch.News) {
	if o.noEvents {
		return nil
	}
	return func(n watch.News) { tellNews(con, log, study, n) }
}

func tellNews(con *console, log *slog.Logger, study *greywatt.Study, n watch.News) {
	for i := range n.Events {
		fmt.Fprintln(con.out, strings.Join(eventCells(&n.Events[i], study.Timezone), "  "))
	}
	for _, a := range n.Alarms {
		log.Warn("alarm", "dwelling", a.Dwelling, "event", a.EventID, "what", a.What, "evidence", a.Evidence)
	}
}

// tellStatus writes how things stand until ctx ends.
func (o *runOptions) tellStatus(ctx context.Context, l *logger) {
	var status <-chan time.Time
	if o.statusEvery > 0 {
		tick := time.NewTicker(o.statusEvery)
		defer tick.Stop()
		status = tick.C
	}
	for {
		select {
		case <-status:
			logStatus(l)
		case <-ctx.Done():
			return
		}
	}
}

func logStatus(l *logger) {
	s := l.committer.Status()
	up := 0
	for _, p := range l.committer.Presences() {
		if p.Up {
			up++
		}
	}
	var refused int64
	for _, n := range s.Refused {
		refused += n
	}
	attrs := []any{"readings", s.New, "duplicates", s.Duplicates, "conflicts", s.Conflicts, "set_aside", refused, "nodes_up", up, "held", s.Held}
	if l.source != nil {
		attrs = append(attrs, "connected", l.source.Status().Connected)
	} else {
		attrs = append(attrs, "clients", l.broker.Status().Clients)
	}
	wrong := 0
	for _, c := range l.committer.Clocks() {
		if c.Fault() != nil {
			wrong++
		}
	}
	if wrong > 0 {
		attrs = append(attrs, "clocks_wrong", wrong)
	}
	l.log.Info("status", attrs...)
}

// clientID returns the id under which this data folder's logger is known to
// brokers, making one the first time.
func clientID(ctx context.Context, st *store.Store) (string, error) {
	const note = "mqtt-client-id"
	id, err := st.Note(ctx, "", note)
	if err != nil || id != nil {
		return string(id), err
	}
	fresh := "greywatt-" + strings.ToLower(rand.Text()[:12])
	return fresh, st.SetNote(ctx, "", note, []byte(fresh))
}

const passwordVariable = "GREYWATT_PASSWORD"

// brokerFlags say how to reach another broker.
type brokerFlags struct {
	url, clientID, group, user, passwordFile string
	ca, cert, key                            string
	ownNames                                 bool
}

func (f *brokerFlags) addFlags(flags *pflag.FlagSet) {
	flags.StringVar(&f.url, "broker", "", "subscribe to the broker at `URL`, such as tls://broker.example:8883")
	flags.StringVar(&f.clientID, "client-id", "", "`NAME` that the broker keeps the session under (default kept in the data folder)")
	flags.StringVar(&f.group, "group", "", "share the messages with the other loggers of group `NAME`")
	flags.StringVar(&f.user, "user", "", "`NAME` to log in with at the broker")
	flags.StringVar(&f.passwordFile, "password-file", "", "`FILE` with the password for the broker")
	flags.StringVar(&f.ca, "ca", "", "PEM `FILE` of who may vouch for the broker (default the system's)")
	flags.StringVar(&f.cert, "cert", "", "PEM `FILE` of the logger's own certificate")
	flags.StringVar(&f.key, "key", "", "PEM `FILE` of its key")
	flags.BoolVar(&f.ownNames, "own-names", false, "refuse readings named for another dwelling or node than their topic's")
}

func (f *brokerFlags) config(con *console, prefix string) (mqttsource.Config, error) {
	cfg := mqttsource.Config{Broker: f.url, ClientID: f.clientID, Group: f.group, Prefix: prefix, User: f.user}
	cfg.Password = con.getenv(passwordVariable)
	if f.passwordFile != "" {
		text, err := os.ReadFile(f.passwordFile)
		if err != nil {
			return cfg, fmt.Errorf("--password-file: %w", err)
		}
		cfg.Password = strings.TrimRight(string(text), "\r\n")
	}
	if f.ca != "" || f.cert != "" || f.key != "" {
		files, err := mqttsource.TLSFiles(f.ca, f.cert, f.key)
		if err != nil {
			return cfg, err
		}
		cfg.TLS = files
	}
	return cfg, nil
}

// listenFlags say how the logger's own broker listens.
type listenFlags struct{ addr, users, cert, key string }

func (f *listenFlags) addFlags(flags *pflag.FlagSet) {
	flags.StringVar(&f.addr, "listen", broker.DefaultAddr, "without --broker, be one at `HOST:PORT`")
	flags.StringVar(&f.users, "users", "", "`FILE` of who may connect to it, lines of NAME:HASH:DWELLING/NODE or NAME:HASH:watch")
	flags.StringVar(&f.cert, "listen-cert", "", "PEM `FILE` of its certificate, for TLS")
	flags.StringVar(&f.key, "listen-key", "", "PEM `FILE` of that certificate's key")
}

func (f *listenFlags) config(prefix string) (broker.Config, error) {
	cfg := broker.Config{Addr: f.addr, Prefix: prefix}
	if f.users != "" {
		file, err := os.Open(f.users)
		if err != nil {
			return cfg, fmt.Errorf("--users: %w", err)
		}
		defer file.Close()
		if cfg.Users, err = broker.ReadUsers(file); err != nil {
			return cfg, fmt.Errorf("%s: %w", f.users, err)
		}
	}
	if f.cert != "" || f.key != "" {
		pair, err := tls.LoadX509KeyPair(f.cert, f.key)
		if err != nil {
			return cfg, fmt.Errorf("--listen-cert, --listen-key: %w", err)
		}
		cfg.TLS = &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}
	}
	return cfg, nil
}
