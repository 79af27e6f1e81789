package influx_test

import (
	"io"
	"math"
	"net/http"
	"strings"
	"testing"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/influx"
	"greywatt/ingest/influx/influxdtest"
)

// day is 2026-01-12, a Monday: shards begin on Mondays.
const day = greywatt.Instant(1_768_176_000_000_000)

const second = greywatt.Instant(1_000_000)

// A site is a database on a server.
type site struct {
	*influxdtest.Server
	bucket string
}

func (s *site) open(t testing.TB) *influx.DB {
	t.Helper()
	return openDB(t, influx.Config{URL: s.URL, Bucket: s.bucket, Token: s.Token, Results: []string{"event", "finding"}})
}

func openDB(t testing.TB, cfg influx.Config) *influx.DB {
	t.Helper()
	db, err := influx.New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { db.Close() })
	return db
}

// raw writes lines as another program might, time in microseconds.
func (s *site) raw(t *testing.T, lines string) {
	t.Helper()
	resp, err := http.Post(s.URL+"/api/v2/write?precision=us&bucket="+s.bucket, "text/plain", strings.NewReader(lines))
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if text, _ := io.ReadAll(resp.Body); resp.StatusCode != http.StatusNoContent {
		t.Fatalf("status %d: %s", resp.StatusCode, text)
	}
	http.DefaultClient.CloseIdleConnections()
}

// frames returns all frames of a dwelling, checking their order.
func frames(t testing.TB, db *influx.DB, dwelling string, from, to greywatt.Instant) []greywatt.Frame {
	t.Helper()
	var all []greywatt.Frame
	for batch, err := range db.Frames(t.Context(), dwelling, from, to) {
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range batch {
			if n := len(all); n > 0 && (all[n-1].At > f.At || all[n-1].At == f.At && all[n-1].Node >= f.Node) {
				t.Fatalf("frame of %s at %s comes after that of %s at %s", f.Node, f.At, all[n-1].Node, all[n-1].At)
			}
			all = append(all, f)
		}
	}
	return all
}

// A bitReading is a reading whose value is compared bit for bit.
type bitReading struct {
	dwelling, node string
	channel        greywatt.Channel
	at             greywatt.Instant
	bits           uint64
}

func bitsOf(rs []greywatt.Reading) map[bitReading]bool {
	set := make(map[bitReading]bool, len(rs))
	for _, r := range rs {
		set[bitReading{r.Dwelling, r.Node, r.Channel, r.At, math.Float64bits(r.Value)}] = true
	}
	return set
}

// stored returns all readings that a database has of dwellings.
func stored(t testing.TB, db *influx.DB, dwellings ...string) map[bitReading]bool {
	t.Helper()
	set := make(map[bitReading]bool)
	for _, d := range dwellings {
		for _, f := range frames(t, db, d, 0, 0) {
			for c, v := range f.Value {
				if !math.IsNaN(v) {
					set[bitReading{d, f.Node, greywatt.Channel(c), f.At, math.Float64bits(v)}] = true
				}
			}
		}
	}
	return set
}

func appendAll(t testing.TB, db *influx.DB, rs []greywatt.Reading, want ingest.Counts) {
	t.Helper()
	got, err := db.Append(t.Context(), rs)
	if err != nil || got != want {
		t.Fatalf("append of %d readings: %+v, %v; want %+v", len(rs), got, err, want)
	}
}

func reading(dwelling, node string, c greywatt.Channel, at greywatt.Instant, v float64) greywatt.Reading {
	return greywatt.Reading{Dwelling: dwelling, Node: node, Channel: c, At: at, Value: v}
}
