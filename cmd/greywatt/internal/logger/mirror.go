package logger

import (
	"context"
	"errors"
	"log/slog"
	"sync/atomic"
	"time"

	"github.com/spf13/pflag"
	"golang.org/x/sync/errgroup"

	"greywatt"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/live"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/ingest"
	"greywatt/ingest/influx"
	"greywatt/ingest/store"
)

// MirrorFlags say where a logger's readings go besides the data folder.
type MirrorFlags struct{ Address, Forget string }

func (f *MirrorFlags) AddFlags(flags *pflag.FlagSet) {
	flags.StringVar(&f.Address, "mirror", "", "copy what is stored to the InfluxDB bucket at `URL`, as in influx+http://HOST:8086/BUCKET")
	flags.StringVar(&f.Forget, "unmirror", "", "give up the mirror at `URL`, and what waits for it")
	cli.ForServers(flags, "mirror", "unmirror")
}

// A Mirroring copies a store to a bucket while its logger runs.
type Mirroring struct {
	*influx.Mirror
	db      *influx.DB
	store   *store.Store
	log     *slog.Logger
	waiting atomic.Int64 // packs of readings, at the last count
}

// Open has the store keep what comes from now on for the mirror, which run
// serves. It returns nil where none is asked for.
func (f *MirrorFlags) Open(ctx context.Context, con *cli.Console, server *site.InfluxFlags, st *store.Store, log *slog.Logger) (*Mirroring, error) {
	if f.Forget != "" {
		cfg, err := influx.ParseURL(f.Forget)
		if err != nil {
			return nil, cli.Usagef("--unmirror: %w", err)
		}
		if err := errors.Join(st.Unmirror(ctx, cfg.String()), st.SetNote(ctx, "", CopiedNote(cfg.String()), nil)); err != nil {
			return nil, err
		}
	}
	var m *Mirroring
	name := ""
	if f.Address != "" {
		db, err := server.Open(con, "mirror", f.Address)
		if err != nil {
			return nil, err
		}
		name = db.String()
		if err := st.Mirror(ctx, name); err != nil {
			return nil, errors.Join(err, db.Close())
		}
		m = &Mirroring{db: db, store: st, log: log}
		m.Mirror = influx.NewMirror(influx.MirrorConfig{Queue: mirrorQueue{st, name}, DB: db, Logger: log})
	}
	all, err := st.Mirrors(ctx)
	if err != nil {
		return nil, err
	}
	for _, other := range all {
		if other.Name != name {
			log.Warn("readings are kept for a mirror that nobody serves; --mirror serves it, --unmirror forgets it", "mirror", other.Name, "waiting", other.Waiting)
		}
	}
	return m, nil
}

// run forwards until ctx ends, and beside that copies what was stored before
// the mirror was there, unless that is done.
func (m *Mirroring) Forward(ctx context.Context) {
	defer m.db.Close()
	tasks, ctx := errgroup.WithContext(ctx)
	tasks.Go(func() error { return m.Run(ctx) })
	tasks.Go(func() error { m.count(ctx); return nil })
	tasks.Go(func() error {
		if err := m.copyEarlier(ctx); err != nil && ctx.Err() == nil {
			m.log.Error("what was stored before is not wholly copied to the mirror; the next run goes on with it", "mirror", m.db.String(), "error", err)
		}
		return nil
	})
	if err := tasks.Wait(); err != nil {
		m.log.Error("mirror", "error", err)
	}
}

// countEvery is how often what waits for the mirror is counted.
const countEvery = 5 * time.Second

// count counts what waits for the mirror until ctx ends.
func (m *Mirroring) count(ctx context.Context) {
	tick := time.NewTicker(countEvery)
	defer tick.Stop()
	for {
		all, err := m.store.Mirrors(ctx)
		if err != nil && ctx.Err() == nil {
			m.log.Error("what waits for the mirror cannot be counted", "error", err)
		}
		for _, s := range all {
			if s.Name == m.db.String() {
				m.waiting.Store(s.Waiting)
			}
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
	}
}

// state is what the page shows of the mirror.
func (m *Mirroring) state() live.Mirror {
	s := m.Status()
	return live.Mirror{
		Server: s.Server, Waiting: m.waiting.Load(), BehindSince: s.BehindSince, LastWrite: s.LastWrite,
		FailingSince: s.FailingSince, Trouble: s.LastError, Lasting: s.Class != influx.Temporary,
		Frames: s.Frames, Rejected: s.Rejected,
	}
}

// CopiedNote is where it is written that a mirror has what was stored before it.
func CopiedNote(mirror string) string { return "copied to " + mirror }

func (m *Mirroring) copyEarlier(ctx context.Context) error {
	note := CopiedNote(m.db.String())
	if done, err := m.store.Note(ctx, "", note); err != nil || done != nil {
		return err
	}
	ids, err := m.store.Dwellings(ctx)
	if err != nil {
		return err
	}
	var damaged error
	for _, id := range ids {
		if done, err := m.store.Note(ctx, id, note); err != nil || done != nil {
			if err != nil {
				return err
			}
			continue
		}
		frames := func(yield func([]greywatt.Frame, error) bool) {
			for batch, err := range m.store.Frames(ctx, id, 0, 0) {
				if damage := (*ingest.CorruptError)(nil); errors.As(err, &damage) {
					damaged = errors.Join(damaged, err)
					continue
				}
				if !yield(batch, err) {
					return
				}
			}
		}
		if err := m.Copy(ctx, id, frames); err != nil {
			return err
		}
		if err := m.store.SetNote(ctx, id, note, []byte("done")); err != nil {
			return err
		}
	}
	if len(ids) > 0 {
		m.log.Info("copied what was stored before", "mirror", m.db.String(), "dwellings", len(ids))
	}
	return errors.Join(damaged, m.store.SetNote(ctx, "", note, []byte("done")))
}
