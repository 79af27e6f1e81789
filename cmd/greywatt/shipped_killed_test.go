//go:build linux

package main

import (
	mathrand "math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"greywatt/cmd/greywatt/internal/publish"
	"greywatt/ingest/payload"
	"greywatt/ingest/store"
)

// The logger is killed at random instants while it backs up every second: the newest
// backup is whole, and holds every reading that was acknowledged before the time in
// its name.
func TestShippedBackupsKilled(t *testing.T) {
	data, shipped := filepath.Join(t.TempDir(), "data"), t.TempDir()
	compared := 0
	acked := map[string][]time.Time{} // of each pack of a node
	for round := range *rounds {
		p := startProgram(t, "run", "--study", filesStudy, "--data", data, "--listen", "127.0.0.1:0", "--http", "", "--backup-to", shipped, "--backup-every", "1s")
		url, _ := p.hear(t, `msg=listening broker=(\S+)`, 0)
		s := &crashSender{name: "r" + string(rune('a'+round%26)) + strings.Repeat("x", round/26)}
		n, err := publish.Connect(url, payload.Topic{Dwelling: "larch-04", Node: s.name}, payload.DefaultPrefix)
		if err != nil {
			t.Fatal(err)
		}
		ended := make(chan struct{})
		go func() {
			defer close(ended)
			defer n.Client.Disconnect(0)
			for {
				n.Readings = append(n.Readings[:0], s.readings(s.sent)...)
				s.sent++
				if n.Publish() != nil {
					return
				}
				for _, pack := range n.UnderWay {
					if pack.Wait(); pack.Error() != nil {
						return
					}
					acked[s.name] = append(acked[s.name], time.Now())
				}
				n.UnderWay = n.UnderWay[:0]
			}
		}()
		p.hear(t, `msg=backup`, 0)
		instant := time.NewTimer(mathrand.N(2500 * time.Millisecond))
		<-instant.C
		p.kill()
		<-ended

		files, err := filepath.Glob(filepath.Join(shipped, "greywatt-*.backup"))
		if err != nil || len(files) == 0 {
			t.Fatalf("no backup: %v", err)
		}
		newest := slices.Max(files) // names sort by time
		at, err := time.Parse("20060102T150405.000Z", strings.TrimSuffix(strings.TrimPrefix(filepath.Base(newest), "greywatt-"), ".backup"))
		if err != nil {
			t.Fatal(err)
		}
		st, err := store.OpenFile(newest)
		if err != nil {
			t.Fatal(err)
		}
		stored := map[string]int64{}
		for _, n := range soundNodes(t, st) {
			stored[n.Node] = n.Readings
		}
		if err := st.Close(); err != nil {
			t.Fatal(err)
		}
		for name, times := range acked {
			want := int64(0)
			for _, when := range times {
				if when.Before(at) {
					want += crashPack
				}
			}
			if stored[name] < want {
				t.Errorf("round %d: %s has %d readings of %s, %d were acknowledged before", round, newest, stored[name], name, want)
			}
			if want > 0 {
				compared++
			}
		}
	}
	t.Logf("%d kills, %d comparisons of a node", *rounds, compared)
	if *rounds > 1 && compared == 0 {
		t.Error("nothing was acknowledged before any backup: nothing was shown")
	}
}
