package ingesttest

import (
	"slices"
	"sync"
	"testing"
	"time"

	"greywatt/ingest"
)

// Seen is what has passed through a store so far.
type Seen struct {
	ingest.Counts
	Up       []bool // presences, as they came
	Failures int    // calls refused
	Waiting  bool   // a call has begun to wait
}

// A Tally keeps what a store under test has seen, and lets a test wait for more. The
// zero Tally is ready for use, by several goroutines.
type Tally struct {
	mu      sync.Mutex
	seen    Seen
	changed chan struct{} // closed and replaced after every call; nil until somebody waits
}

// Saw changes what was seen.
func (t *Tally) Saw(change func(*Seen)) {
	t.mu.Lock()
	defer t.mu.Unlock()
	change(&t.seen)
	if t.changed != nil {
		close(t.changed)
		t.changed = nil
	}
}

// Add notes what came of readings.
func (t *Tally) Add(n ingest.Counts) {
	t.Saw(func(s *Seen) { s.Counts.Add(n) })
}

// Seen returns what was seen until now.
func (t *Tally) Seen() Seen {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.copied()
}

func (t *Tally) copied() Seen {
	s := t.seen
	s.Up = slices.Clone(s.Up)
	return s
}

// Await waits for what done looks for, and fails the test where it does not come within
// a minute.
func (t *Tally) Await(tb testing.TB, what string, done func(Seen) bool) {
	tb.Helper()
	timeout := time.NewTimer(time.Minute)
	defer timeout.Stop()
	for {
		t.mu.Lock()
		seen := t.copied()
		if t.changed == nil {
			t.changed = make(chan struct{})
		}
		changed := t.changed
		t.mu.Unlock()
		if done(seen) {
			return
		}
		select {
		case <-changed:
		case <-timeout.C:
			tb.Fatalf("after a minute: not yet %s; seen %+v", what, seen)
		}
	}
}
