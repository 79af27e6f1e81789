package logger

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"testing"
	"time"

	"greywatt/ingest/mqttsource"
	"greywatt/ingest/store"
)

// A logger that is started again with its clock set back leaves with the nodes
// what it would take for readings from the future.
func TestClockSetBackIsNoticed(t *testing.T) {
	dir := t.TempDir()
	right := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	offer := func(now time.Time) error {
		st, err := store.Open(dir, store.Options{})
		if err != nil {
			t.Fatal(err)
		}
		defer st.Close()
		l := New(st, nil, "greywatt", slog.New(slog.DiscardHandler), func() time.Time { return now }, false, nil, Options{})
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- l.Committer.Run(ctx) }()
		body := fmt.Sprintf(`[{"n":"flow","u":"l/s","t":%d,"v":0.1}]`, right.Unix())
		safe := make(chan struct{})
		err = l.Committer.Offer("greywatt/larch-04/n1/senml", []byte(body), func() { close(safe) })
		if err == nil {
			<-safe
		}
		stop()
		if err := <-done; err != nil { // the status counts a commit once it is acknowledged
			t.Error(err)
		}
		if err := l.savePassed(t.Context()); err != nil {
			t.Error(err)
		}
		return err
	}
	if err := offer(right); err != nil {
		t.Fatal(err)
	}
	for range 2 { // the wrong time does not replace the right one
		if err := offer(right.Add(-30 * time.Hour)); !errors.Is(err, mqttsource.ErrClock) {
			t.Errorf("with the clock 30 h slow: %v", err)
		}
	}
}
