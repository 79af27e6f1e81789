package main

import (
	"context"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"time"

	"github.com/spf13/pflag"

	"greywatt"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/logger"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/cmd/greywatt/internal/watch"
	"greywatt/ingest/payload"
	"greywatt/ingest/recipe/message"
)

// mostCommitDelay is less than nodes wait for an acknowledgement.
const mostCommitDelay = 5 * time.Second

type runOptions struct {
	study       site.StudyFlag
	data        site.StoreFlags
	kept        site.KeptFlag
	mirror      logger.MirrorFlags
	prefix      string
	broker      logger.BrokerFlags
	listen      logger.ListenFlags
	page        logger.PageFlags
	health      logger.HealthFlag
	backups     logger.BackupFlags
	statusEvery time.Duration
	noEvents    bool
	quarantine  int // MiB
	commitDelay time.Duration
	patience    time.Duration
	foreign     *payload.Resolver // of recipes
	flags       *pflag.FlagSet
	now         func() time.Time
}

func runCommand() cli.Command {
	return cli.Command{
		Name:    "run",
		Example: "greywatt run --study study.toml --data data",
		Basic:   true,
		Summary: "log what the nodes publish over MQTT",
		About: `
Takes the readings that nodes publish under <prefix>/<dwelling>/<node>/senml and
acknowledges each message once it is on disk. Without --broker it is the broker
itself, on loopback unless --listen says otherwise; beyond loopback it requires
--users. With --broker it subscribes to another one, under a client id that it
keeps in the data folder. What is published while it is away waits there, as far
as that broker keeps it: its queue for an absent client must have no end and be
on disk, and a thousand messages should be under way at once (at Mosquitto:
persistence true, max_queued_messages 0, max_inflight_messages 1000). With its
defaults messages that it has acknowledged are lost; where it has not kept the
session, or counts messages that it dropped, a line says so. The password for
that broker comes from --password-file or from
` + logger.PasswordVariable + `.

Recipes in the study file ([recipe.mqtt], see help recipe-file) add topics of
other nodes, which need not speak SenML. An account of --users may publish to
those that name its dwelling, and its node where they name one. For topics that
no recipe takes the page proposes one, from what came to its own broker, and
shows what it would give. Beside another broker it listens to all topics for
that, in a session of its own, for ten minutes or 20 000 messages at a time; where
that broker does not let it, it says so and logging goes on.

Each event is written as a line once it is over. A guard over each dwelling
raises an alarm when conductance or heat balance leaves its level: see alarms.
Logging does not wait for either. What cannot be used is rejected with its
reason: see rejected.

A message with records that may be used once the study file, a unit or a clock is
mended, as of an unknown dwelling or a day ahead, is kept whole: see readmit. What
a changed study file admits is taken up at once. Where --quarantine is used up,
such messages are not acknowledged, so that their nodes keep them; another broker
keeps them too, and has less room for the rest. With --store there is no
quarantine: of such messages excerpts are kept, as rejected records.

The study's page is at --http: the dwellings, water while it runs, events,
findings. Beyond loopback it requires a password, from --http-password-file or from
` + logger.PagePasswordVariable + `, or users who sign in by name: viewers, and engineers, who
may note things there too. It also serves /healthz and /metrics. --health answers
/healthz at an address of its own, which no crowd of viewers can keep busy.

To open it on a phone, beside the unit:
    greywatt users add kim --engineer --users users.txt
    greywatt run --http :8443 --http-users users.txt --http-cert CERT --http-key KEY
and point the phone's camera at the code that appears, in the same network. With
--http-users the study file need not be there yet: the engineer adds dwellings on
the page.

With --backup-to the data are backed up every --backup-every to a file of their
own, as backup --to does. What is lost with this machine is what came after the
newest began, the time in its name: at most --backup-every and what one takes. One
that takes more than a tenth of that time is made less often.

With --mirror all that is stored is copied to an InfluxDB server as well. What
the server has not confirmed waits in the data folder, however long it is away;
logging does not wait. With --store the server is the store: a message is
acknowledged once the server has confirmed it, nothing is kept here, and any
number of such processes may share the messages of a broker (--broker, --group
and a --client-id each). They do not analyse and have no page: one process beside
them has, greywatt watch --store. The token for the server comes from
--influx-token-file or from
` + site.InfluxTokenVariable + `.

Changes of the study file and the journal are taken up within seconds, or at once
at SIGHUP: no reading is lost and no connection ends. A change with mistakes is
refused, in the log and on the page, and what was before goes on. Recipes are
read at the start only. The files of --users and --http-users are followed too:
who is removed there is disconnected, or signed out.

A service manager that asks for it by NOTIFY_SOCKET, as systemd does (Type=notify),
is told when logging has begun and how it fares; with WatchdogSec it is told that
all is well only while nodes can connect and readings are committed.

SIGINT or SIGTERM stops it; what it has acknowledged is on disk.`,
		Codes: []int{cli.ExitInterrupted},
		Verb:  &runOptions{page: logger.PageFlags{Version: programVersion()}, now: time.Now},
	}
}

func (o *runOptions) AddFlags(flags *pflag.FlagSet) {
	o.flags = flags
	o.study.AddFlags(flags)
	o.data.AddFlags(flags)
	o.kept.AddFlags(flags)
	o.mirror.AddFlags(flags)
	flags.StringVar(&o.prefix, "prefix", payload.DefaultPrefix, "first `LEVEL` of the topics")
	o.broker.AddFlags(flags)
	o.listen.AddFlags(flags)
	o.page.AddFlags(flags)
	o.health.AddFlags(flags)
	o.backups.AddFlags(flags)
	flags.IntVar(&o.quarantine, "quarantine", 256, "keep at most `MIB` of messages that cannot be stored yet; 0: of such keep excerpts only")
	flags.DurationVar(&o.commitDelay, "commit-delay", 200*time.Millisecond, "gather readings for `TIME` before they are written and acknowledged; longer wears a memory card less")
	flags.DurationVar(&o.patience, "commit-unwatched", 0, "the same, a `TIME`, for current readings while nobody looks at the page; 0: --commit-delay")
	flags.DurationVar(&o.statusEvery, "status-every", time.Minute, "write a status line every `TIME`; 0 for never")
	flags.BoolVar(&o.noEvents, "no-events", false, "write no events and no alarms while logging")
}

func (o *runOptions) Run(ctx context.Context, con *cli.Console, args []string) error {
	if err := cli.NoOperands(args); err != nil {
		return err
	}
	if err := payload.CheckPrefix(o.prefix); err != nil {
		return cli.Usagef("--prefix: %w", err)
	}
	if o.commitDelay < time.Millisecond || o.commitDelay > mostCommitDelay {
		return cli.Usagef("--commit-delay %v: want 1ms to %v", o.commitDelay, mostCommitDelay)
	}
	if o.patience < 0 || o.patience > mostCommitDelay {
		return cli.Usagef("--commit-unwatched %v: want 0 to %v", o.patience, mostCommitDelay)
	}
	if o.quarantine < 0 {
		return cli.Usagef("--quarantine %d: want 0 or more MiB", o.quarantine)
	}
	hangups := site.Hangups()
	if o.page.Sign() && !o.data.OnServer() {
		o.study.Begin() // an engineer adds the first dwelling on the page
	}
	read := o.study.Contents()
	written, err := o.study.ReadWhole()
	if err != nil {
		return err
	}
	o.study.WarnTorn(con, &written)
	study := written.Study
	if len(study.Dwellings) == 0 {
		fmt.Fprintf(con.Err, "%s has no dwelling yet: an engineer adds one on the page, under Add a dwelling\n", o.study.File)
	}
	if err := o.backups.Check(); err != nil {
		return err
	}
	if o.data.OnServer() {
		return o.runOnServer(ctx, con, study, hangups, read)
	}
	others, err := o.others(study)
	if err != nil {
		return err
	}
	st, err := o.data.DataFlag.Write()
	if err != nil {
		return err
	}
	defer st.Close()

	l := logger.New(st, study, o.prefix, slog.New(slog.NewTextHandler(con.Err, nil)), o.now, o.listen.Users != "" || o.broker.OwnNames, others, logger.Options{QuarantineBytes: o.quarantineBytes(), CommitDelay: o.commitDelay, Patience: o.patience})
	if o.broker.Shared() {
		l.Committer.CountNoPacks()
	}
	results := o.kept.Log(l.Log, &o.data)
	defer results.Close()
	l.Kept = site.Past(results, st)
	mirror, err := o.mirror.Open(ctx, con, &o.data.Influx, st, l.Log)
	if err != nil {
		return err
	}
	files := site.Journal{StudyFlag: &o.study}
	o.page.Journal, o.page.StudyFile, o.page.Sheets = files, files, o.study.SheetsFolder()
	page, err := l.OpenPage(con, &o.page, study, o.prefix+"/<dwelling>/<node>/senml", mirror, o.now)
	if err != nil {
		return err
	}
	if page != nil {
		defer page.Listener.Close()
	}
	health, err := o.health.Open()
	if err != nil {
		return err
	}
	if health != nil {
		defer health.Close()
	}
	if err := o.connect(ctx, con, l); err != nil {
		return err
	}
	var shown sync.WaitGroup
	defer shown.Wait()
	logging, stop := context.WithCancel(ctx)
	defer stop()
	if page != nil {
		page.Announce(con)
		shown.Go(func() { page.Host(logging) })
	}
	if mirror != nil {
		shown.Go(func() { mirror.Forward(logging) })
	}
	shown.Go(func() { l.FollowUsers(logging, o.listen.Users, page) })
	var showing *logger.Showing
	if page != nil || !o.noEvents {
		showing = logger.Show(logging, page, func(s *greywatt.Study) *watch.Watch {
			return l.Follow(s, page, o.now, o.teller(con, l.Log, s))
		}, study)
	}
	shown.Go(func() {
		o.study.Follow(logging, l.Log, hangups, read, func(w site.Written) {
			o.renameTo(w.Study, l)
			if showing != nil {
				showing.Renew(w.Study)
			}
		}, page.RefuseEdit)
		if showing != nil {
			showing.Wait()
		}
	})
	done := make(chan error, 1)
	go func() {
		done <- l.Run(logging)
		stop()
	}()
	shown.Go(func() { l.BackUpNowAndThen(logging, &o.backups) })
	shown.Go(func() { l.HostHealth(logging, health, mirror) })
	shown.Go(func() { l.Supervise(logging, study.Timezone) })
	l.ReportStatus(logging, o.statusEvery)
	if err := <-done; err != nil {
		return err
	}
	return ctx.Err()
}

// others returns the decoder of the study file's recipes, nil where it has none
// for MQTT.
func (o *runOptions) others(study *greywatt.Study) (*message.Decoder, error) {
	recipes, err := o.study.Recipes()
	if err != nil {
		return nil, err
	}
	for _, r := range recipes {
		if r.MQTT == nil {
			continue
		}
		for _, t := range r.MQTT.Topics {
			if t.OwnTopics(o.prefix) {
				return nil, cli.Usagef("%s: the recipe's topics %s would take the study's own, %s/<dwelling>/<node>/senml; narrow them", o.study.File, t, o.prefix)
			}
		}
	}
	o.foreign = payload.NewResolver(study)
	return message.NewDecoder(recipes, o.foreign)
}

func (o *runOptions) quarantineBytes() int64 {
	if o.quarantine == 0 {
		return -1
	}
	return int64(o.quarantine) << 20
}

// renameTo has readings of the study's dwellings and sensors taken, as it has
// them now.
func (o *runOptions) renameTo(study *greywatt.Study, l *logger.Logger) {
	l.Rename(study)
	o.foreign.Update(study)
}

// connect gives the logger its broker.
func (o *runOptions) connect(ctx context.Context, con *cli.Console, l *logger.Logger) error {
	if o.broker.URL == "" {
		cfg, err := o.listen.Config(o.prefix)
		if err != nil {
			return err
		}
		if err := l.Listen(cfg); err != nil {
			return err
		}
		l.Log.Info("listening", "broker", l.Broker.URL(), "topics", o.prefix+"/<dwelling>/<node>/senml", "data", l.Store.Path())
		return nil
	}
	cfg, err := o.broker.Config(con, o.prefix)
	if err != nil {
		return err
	}
	if cfg.ClientID == "" {
		if cfg.ClientID, err = logger.ClientID(ctx, l.Store); err != nil {
			return err
		}
	}
	if err := l.Subscribe(cfg); err != nil {
		return cli.Usage(err)
	}
	l.Log.Info("logging", "broker", l.Source.Status().Broker, "client_id", cfg.ClientID, "data", l.Store.Path())
	return nil
}

// teller writes a line for each event and logs each alarm; nil where that is not
// wanted.
func (o *runOptions) teller(con *cli.Console, log *slog.Logger, study *greywatt.Study) func(watch.Update) {
	if o.noEvents {
		return nil
	}
	return func(n watch.Update) { reportUpdate(con, log, study, n) }
}

func reportUpdate(con *cli.Console, log *slog.Logger, study *greywatt.Study, n watch.Update) {
	for i := range n.Events {
		fmt.Fprintln(con.Out, strings.Join(eventCells(&n.Events[i], study.Timezone), "  "))
	}
	for _, a := range n.Alarms {
		log.Warn("alarm", "dwelling", a.Dwelling, "event", a.EventID, "what", a.What, "evidence", a.Evidence)
	}
}
