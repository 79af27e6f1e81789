package influx_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/influx"
	"greywatt/ingest/influx/influxdtest"
	"greywatt/ingest/ingesttest"
)

// A token that is wrong or may not write is distinguished from an outage, nothing
// counts as written, and once it is mended the same readings are taken.
func TestToken(t *testing.T) {
	s := influxdtest.Guarded(t)
	s.Exec(t, "CREATE USER reader WITH PASSWORD 'r'")
	s.Exec(t, "GRANT READ ON "+influxdtest.Bucket+" TO reader")
	rs := []greywatt.Reading{reading("larch-04", "n1", greywatt.Flow, day, 0.1)}
	for token, status := range map[string]int{"admin:wrong": 401, "nobody:x": 401, "nonsense": 401, "": 401, "reader:r": 403} {
		db := openDB(t, influx.Config{URL: s.URL, Bucket: influxdtest.Bucket, Token: token})
		var answer *influx.Error
		n, err := db.Append(t.Context(), rs)
		if !errors.As(err, &answer) || answer.Class != influx.Setup || answer.Status != status || n != (ingest.Counts{}) {
			t.Errorf("token %q: append %+v, %v; want status %d", token, n, err, status)
		}
		if err := db.Ping(t.Context()); !errors.As(err, &answer) || answer.Class != influx.Setup || answer.Status != status {
			t.Errorf("token %q: ping %v; want status %d", token, err, status)
		}
		if token != "" && strings.Contains(fmt.Sprint(err), token) {
			t.Errorf("the error gives the token away: %v", err)
		}
	}
	db := openDB(t, influx.Config{URL: s.URL, Bucket: influxdtest.Bucket, Token: s.Token})
	if err := db.Ping(t.Context()); err != nil {
		t.Errorf("ping with the right token: %v", err)
	}
	appendAll(t, db, rs, ingest.Counts{New: 1})
	ingesttest.Compare(t, stored(t, db, "larch-04"), bitsOf(rs))
	if err := db.Erase(t.Context(), "larch-04"); err != nil {
		t.Errorf("erase: %v", err)
	}
}

// The server is killed and started again amid the stream. What Append confirmed
// is there, and what it did not is there after it was given again.
func TestServerKilled(t *testing.T) {
	s := influxdtest.Open(t)
	db := openDB(t, influx.Config{URL: s.URL, Bucket: influxdtest.Bucket})
	const batches, size = 400, 500
	var mu sync.Mutex
	var confirmed []greywatt.Reading
	var failures atomic.Int64
	done := make(chan struct{})
	go func() {
		defer close(done)
		for i := range batches {
			var rs []greywatt.Reading
			for k := range size {
				rs = append(rs, reading("larch-04", "n1", greywatt.Channel(k%3), day+greywatt.Instant(i*size+k)*second, float64(k)))
			}
			for {
				_, err := db.Append(t.Context(), rs)
				if t.Context().Err() != nil {
					return
				}
				mu.Lock()
				if err == nil {
					confirmed = append(confirmed, rs...)
					mu.Unlock()
					break
				}
				mu.Unlock()
				failures.Add(1)
				var answer *influx.Error
				if !errors.As(err, &answer) || answer.Class != influx.Temporary {
					t.Errorf("append while the server is away: %v, want a temporary error", err)
					return
				}
				pause(50 * time.Millisecond)
			}
		}
	}()
	snapshot := func() []greywatt.Reading {
		mu.Lock()
		defer mu.Unlock()
		return slices.Clone(confirmed)
	}
	amid := 0
	for kill := range 3 {
		for len(snapshot()) < (kill+1)*batches*size/5 && running(done) {
			pause(5 * time.Millisecond)
		}
		s.Kill()
		before := snapshot()
		if len(before) < batches*size {
			amid++
		}
		for failed := failures.Load(); failures.Load() == failed && running(done); {
			pause(5 * time.Millisecond)
		}
		s.Start(t)
		got := stored(t, db, "larch-04")
		for r := range bitsOf(before) {
			if !got[r] {
				t.Fatalf("kill %d: confirmed and lost: %+v", kill, r)
			}
		}
	}
	<-done
	if amid == 0 || failures.Load() == 0 {
		t.Errorf("%d kills amid the stream, %d failures: nothing was shown", amid, failures.Load())
	}
	if got := snapshot(); len(got) != batches*size {
		t.Fatalf("%d readings confirmed, want %d", len(got), batches*size)
	}
	ingesttest.Compare(t, stored(t, db, "larch-04"), bitsOf(confirmed))
	t.Logf("%d kills amid the stream, %d attempts failed", amid, failures.Load())
}

func running(done <-chan struct{}) bool {
	select {
	case <-done:
		return false
	default:
		return true
	}
}

// pause is the wait of a client between attempts.
func pause(d time.Duration) { <-time.After(d) }
