package store

import (
	"errors"
	"slices"
	"testing"

	"greywatt"
	"greywatt/ingest"
)

// TestMirrors: each mirror is given what came after it, once, in order, also
// after a restart; what all have confirmed takes no room.
func TestMirrors(t *testing.T) {
	dir := t.TempDir()
	s := openTest(t, dir)
	ctx := t.Context()
	put := func(i int) {
		t.Helper()
		if _, err := s.Append(ctx, []greywatt.Reading{reading("elm", "n1", greywatt.Flow, t0+greywatt.Instant(i), float64(i))}); err != nil {
			t.Fatal(err)
		}
	}
	check := func(name string, want ...float64) (next int64) {
		t.Helper()
		changes, next, err := s.Changes(ctx, name, 100)
		if err != nil || len(changes) != len(want) {
			t.Fatalf("%s: %d changes, %v, want %v", name, len(changes), err, want)
		}
		for i, ch := range changes {
			if ch.Dwelling != "elm" || len(ch.Frames) != 1 || ch.Frames[0].Value[greywatt.Flow] != want[i] {
				t.Fatalf("%s: change %d is %+v, want %v", name, i, ch, want[i])
			}
		}
		return next
	}
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	if _, _, err := s.Changes(ctx, "a", 1); err == nil {
		t.Error("an unknown mirror has changes")
	}
	put(1)
	must(s.Mirror(ctx, "a"))
	put(2)
	must(s.Mirror(ctx, "b"))
	must(s.Mirror(ctx, "a")) // known: stays
	put(3)
	put(3)
	check("a", 2, 3)
	check("b", 3)
	must(s.Confirm(ctx, "a", check("a", 2, 3)))
	must(s.Close())
	s = openTest(t, dir)
	put(4)
	check("a", 4)
	if ms, err := s.Mirrors(ctx); err != nil || !slices.Equal(ms, []MirrorSummary{{"a", 1}, {"b", 2}}) {
		t.Errorf("mirrors %v, %v; want 1 waiting for a and 2 for b", ms, err)
	}
	if changes, _, err := s.Changes(ctx, "b", 1); err != nil || len(changes) != 1 {
		t.Errorf("limit 1: %d changes, %v", len(changes), err)
	}
	must(run(s.w, "UPDATE change SET data = x'0102' WHERE seq = (SELECT min(seq) FROM change)"))
	_, next, err := s.Changes(ctx, "b", 100)
	var damage *ingest.CorruptError
	if !errors.As(err, &damage) || damage.Dwelling != "elm" {
		t.Fatalf("damaged change: %v", err)
	}
	must(s.Confirm(ctx, "b", next))
	must(s.Confirm(ctx, "b", check("b", 4)))
	must(s.Confirm(ctx, "a", check("a", 4)))
	if n, err := integer(s.w, "SELECT count(*) FROM change"); err != nil || n != 0 {
		t.Errorf("%d changes kept, %v, though all are confirmed", n, err)
	}
	must(s.Unmirror(ctx, "a"))
	must(s.Unmirror(ctx, "b"))
	put(5)
	if n, err := integer(s.w, "SELECT count(*) FROM change"); err != nil || n != 0 {
		t.Errorf("%d changes kept, %v, though nobody waits for them", n, err)
	}
}
