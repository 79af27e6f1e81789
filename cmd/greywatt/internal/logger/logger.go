// Package logger takes readings from nodes to the store: the broker, the
// committer, the mirror, the nodes' clocks, and the page that shows them.
package logger

import (
	"context"
	"errors"
	"log/slog"
	"strconv"
	"sync/atomic"
	"time"

	"golang.org/x/sync/errgroup"

	"greywatt"
	"greywatt/cmd/greywatt/internal/watch"
	"greywatt/ingest"
	"greywatt/ingest/broker"
	"greywatt/ingest/mqttsource"
	"greywatt/ingest/payload"
	"greywatt/ingest/recipe/message"
	"greywatt/ingest/store"
)

// A Logger takes readings from the nodes to disk: the store, what commits to
// it, and a broker, its own or another.
type Logger struct {
	Store     *store.Store
	Committer *mqttsource.Committer
	Broker    *broker.Broker     // nil with another broker
	Source    *mqttsource.Source // nil with its own
	others    *message.Decoder   // nil without recipes
	overheard *overheard         // nil without a page
	ear       *ear               // nil with its own broker
	shown     *storeLog
	watched   *atomic.Pointer[func() bool] // whether somebody looks at the page; nil without one
	Log       *slog.Logger
	Kept      watch.Kept // what earlier analyses gave; nil where none is kept
	now       func() time.Time
	deaf      atomic.Pointer[error] // why the own broker does not answer; nil while it does
	Names     *payload.Resolver     // of the study's dwellings and sensors
	prefix    string
	readmit   chan struct{} // the study has changed
}

// The own broker is connected to every so often, as a node would.
const (
	probeEvery   = 15 * time.Second
	probeTimeout = 5 * time.Second
)

// What has been quiet for SealAfter is packed, looked after every sealEvery: packing a
// little more often would write the same pages again and again.
const (
	SealAfter = 6 * time.Hour
	sealEvery = SealAfter
)

// Options of [New]. The zero value is right.
type Options struct {
	QuarantineBytes int64         // kept whole of what cannot be stored yet; 0: 256 MiB, negative: none
	CommitDelay     time.Duration // for which readings are gathered before they are committed; 0: 200 ms
	Patience        time.Duration // the same while nobody waits for them; 0: CommitDelay
}

// New returns a logger that has yet to be given a broker. clock tells it
// what time it is where readings are judged: no reading is from the future.
// ownNames holds every node to the names of its topic. others decodes the topics
// of recipes; nil: there are none.
func New(st *store.Store, study *greywatt.Study, prefix string, log *slog.Logger, clock func() time.Time, ownNames bool, others *message.Decoder, o Options) *Logger {
	shown := &storeLog{Store: st}
	names := payload.NewResolver(study)
	watched := new(atomic.Pointer[func() bool])
	cfg := mqttsource.CommitterConfig{
		Prefix: prefix, Resolver: names, Log: shown, Logger: log, Now: clock, OwnNames: ownNames,
		Quarantine: st, QuarantineBytes: o.QuarantineBytes, Notes: st, GroupDelay: o.CommitDelay,
		Patience: o.Patience, Watched: func() bool { p := watched.Load(); return p != nil && (*p)() },
	}
	var err error
	if cfg.Packs, err = ReadPacks(context.Background(), st); err != nil {
		log.Error("which packs came before is not known; they are counted from now on", "error", err)
	}
	l := &Logger{watched: watched, Store: st, Log: log, Names: names, shown: shown, prefix: prefix, readmit: make(chan struct{}, 1)}
	l.Commit(cfg, others)
	return l
}

// Commit gives the logger its committer, which takes the topics of recipes too.
func (l *Logger) Commit(cfg mqttsource.CommitterConfig, others *message.Decoder) {
	l.others = others
	if others != nil {
		cfg.Foreign = others
	}
	l.now = cfg.Now
	if l.Store != nil {
		cfg.Passed = l.passed()
	}
	l.Committer = mqttsource.NewCommitter(cfg)
}

// passedNote keeps when this machine last committed readings, by its own clock,
// so that a clock that is set back, or stood still without power, is noticed.
const passedNote = "newest-commit"

func (l *Logger) passed() greywatt.Instant {
	text, err := l.Store.Note(context.Background(), "", passedNote)
	if err != nil || text == nil {
		return 0
	}
	us, err := strconv.ParseInt(string(text), 10, 64)
	if err != nil {
		return 0
	}
	return greywatt.Instant(us)
}

// savePassed keeps the time, if anything was committed and the clock is not in doubt.
func (l *Logger) savePassed(ctx context.Context) error {
	s := l.Committer.Status()
	if now := greywatt.InstantOf(l.now()); !s.LastCommit.IsZero() && s.FailingSince.IsZero() && now > l.passed() {
		return l.Store.SetNote(ctx, "", passedNote, strconv.AppendInt(nil, int64(now), 10))
	}
	return nil
}

// Listen starts the logger's own broker.
func (l *Logger) Listen(cfg broker.Config) (err error) {
	cfg.Sink, cfg.Stopped, cfg.Log = l.Committer, mqttsource.ErrStopped, l.Log
	if l.others != nil {
		cfg.Others = l.others
		l.tellRecipes()
	}
	if l.overheard != nil {
		cfg.Unclaimed = l.overheard.take
	}
	l.Broker, err = broker.Listen(cfg)
	return err
}

// Subscribe prepares for another broker; run connects.
func (l *Logger) Subscribe(cfg mqttsource.Config) (err error) {
	cfg.Logger = l.Log
	if l.others != nil {
		cfg.Topics = l.others.Filters()
		l.tellRecipes()
	}
	if l.overheard != nil {
		l.ear = newEar(l.overheard, cfg, func(topic string) bool { return l.takes(cfg.Prefix, topic) }, l.Log)
	}
	l.Source, err = mqttsource.New(cfg, l.Committer)
	return err
}

// takes reports whether a topic is the study's own or a recipe's.
func (l *Logger) takes(prefix, topic string) bool {
	if _, err := payload.ParseTopic(prefix, topic); err == nil {
		return true
	}
	if l.others == nil {
		return false
	}
	_, _, ok := l.others.Owner(topic)
	return ok
}

// tellRecipes says which topics are taken by recipes, and of which messages the
// time is that of arrival.
func (l *Logger) tellRecipes() {
	l.Log.Info("by recipe", "topics", l.others.Filters(), "times_of_arrival", l.others.ArrivalFilters())
}

// Run logs until ctx ends, then commits what it holds. It returns nil where all
// that it took is on disk.
func (l *Logger) Run(ctx context.Context) error {
	tasks, ctx := errgroup.WithContext(ctx)
	clocks := &clockKeeper{logger: l, saved: map[string]string{}}
	tasks.Go(func() error { return l.Committer.Run(ctx) })
	tasks.Go(func() error { return l.sealing(ctx) })
	tasks.Go(func() error { clocks.run(ctx); return nil })
	arrivals := &arrivalKeeper{logger: l}
	tasks.Go(func() error { arrivals.run(ctx); return nil })
	if l.shown != nil {
		tasks.Go(func() error { l.readmitting(ctx); return nil })
	}
	if l.Broker != nil {
		tasks.Go(func() error { l.WatchBroker(ctx); return nil })
	}
	if l.Source != nil {
		tasks.Go(func() error { return l.Source.Run(ctx) })
	}
	if l.ear != nil {
		tasks.Go(func() error { l.ear.run(ctx); return nil })
	}
	err := tasks.Wait()
	last := context.WithoutCancel(ctx)
	clocks.tell(last, errors.Join(clocks.save(last), l.savePassed(last)))
	arrivals.tell(last, arrivals.save(last))
	if l.Broker != nil {
		err = errors.Join(err, l.Broker.Close())
	}
	return err
}

// WatchBroker sees whether nodes can still connect, until ctx ends.
func (l *Logger) WatchBroker(ctx context.Context) {
	tick := time.NewTicker(probeEvery)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
		once, cancel := context.WithTimeout(ctx, probeTimeout)
		err := l.Broker.Probe(once)
		cancel()
		switch was := l.deaf.Load(); {
		case ctx.Err() != nil:
			return
		case err == nil && was != nil:
			l.deaf.Store(nil)
			l.Log.Info("the broker answers again")
		case err != nil:
			l.deaf.Store(&err)
			if was == nil {
				l.Log.Error("nodes cannot connect", "error", err)
			}
		}
	}
}

// sealing packs what has settled. A failure is no reason to stop logging.
func (l *Logger) sealing(ctx context.Context) error {
	tick := time.NewTicker(sealEvery)
	defer tick.Stop()
	for {
		rows, err := l.Store.Seal(ctx, greywatt.InstantOf(time.Now().Add(-SealAfter)))
		switch {
		case ctx.Err() != nil:
			return nil
		case err != nil:
			l.Log.Error("settled readings not packed; trying again later", "error", err)
		case rows > 0:
			l.Log.Info("packed settled readings", "frames", rows)
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return nil
		}
	}
}

// storeLog is a store that reports what is committed to it.
type storeLog struct {
	*store.Store
	committed func(rs []greywatt.Reading, took time.Duration) // called with each commit, unless nil; set before the logger runs
}

func (s *storeLog) Append(ctx context.Context, rs []greywatt.Reading) (ingest.Counts, error) {
	start := time.Now()
	counts, err := s.Store.Append(ctx, rs)
	if err == nil && s.committed != nil {
		s.committed(rs, time.Since(start))
	}
	return counts, err
}
