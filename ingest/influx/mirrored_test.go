package influx_test

import (
	"context"
	"fmt"
	"math"
	"sync"
	"testing"
	"time"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/influx"
	"greywatt/ingest/influx/influxdtest"
	"greywatt/ingest/ingesttest"
	"greywatt/ingest/store"
)

// storeQueue lets a mirror take from a store.
type storeQueue struct {
	*store.Store
	name string
}

func (q storeQueue) Changes(ctx context.Context, max int) ([]ingest.Change, int64, error) {
	cs, next, err := q.Store.Changes(ctx, q.name, max)
	changes := make([]ingest.Change, len(cs))
	for i, c := range cs {
		changes[i] = ingest.Change(c)
	}
	return changes, next, err
}

func (q storeQueue) Confirm(ctx context.Context, next int64) error {
	return q.Store.Confirm(ctx, q.name, next)
}

// A store is mirrored while it is written, through a server that is killed and
// started again and a mirror that is stopped and made anew: in the end both have
// the same. What was stored before there was a mirror is copied. Meanwhile an
// append to the store never waits for the server.
func TestMirrorOfStore(t *testing.T) {
	s := influxdtest.Open(t)
	st, err := store.Open(t.TempDir(), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	const name, batches, perBatch = "city", 300, 400
	batch := func(i int) (rs []greywatt.Reading) {
		for k := range perBatch {
			at := day + greywatt.Instant(i*perBatch+k)*second
			if i%10 == 3 {
				at -= 300 * 24 * 3600 * second // months late
			}
			rs = append(rs, reading(fmt.Sprintf("larch-%02d", i%3), "n1", greywatt.Channel(k%5), at, float64(k)/16))
		}
		return rs
	}
	var all []greywatt.Reading
	add := func(i int) {
		if _, err := st.Append(t.Context(), batch(i)); err != nil {
			t.Error(err)
		}
		all = append(all, batch(i)...)
	}
	for i := range batches / 5 {
		add(i)
	}
	q := storeQueue{st, name}
	if err := st.Mirror(t.Context(), name); err != nil {
		t.Fatal(err)
	}
	mirror := func() (*influx.Mirror, func()) {
		db := openDB(t, influx.Config{URL: s.URL, Bucket: influxdtest.Bucket})
		m := influx.NewMirror(influx.MirrorConfig{Queue: q, DB: db, Poll: 10 * time.Millisecond, Least: 20 * time.Millisecond, Most: 200 * time.Millisecond})
		ctx, cancel := context.WithCancel(t.Context())
		var wg sync.WaitGroup
		wg.Go(func() { m.Run(ctx) })
		return m, func() { cancel(); wg.Wait() }
	}
	m, stop := mirror()
	ids, err := st.Dwellings(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range ids {
		if err := m.Copy(t.Context(), d, st.Frames(t.Context(), d, 0, 0)); err != nil {
			t.Fatal(err)
		}
	}
	var slowest time.Duration
	var starting sync.WaitGroup
	for i := batches / 5; i < batches; i++ {
		switch i {
		case batches / 3:
			s.Kill()
		case batches / 2: // stopped amid an outage
			awaitThat(t, "the outage seen", func() bool { return !m.Status().FailingSince.IsZero() })
			stop()
			m, stop = mirror()
		case batches * 2 / 3:
			starting.Go(func() { s.Start(t) })
		}
		begin := time.Now()
		add(i)
		slowest = max(slowest, time.Since(begin))
	}
	if slowest > 5*time.Second {
		t.Errorf("an append took %v while the server was away", slowest)
	}
	starting.Wait()
	awaitThat(t, "all mirrored", func() bool {
		changes, _, err := q.Changes(t.Context(), 1)
		if err != nil {
			t.Fatal(err)
		}
		return len(changes) == 0 && m.Status().Current
	})
	stop()
	db := openDB(t, influx.Config{URL: s.URL, Bucket: influxdtest.Bucket})
	ingesttest.Compare(t, stored(t, db, ids...), bitsOf(all))
	for _, d := range ids { // and frame by frame, as an analysis would see them
		mirrored := frames(t, db, d, 0, 0)
		n := 0
		for batch, err := range st.Frames(t.Context(), d, 0, 0) {
			if err != nil {
				t.Fatal(err)
			}
			for _, f := range batch {
				if n < len(mirrored) && !sameFrame(f, mirrored[n]) {
					t.Fatalf("%s: frame %d is %+v in the mirror, %+v in the store", d, n, mirrored[n], f)
				}
				n++
			}
		}
		if n != len(mirrored) {
			t.Errorf("%s: %d frames in the mirror, %d in the store", d, len(mirrored), n)
		}
	}
	t.Logf("%d readings, the slowest append of %d took %v", len(all), perBatch, slowest.Round(time.Millisecond))
}

func sameFrame(f, g greywatt.Frame) bool {
	for c := range f.Value {
		if math.Float64bits(f.Value[c]) != math.Float64bits(g.Value[c]) && !(math.IsNaN(f.Value[c]) && math.IsNaN(g.Value[c])) {
			return false
		}
	}
	return f.At == g.At && f.Node == g.Node
}

func awaitThat(t *testing.T, what string, cond func() bool) {
	t.Helper()
	for deadline := time.Now().Add(3 * time.Minute); time.Now().Before(deadline); pause(20 * time.Millisecond) {
		if cond() {
			return
		}
	}
	t.Fatalf("after 3 min: not yet %s", what)
}
