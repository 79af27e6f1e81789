package store

import (
	"fmt"
	"testing"

	"greywatt/ingest"
	"greywatt/ingest/ingesttest"
)

func presencesOf(nodes int) []ingest.Presence {
	ps := make([]ingest.Presence, nodes)
	for i := range ps {
		ps[i] = ingest.Presence{Dwelling: fmt.Sprintf("larch-%03d", i), Node: "n1", Up: true, Since: 1_768_000_000_000_000}
	}
	return ps
}

// What a broker retained for a thousand nodes is one transaction, and the same
// once more none.
func TestPresencesAreOneCommit(t *testing.T) {
	s, err := Open(t.TempDir(), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	before := ingesttest.CommitsInLog(t, s.Path())
	for _, want := range []int{1, 0} {
		if err := s.SetPresences(t.Context(), presencesOf(1000)); err != nil {
			t.Fatal(err)
		}
		after := ingesttest.CommitsInLog(t, s.Path())
		if got := after - before; got != want {
			t.Errorf("%d commits, want %d", got, want)
		}
		before = after
	}
	all, err := s.Presences(t.Context())
	if err != nil || len(all) != 1000 {
		t.Errorf("%d presences, %v", len(all), err)
	}
}

func BenchmarkSetPresences(b *testing.B) {
	for _, nodes := range []int{1, 1000} {
		b.Run(fmt.Sprint(nodes), func(b *testing.B) {
			s, err := Open(b.TempDir(), Options{})
			if err != nil {
				b.Fatal(err)
			}
			defer s.Close()
			ps := presencesOf(nodes)
			up := true
			for b.Loop() {
				for i := range ps {
					ps[i].Up, ps[i].Since = up, ps[i].Since+1
				}
				up = !up
				if err := s.SetPresences(b.Context(), ps); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
