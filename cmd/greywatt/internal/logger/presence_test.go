package logger

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"testing"
	"time"

	"greywatt"
	"greywatt/ingest/ingesttest"
	"greywatt/ingest/store"
)

// After a reconnect a broker sends the presence that it retained of every node.
// Acknowledgements wait for it to be on disk, so a group of messages is one
// transaction, not one a node.
func TestPresenceIsCommittedByTheGroup(t *testing.T) {
	const nodes = 300
	study := &greywatt.Study{Timezone: time.UTC}
	for i := range nodes {
		study.Dwellings = append(study.Dwellings, greywatt.Dwelling{ID: fmt.Sprintf("larch-%03d", i), Connection: greywatt.ConnectionA})
	}
	st, err := store.Open(t.TempDir(), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	l := New(st, study, "greywatt", slog.New(slog.DiscardHandler), time.Now, false, nil, Options{})
	var safe sync.WaitGroup
	for i := range nodes {
		safe.Add(1)
		topic := fmt.Sprintf("greywatt/%s/n1/presence", study.Dwellings[i].ID)
		if err := l.Committer.Offer(topic, []byte("up"), safe.Done); err != nil {
			t.Fatal(err)
		}
	}
	before := ingesttest.CommitsInLog(t, st.Path())
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- l.Committer.Run(ctx) }()
	safe.Wait()
	cancel()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	groups := l.Committer.Status().Commits
	if got := ingesttest.CommitsInLog(t, st.Path()) - before; int64(got) != groups || groups > nodes/10 {
		t.Errorf("%d transactions for the presence of %d nodes in %d groups, want one a group", got, nodes, groups)
	}
	if ps, err := st.Presences(t.Context()); err != nil || len(ps) != nodes {
		t.Errorf("%d presences, %v", len(ps), err)
	}
}
