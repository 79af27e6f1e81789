package main

import (
	"context"
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/broker"
	"greywatt/ingest/ingesttest"
	"greywatt/ingest/mqttsource"
	"greywatt/ingest/store"
)

// A logger is greywatt's own path from MQTT to disk: its broker, committer and
// store.
type logger struct {
	dir  string
	addr string // the same at every start

	store  *store.Store
	cancel context.CancelFunc
	ended  chan struct{}
	broker *broker.Broker

	gate chan struct{} // where not nil, Append waits until it is closed
	ingesttest.Tally
}

// arrival is when the logger's clock says that everything arrives: half a year
// after most of what the nodes of these tests sample.
var arrival = time.Date(2026, 7, 7, 8, 0, 0, 0, time.UTC)

func newLogger(t *testing.T) *logger {
	t.Helper()
	return &logger{dir: t.TempDir(), addr: ingesttest.FreeAddr(t)}
}

func (l *logger) url() string { return "tcp://" + l.addr }

// start brings the logger up, as often as it has been stopped.
func (l *logger) start(t *testing.T) {
	t.Helper()
	var err error
	if l.store, err = store.Open(l.dir, store.Options{}); err != nil {
		t.Fatal(err)
	}
	c := mqttsource.NewCommitter(mqttsource.CommitterConfig{
		Prefix: "greywatt", Log: l, GroupDelay: 5 * time.Millisecond, Now: func() time.Time { return arrival },
	})
	if l.broker, err = broker.Listen(broker.Config{Addr: l.addr, Prefix: "greywatt", Sink: c}); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	l.cancel, l.ended = cancel, make(chan struct{})
	go func() {
		defer close(l.ended)
		if err := c.Run(ctx); err != nil {
			t.Errorf("committer: %v", err)
		}
	}()
	t.Cleanup(func() { l.stop(t) })
}

// stop takes broker and store away, as on SIGTERM.
func (l *logger) stop(t *testing.T) {
	t.Helper()
	if l.broker == nil {
		return
	}
	l.cancel()
	<-l.ended
	if err := errors.Join(l.broker.Close(), l.store.Close()); err != nil {
		t.Error(err)
	}
	l.broker = nil
}

func (l *logger) Append(ctx context.Context, rs []greywatt.Reading) (ingest.Counts, error) {
	if l.gate != nil {
		select {
		case <-l.gate:
		case <-ctx.Done():
			return ingest.Counts{}, ctx.Err()
		}
	}
	n, err := l.store.Append(ctx, rs)
	l.Add(n)
	return n, err
}

func (l *logger) AppendRejected(ctx context.Context, rs []ingest.RejectedRecord) error {
	return l.store.AppendRejected(ctx, rs)
}

func (l *logger) SetPresences(ctx context.Context, ps []ingest.Presence) error {
	err := l.store.SetPresences(ctx, ps)
	l.Saw(func(s *ingesttest.Seen) {
		for _, p := range ps {
			s.Up = append(s.Up, p.Up)
		}
	})
	return err
}

// stored returns all readings of a dwelling, and fails where one is there twice
// or anything was refused or in conflict.
func (l *logger) stored(t *testing.T, dwelling string) map[greywatt.Reading]bool {
	t.Helper()
	rejected, err := l.store.Rejected(t.Context(), 10)
	if err != nil {
		t.Fatal(err)
	}
	conflicts, err := l.store.Conflicts(t.Context(), 10)
	if err != nil {
		t.Fatal(err)
	}
	if len(rejected) > 0 || len(conflicts) > 0 {
		t.Errorf("refused %v, conflicts %v; want none", rejected, conflicts)
	}
	return ingesttest.Readings(t, l.store, dwelling)
}

// sampled reads what a node echoed. The last line may be cut short by a kill.
func sampled(t *testing.T, dwelling, node, text string) map[greywatt.Reading]bool {
	t.Helper()
	lines := strings.SplitAfter(text, "\n")
	if len(lines) < 2 || lines[0] != echoHeader()+"\n" {
		t.Fatalf("the node said %q, want a header", text[:min(len(text), 100)])
	}
	all := make(map[greywatt.Reading]bool)
	for _, line := range lines[1:] {
		if !strings.HasSuffix(line, "\n") {
			break
		}
		rec, err := openRecording("echo", strings.NewReader(echoHeader()+"\n"+line))
		if err != nil {
			t.Fatal(err)
		}
		for c, v := range rec.now {
			if !math.IsNaN(v) {
				v = math.Round(v*1e6) / 1e6
				all[greywatt.Reading{Dwelling: dwelling, Node: node, Channel: greywatt.Channel(c), At: greywatt.InstantOf(rec.start), Value: v}] = true
			}
		}
	}
	return all
}
