package store

import (
	"errors"
	"os"
	"testing"

	"greywatt"
)

func openTest(t testing.TB, dir string) *Store {
	t.Helper()
	s, err := Open(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

const t0 = greywatt.Instant(1_767_225_600_000_000) // 2026-01-01T00:00:00Z

func reading(dwelling, node string, ch greywatt.Channel, at greywatt.Instant, v float64) greywatt.Reading {
	return greywatt.Reading{Dwelling: dwelling, Node: node, Channel: ch, At: at, Value: v}
}

func collect(t testing.TB, s *Store, dwelling string, from, to greywatt.Instant) []greywatt.Frame {
	t.Helper()
	var all []greywatt.Frame
	for batch, err := range s.Frames(t.Context(), dwelling, from, to) {
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, batch...)
	}
	return all
}

func TestFirstComesStays(t *testing.T) {
	s := openTest(t, t.TempDir())
	rs := []greywatt.Reading{
		reading("larch-04", "n1", greywatt.WasteIn, t0, 36.5),
		reading("larch-04", "n1", greywatt.ColdIn, t0, 9.25),
		reading("larch-04", "n1", greywatt.WasteIn, t0, 36.5),
		reading("larch-04", "n1", greywatt.WasteIn, t0, 36.75),
		reading("larch-04", "n2", greywatt.Flow, t0-1, 0.15),
	}
	got, err := s.Append(t.Context(), rs)
	if want := (Counts{New: 3, Duplicate: 1, Conflict: 1}); err != nil || got != want {
		t.Fatalf("first append: %+v, %v, want %+v", got, err, want)
	}
	got, err = s.Append(t.Context(), rs)
	if want := (Counts{Duplicate: 4, Conflict: 1}); err != nil || got != want {
		t.Fatalf("second append: %+v, %v, want %+v", got, err, want)
	}
	frames := collect(t, s, "larch-04", 0, 0)
	if len(frames) != 2 || frames[0].Node != "n2" || frames[1].Value[greywatt.WasteIn] != 36.5 || frames[1].Value[greywatt.ColdIn] != 9.25 {
		t.Fatalf("frames %+v", frames)
	}
}

func TestSecondWriterIsRefused(t *testing.T) {
	dir := t.TempDir()
	openTest(t, dir)
	_, err := Open(dir, Options{})
	var locked *LockedError
	if !errors.As(err, &locked) || locked.PID != os.Getpid() {
		t.Fatalf("second writer: %v, want a LockedError with pid %d", err, os.Getpid())
	}
	r, err := Open(dir, Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if _, err := r.Append(t.Context(), []greywatt.Reading{reading("a", "n", 0, t0, 1)}); !errors.Is(err, ErrReadOnly) {
		t.Fatalf("append to a read-only store: %v", err)
	}
}

func TestRefusalsOnce(t *testing.T) {
	s := openTest(t, t.TempDir())
	r := greywatt.Refusal{Source: "a.csv:7", Dwelling: "larch-04", Reason: greywatt.BadUnit, Detail: "unit F", Record: "{}"}
	other := r
	other.Source = "a.csv:8"
	for range 2 {
		if err := s.SetAside(t.Context(), []greywatt.Refusal{r, r, other}); err != nil {
			t.Fatal(err)
		}
	}
	rs, err := s.Refusals(t.Context(), 10)
	if err != nil || len(rs) != 2 || rs[0] != other || rs[1] != r {
		t.Fatalf("refusals %+v, %v", rs, err)
	}
	counts, err := s.RefusalCounts(t.Context())
	if err != nil || len(counts) != 1 || counts[0] != (RefusalCount{"larch-04", greywatt.BadUnit, 2}) {
		t.Fatalf("counts %+v, %v", counts, err)
	}
}
