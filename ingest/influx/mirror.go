package influx

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"iter"
	"log/slog"
	"sync"
	"time"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/retry"
)

// A Queue is what a durable store keeps for a mirror until the mirror confirms
// it.
type Queue interface {
	// Changes returns what is not confirmed, oldest first: about max frames, none
	// if nothing waits, and what to give to Confirm once they are safe.
	Changes(ctx context.Context, max int) (changes []ingest.Change, next int64, err error)
	// Confirm notes that all up to next is safe.
	Confirm(ctx context.Context, next int64) error
	// AppendRejected stores rejected records durably. The same record twice is one.
	AppendRejected(ctx context.Context, rs []ingest.RejectedRecord) error
}

// A MirrorConfig sets up a [Mirror]. Zero durations mean the default.
type MirrorConfig struct {
	Queue  Queue
	DB     *DB
	Poll   time.Duration // how often to look for something new; 1 s
	Least  time.Duration // wait after a failure, doubling; 1 s
	Most   time.Duration // wait at most; 1 min
	Logger *slog.Logger  // nil: none
}

// A Mirror copies what a store keeps for it to a bucket. It reads beside the
// logger and confirms in the queue what the server has confirmed, so nothing is
// lost by an outage on either side: what was under way is sent again, and
// counts once. However long the server is away, logging never waits for it.
type Mirror struct {
	cfg MirrorConfig

	mu     sync.Mutex
	status MirrorStatus
}

// A MirrorStatus says how a [Mirror] fares. Counts are since it was made.
type MirrorStatus struct {
	Server       string    // and bucket
	Frames       int64     // confirmed by the server
	Rejected     int64     // readings that the server did not accept
	Current      bool      // nothing was waiting at the last look
	BehindSince  time.Time // zero while it is current: what waits came after that
	LastWrite    time.Time // of something
	FailingSince time.Time // zero unless the last attempt failed
	NextAttempt  time.Time // zero likewise
	Class        Class     // of the failure: whether somebody must look
	LastError    string
}

// NewMirror returns a Mirror, which works while [Mirror.Run] does.
func NewMirror(cfg MirrorConfig) *Mirror {
	if cfg.Queue == nil || cfg.DB == nil {
		panic("influx: NewMirror wants a queue and a bucket")
	}
	cfg.Poll = cmp.Or(cfg.Poll, time.Second)
	cfg.Least = cmp.Or(cfg.Least, time.Second)
	cfg.Most = cmp.Or(cfg.Most, time.Minute)
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	return &Mirror{cfg: cfg, status: MirrorStatus{Server: cfg.DB.String()}}
}

// Status returns a copy of the counters.
func (m *Mirror) Status() MirrorStatus {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.status
}

// Run forwards until ctx ends and returns nil. No failure ends it: it tries for
// ever, and [Mirror.Status] says why.
func (m *Mirror) Run(ctx context.Context) error {
	for {
		var changes []ingest.Change
		var next int64
		ok := m.insist(ctx, func() (err error) {
			changes, next, err = m.cfg.Queue.Changes(ctx, m.cfg.DB.cfg.Points)
			return err
		})
		if !ok {
			return nil
		}
		m.setCurrent(len(changes) == 0)
		if len(changes) == 0 {
			if !retry.Sleep(ctx, m.cfg.Poll) {
				return nil
			}
			continue
		}
		var rows []Row
		for _, c := range changes {
			for _, f := range c.Frames {
				rows = append(rows, Row{c.Dwelling, f})
			}
		}
		if !m.put(ctx, rows) || !m.insist(ctx, func() error { return m.cfg.Queue.Confirm(ctx, next) }) {
			return nil
		}
	}
}

// Copy writes the frames of a dwelling that were stored before the queue was
// there. It returns nil once the server has all of them, and an error only where
// the frames cannot be read or ctx ends; it may be called beside Run.
func (m *Mirror) Copy(ctx context.Context, dwelling string, frames iter.Seq2[[]greywatt.Frame, error]) error {
	for batch, err := range frames {
		if err != nil {
			return err
		}
		rows := make([]Row, len(batch))
		for i, f := range batch {
			rows[i] = Row{dwelling, f}
		}
		if !m.put(ctx, rows) {
			return ctx.Err()
		}
	}
	return ctx.Err()
}

// put writes rows and rejects what the server will not have, until it
// succeeds, and reports whether that was before ctx ended.
func (m *Mirror) put(ctx context.Context, rows []Row) bool {
	return m.insist(ctx, func() error {
		rejected, err := m.cfg.DB.Put(ctx, rows)
		if err != nil {
			return err
		}
		if len(rejected) > 0 {
			if err := m.cfg.Queue.AppendRejected(ctx, rejected); err != nil {
				return fmt.Errorf("store what %s rejected: %w", m.cfg.DB, err)
			}
			m.cfg.Logger.Warn("the server rejected some readings; they are listed by greywatt rejected", "server", m.cfg.DB.String(), "readings", len(rejected), "first", rejected[0].Detail)
		}
		m.wrote(len(rows), len(rejected))
		m.succeeded()
		return nil
	})
}

// insist calls f until it succeeds, with growing waits, and reports whether that
// was before ctx ended. Success tells only that what failed here is over: to
// read the queue says nothing of the server.
func (m *Mirror) insist(ctx context.Context, f func() error) bool {
	backoff := retry.Backoff{Least: m.cfg.Least, Most: m.cfg.Most}
	for again := false; ; again = true {
		err := f()
		switch {
		case ctx.Err() != nil:
			return false
		case err == nil:
			if again {
				m.succeeded()
			}
			return true
		}
		wait := backoff.Step()
		var answer *Error
		if errors.As(err, &answer) {
			wait = max(wait, answer.RetryAfter)
		}
		m.failed(err, answer, wait)
		if !retry.Sleep(ctx, wait) {
			return false
		}
	}
}

func (m *Mirror) setCurrent(current bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.status.Current = current
	switch {
	case current:
		m.status.BehindSince = time.Time{}
	case m.status.BehindSince.IsZero():
		m.status.BehindSince = time.Now()
	}
}

func (m *Mirror) wrote(frames, rejected int) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.status.Frames += int64(frames)
	m.status.Rejected += int64(rejected)
	m.status.LastWrite = time.Now()
}

func (m *Mirror) succeeded() {
	m.mu.Lock()
	since := m.status.FailingSince
	m.status.FailingSince, m.status.NextAttempt = time.Time{}, time.Time{}
	m.mu.Unlock()
	if !since.IsZero() {
		m.cfg.Logger.Info("mirroring again", "server", m.cfg.DB.String(), "after", time.Since(since).Round(time.Millisecond))
	}
}

func (m *Mirror) failed(err error, answer *Error, wait time.Duration) {
	now := time.Now()
	m.mu.Lock()
	s := &m.status
	s.LastError, s.NextAttempt, s.Current = err.Error(), now.Add(wait), false
	s.Class = Temporary
	if answer != nil {
		s.Class = answer.Class
	}
	if s.FailingSince.IsZero() {
		s.FailingSince = now
	}
	class := s.Class
	m.mu.Unlock()
	m.cfg.Logger.Warn("not mirrored "+class.String()+"; what waits is on disk, logging goes on", "error", err, "next_attempt_in", wait.Round(time.Millisecond))
}
