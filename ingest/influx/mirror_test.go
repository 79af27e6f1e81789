package influx

import (
	"context"
	"errors"
	"math"
	"net/http"
	"sync"
	"testing"
	"time"

	"greywatt"
	"greywatt/ingest"
)

var nan = math.NaN()

// A fakeQueue keeps changes in memory.
type fakeQueue struct {
	mu        sync.Mutex
	waiting   []ingest.Change // from confirmed on
	confirmed int64
	aside     []ingest.RejectedRecord
	fail      error // of SetAside
	asked     chan struct{}
}

func (q *fakeQueue) Changes(_ context.Context, max int) ([]ingest.Change, int64, error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	select {
	case q.asked <- struct{}{}:
	default:
	}
	n := min(1, len(q.waiting))
	return q.waiting[:n], q.confirmed + int64(n), nil
}

func (q *fakeQueue) Confirm(_ context.Context, next int64) error {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.waiting = q.waiting[next-q.confirmed:]
	q.confirmed = next
	return nil
}

func (q *fakeQueue) AppendRejected(_ context.Context, rs []ingest.RejectedRecord) error {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.fail != nil {
		return q.fail
	}
	q.aside = append(q.aside, rs...)
	return nil
}

func (q *fakeQueue) done() (confirmed int64, waiting, aside int) {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.confirmed, len(q.waiting), len(q.aside)
}

func newFakeQueue(changes int) *fakeQueue {
	q := &fakeQueue{asked: make(chan struct{}, 1)}
	for i := range changes {
		f := greywatt.Frame{At: greywatt.Instant(i + 1), Node: "n1", Value: greywatt.NoValues()}
		f.Value[greywatt.Flow] = float64(i)
		q.waiting = append(q.waiting, ingest.Change{Dwelling: "larch-04", Frames: []greywatt.Frame{f}})
	}
	return q
}

// runMirror runs a mirror until the returned function is called.
func runMirror(t *testing.T, q Queue, db *DB) (m *Mirror, end func()) {
	t.Helper()
	m = NewMirror(MirrorConfig{Queue: q, DB: db, Poll: time.Millisecond, Least: time.Millisecond, Most: 8 * time.Millisecond})
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- m.Run(ctx) }()
	return m, func() {
		t.Helper()
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Run: %v, want nil at the end of its context", err)
		}
	}
}

func await(t *testing.T, what string, cond func() bool) {
	t.Helper()
	tick := time.NewTicker(time.Millisecond)
	defer tick.Stop()
	for deadline := time.Now().Add(30 * time.Second); time.Now().Before(deadline); <-tick.C {
		if cond() {
			return
		}
	}
	t.Fatalf("after 30 s: not yet %s", what)
}

// Through failures of every class nothing is confirmed that was not written,
// nothing is dropped, and the status says whether somebody must look.
func TestMirrorOutage(t *testing.T) {
	s := newFakeServer(t)
	status := http.StatusServiceUnavailable
	s.reject = func(w http.ResponseWriter, _ []string) bool {
		s.mu.Lock()
		now := status
		s.mu.Unlock()
		if now != 0 {
			answer(w, now, map[string]string{"error": "no"})
		}
		return now != 0
	}
	set := func(to int) { s.mu.Lock(); status = to; s.mu.Unlock() }
	const changes = 40
	q := newFakeQueue(changes)
	m, end := runMirror(t, q, s.open(t))
	for _, phase := range []struct {
		status int
		class  Class
	}{{503, Temporary}, {401, Setup}, {404, Setup}, {500, Temporary}} {
		set(phase.status)
		await(t, "the failure seen", func() bool {
			st := m.Status()
			return !st.FailingSince.IsZero() && st.Class == phase.class && !st.Current
		})
		if confirmed, _, _ := q.done(); confirmed > int64(s.has()) {
			t.Fatalf("%d confirmed, %d written", confirmed, s.has())
		}
	}
	set(0)
	await(t, "all mirrored", func() bool { c, _, _ := q.done(); return c == changes })
	await(t, "at rest", func() bool { return m.Status().Current })
	end()
	if st := m.Status(); s.has() != changes || st.Frames != changes || st.Rejected != 0 || !st.FailingSince.IsZero() || st.LastError == "" {
		t.Errorf("%d lines, status %+v", s.has(), st)
	}
}

// What the server will not have is rejected in the queue's store before it is
// confirmed, and does not hold up the rest.
func TestMirrorSetsAside(t *testing.T) {
	s := newFakeServer(t)
	s.reject = func(w http.ResponseWriter, lines []string) bool {
		bad := lines[0] == "reading,dwelling=larch-04,node=n1 flow_l_s=3 4"
		if bad {
			answer(w, 400, map[string]string{"error": "partial write: field type conflict dropped=1"})
		}
		return bad
	}
	q := newFakeQueue(10)
	q.fail = errors.New("disk full")
	m, end := runMirror(t, q, s.open(t))
	await(t, "failing to set aside", func() bool { return !m.Status().FailingSince.IsZero() })
	if confirmed, _, _ := q.done(); confirmed != 3 {
		t.Errorf("%d confirmed, want the 3 before the one that could not be set aside", confirmed)
	}
	q.mu.Lock()
	q.fail = nil
	q.mu.Unlock()
	await(t, "all mirrored", func() bool { c, _, _ := q.done(); return c == 10 })
	end()
	if _, _, aside := q.done(); aside != 1 || s.has() != 9 || m.Status().Rejected != 1 {
		t.Errorf("%d set aside, %d written, status %+v; want 1 and 9", aside, s.has(), m.Status())
	}
}

// A server that asks for patience gets it.
func TestMirrorRetryAfter(t *testing.T) {
	s := newFakeServer(t)
	s.reject = func(w http.ResponseWriter, _ []string) bool {
		w.Header().Set("Retry-After", "3600")
		answer(w, 429, map[string]string{"message": "slowly"})
		return true
	}
	m, end := runMirror(t, newFakeQueue(1), s.open(t))
	await(t, "told to wait", func() bool { return time.Until(m.Status().NextAttempt) > 59*time.Minute })
	end()
	if s.requests != 1 {
		t.Errorf("%d requests, want 1", s.requests)
	}
}

// That the queue can be read says nothing of the server: while a copy of what
// was stored before fails, the status keeps saying so.
func TestMirrorFailsUntilTheServerAnswers(t *testing.T) {
	s := newFakeServer(t)
	s.reject = func(w http.ResponseWriter, _ []string) bool {
		answer(w, http.StatusServiceUnavailable, map[string]string{"error": "no"})
		return true
	}
	q := newFakeQueue(0)
	m, end := runMirror(t, q, s.open(t))
	defer end()
	ctx, cancel := context.WithCancel(t.Context())
	copied := make(chan error)
	go func() {
		f := greywatt.Frame{At: 1, Node: "n1", Value: greywatt.NoValues()}
		f.Value[greywatt.Flow] = 1
		copied <- m.Copy(ctx, "larch-04", func(yield func([]greywatt.Frame, error) bool) { yield([]greywatt.Frame{f}, nil) })
	}()
	await(t, "a failure", func() bool { return !m.Status().FailingSince.IsZero() })
	since := m.Status().FailingSince
	for range 20 {
		<-q.asked
		if got := m.Status().FailingSince; got != since {
			t.Fatalf("failing since %v, want still %v", got, since)
		}
	}
	cancel()
	<-copied
}
