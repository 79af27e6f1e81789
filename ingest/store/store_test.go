package store

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"greywatt"
	"greywatt/ingest"

	"zombiezen.com/go/sqlite"
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
	if want := (ingest.Counts{New: 3, Duplicate: 1, Conflict: 1}); err != nil || got != want {
		t.Fatalf("first append: %+v, %v, want %+v", got, err, want)
	}
	got, err = s.Append(t.Context(), rs)
	if want := (ingest.Counts{Duplicate: 4, Conflict: 1}); err != nil || got != want {
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
	r := ingest.RejectedRecord{Source: "a.csv:7", Dwelling: "larch-04", Reason: ingest.BadUnit, Detail: "unit F", Record: "{}"}
	other := r
	other.Source = "a.csv:8"
	for range 2 {
		if err := s.AppendRejected(t.Context(), []ingest.RejectedRecord{r, r, other}); err != nil {
			t.Fatal(err)
		}
	}
	rs, err := s.Rejected(t.Context(), 10)
	if err != nil || len(rs) != 2 || rs[0] != other || rs[1] != r {
		t.Fatalf("refusals %+v, %v", rs, err)
	}
	counts, err := s.RejectedCounts(t.Context())
	if err != nil || len(counts) != 1 || counts[0] != (ingest.RejectedCount{Dwelling: "larch-04", Reason: ingest.BadUnit, N: 2}) {
		t.Fatalf("counts %+v, %v", counts, err)
	}
}

// TestReadOnly reads beside a writer, after it, after it died, and where
// nothing can be written.
func TestReadOnly(t *testing.T) {
	dir := t.TempDir()
	s := openTest(t, dir)
	m := make(model)
	m.append(crashBatch(1))
	if _, err := s.Append(t.Context(), crashBatch(1)); err != nil {
		t.Fatal(err)
	}
	look := func(dir string) {
		t.Helper()
		r, err := Open(dir, Options{ReadOnly: true})
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		compareAll(t, r, m)
		for name, change := range map[string]func() error{
			"append":   func() error { _, err := r.Append(t.Context(), crashBatch(2)); return err },
			"seal":     func() error { _, err := r.Seal(t.Context(), maxInstant); return err },
			"setaside": func() error { return r.AppendRejected(t.Context(), []ingest.RejectedRecord{{Source: "x"}}) },
			"presence": func() error {
				return r.SetPresences(t.Context(), []ingest.Presence{{Dwelling: "a", Node: "b", Up: true, Since: t0}})
			},
			"note":   func() error { return r.SetNote(t.Context(), "", "k", []byte("v")) },
			"mirror": func() error { return r.Mirror(t.Context(), "m") },
			"erase":  func() error { return r.Erase(t.Context(), "larch-04") },
		} {
			if err := change(); !errors.Is(err, ErrReadOnly) {
				t.Errorf("%s: %v, want ErrReadOnly", name, err)
			}
		}
	}
	look(dir)

	died := t.TempDir() // what a killed writer leaves: file and log
	for _, name := range []string{FileName, FileName + "-wal"} {
		data, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(died, name), data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	look(died)

	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	look(dir)

	r := &Store{path: filepath.Join(dir, FileName), opts: Options{ReadOnly: true}}
	c, err := r.setUp(immutable(r.path), sqlite.OpenReadOnly|sqlite.OpenURI)
	if err != nil {
		t.Fatal(err)
	}
	r.release(c)
	defer r.Close()
	compareAll(t, r, m)
}

func TestStaleLockIsNoObstacle(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, lockName), []byte("999999999\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	openTest(t, dir)
	if text, err := os.ReadFile(filepath.Join(dir, lockName)); err != nil || string(text) != fmt.Sprintln(os.Getpid()) {
		t.Fatalf("lock file says %q, %v", text, err)
	}
}

func TestAppendRefusesNonsense(t *testing.T) {
	s := openTest(t, t.TempDir())
	good := reading("larch-04", "n1", greywatt.Flow, t0, 0.1)
	for name, bad := range map[string]greywatt.Reading{
		"NaN":         reading("larch-04", "n1", greywatt.Flow, t0, math.NaN()),
		"infinite":    reading("larch-04", "n1", greywatt.Flow, t0, math.Inf(1)),
		"channel":     reading("larch-04", "n1", greywatt.NumChannels, t0, 1),
		"no instant":  reading("larch-04", "n1", greywatt.Flow, 0, 1),
		"no dwelling": reading("", "n1", greywatt.Flow, t0, 1),
	} {
		if _, err := s.Append(t.Context(), []greywatt.Reading{good, bad}); err == nil || !strings.Contains(err.Error(), "reading 2 of 2") {
			t.Errorf("%s: %v, want an error that names reading 2", name, err)
		}
	}
	if nodes, err := s.Nodes(t.Context()); err != nil || len(nodes) > 0 {
		t.Errorf("a refused append left %v, %v", nodes, err)
	}
}

// TestStopEarly leaves a scan by break and by cancelling its context.
func TestStopEarly(t *testing.T) {
	s := openTest(t, t.TempDir())
	rs := readings("larch-04", newStreet(1, 1.0/16, true).days("n1", 1))
	if _, err := s.Append(t.Context(), rs); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	for _, err := range s.Frames(ctx, "larch-04", 0, 0) {
		if err != nil {
			t.Fatal(err)
		}
		cancel()
		break
	}
	var last error
	for _, last = range s.Frames(ctx, "larch-04", 0, 0) {
	}
	if !errors.Is(last, context.Canceled) {
		t.Errorf("scan with a cancelled context: %v", last)
	}
	if _, err := s.Append(ctx, rs); !errors.Is(err, context.Canceled) {
		t.Errorf("append with a cancelled context: %v", err)
	}
	if got := len(collect(t, s, "larch-04", 0, 0)); got*5 != len(rs) {
		t.Errorf("%d frames, want %d", got, len(rs)/5)
	}
}

// TestTogether appends, seals and scans at the same time. A scan sees each
// batch in whole or not at all.
func TestTogether(t *testing.T) {
	s := openTest(t, t.TempDir())
	const batches, size = 60, 100
	var wg sync.WaitGroup
	done := make(chan struct{})
	wg.Go(func() {
		defer close(done)
		for i := range batches {
			var rs []greywatt.Reading
			for k := range size {
				rs = append(rs, reading("larch-04", "n1", greywatt.Flow, t0+greywatt.Instant(i+k*1000), float64(i)))
			}
			if _, err := s.Append(t.Context(), rs); err != nil {
				t.Error(err)
			}
		}
	})
	each := func(f func() error) {
		wg.Go(func() {
			for {
				if err := f(); err != nil {
					t.Error(err)
				}
				select {
				case <-done:
					return
				default:
				}
			}
		})
	}
	each(func() error {
		_, err := s.Seal(t.Context(), t0+size*500)
		return err
	})
	for range 2 {
		each(func() error {
			last, n := greywatt.Instant(0), 0
			for batch, err := range s.Frames(t.Context(), "larch-04", 0, 0) {
				if err != nil {
					return err
				}
				for _, f := range batch {
					if f.At <= last {
						return fmt.Errorf("%s after %s", f.At, last)
					}
					last = f.At
				}
				n += len(batch)
			}
			if n%size != 0 {
				return fmt.Errorf("a scan saw %d frames, not a multiple of %d", n, size)
			}
			return nil
		})
	}
	wg.Wait()
	if got := len(collect(t, s, "larch-04", 0, 0)); got != batches*size {
		t.Errorf("%d frames, want %d", got, batches*size)
	}
}

func TestNewest(t *testing.T) {
	s := openTest(t, t.TempDir())
	rs := append(crashBatch(3), reading("larch-04", "n2", greywatt.Flow, t0, 0.25))
	if _, err := s.Append(t.Context(), rs); err != nil {
		t.Fatal(err)
	}
	last := rs[len(rs)-2].At
	if _, err := s.Seal(t.Context(), maxInstant); err != nil {
		t.Fatal(err)
	}
	// A late channel of the newest instant stands in a row beside its block.
	if _, err := s.Append(t.Context(), []greywatt.Reading{reading("larch-04", "n1", greywatt.Ambient, last, 18)}); err != nil {
		t.Fatal(err)
	}
	got, err := s.Newest(t.Context(), "larch-04")
	if err != nil || len(got) != 2 || got[0].At != last || got[0].Value[greywatt.Ambient] != 18 || got[0].Value[greywatt.ColdIn] != 3 || got[1].Node != "n2" {
		t.Fatalf("newest %+v, %v", got, err)
	}
	if ids, err := s.Dwellings(t.Context()); err != nil || !slices.Equal(ids, []string{"larch-04"}) {
		t.Fatalf("dwellings %v, %v", ids, err)
	}
}

func TestPresenceAndNotes(t *testing.T) {
	dir := t.TempDir()
	s := openTest(t, dir)
	for _, p := range []ingest.Presence{
		{Dwelling: "larch-04", Node: "n1", Up: true, Since: t0},
		{Dwelling: "larch-04", Node: "n1", Up: true, Since: t0 + 5},  // known
		{Dwelling: "larch-04", Node: "n1", Up: false, Since: t0 - 5}, // old news
		{Dwelling: "elm", Node: "n1", Up: true, Since: t0},
		{Dwelling: "elm", Node: "n1", Up: false, Since: t0 + 7},
	} {
		if err := s.SetPresences(t.Context(), []ingest.Presence{p}); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.SetNote(t.Context(), "", "client-id", []byte("a")); err != nil {
		t.Fatal(err)
	}
	if err := s.SetNote(t.Context(), "", "client-id", []byte("b")); err != nil {
		t.Fatal(err)
	}
	s.Close()
	s = openTest(t, dir)
	got, err := s.Presences(t.Context())
	if want := []ingest.Presence{{Dwelling: "elm", Node: "n1", Up: false, Since: t0 + 7}, {Dwelling: "larch-04", Node: "n1", Up: true, Since: t0}}; err != nil || !slices.Equal(got, want) {
		t.Errorf("presences %+v, %v, want %+v", got, err, want)
	}
	if ids, err := s.Dwellings(t.Context()); err != nil || len(ids) > 0 {
		t.Errorf("dwellings with frames: %v, %v", ids, err)
	}
	if v, err := s.Note(t.Context(), "", "client-id"); err != nil || string(v) != "b" {
		t.Errorf("note %q, %v", v, err)
	}
	if err := s.SetNotes(t.Context(), []Note{{"", "client-id", nil}, {"oak", "clocks", []byte("{}")}, {"elm", "clocks", []byte("[]")}, {"elm", "other", []byte("x")}}); err != nil {
		t.Fatal(err)
	}
	notes, err := s.Notes(t.Context(), "clocks")
	if want := []Note{{"elm", "clocks", []byte("[]")}, {"oak", "clocks", []byte("{}")}}; err != nil || !reflect.DeepEqual(notes, want) {
		t.Errorf("notes %q, %v, want %q", notes, err, want)
	}
	if v, err := s.Note(t.Context(), "", "client-id"); err != nil || v != nil {
		t.Errorf("removed note %q, %v", v, err)
	}
}

// TestBounds: details are bounded, counts are not.
func TestBounds(t *testing.T) {
	s, err := Open(t.TempDir(), Options{MaxRejected: 10, MaxConflicts: 4})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	var rs []ingest.RejectedRecord
	for i := range 25 {
		rs = append(rs, ingest.RejectedRecord{Source: "f.csv:" + strconv.Itoa(i), Dwelling: "elm", Reason: ingest.NoNumber, Record: strings.Repeat("é", maxText)})
	}
	for range 2 {
		for chunk := range slices.Chunk(rs, 7) {
			if err := s.AppendRejected(t.Context(), chunk); err != nil {
				t.Fatal(err)
			}
		}
	}
	got, err := s.Rejected(t.Context(), 100)
	if err != nil || len(got) != 10 || got[0].Source != "f.csv:24" || got[9].Source != "f.csv:15" || len(got[0].Record) > maxText {
		t.Errorf("%d refusals, %v: %.80v", len(got), err, got)
	}
	counts, err := s.RejectedCounts(t.Context())
	if err != nil || len(counts) != 1 || counts[0].N != 25 {
		t.Errorf("counts %v, %v, want 25", counts, err)
	}

	readings := []greywatt.Reading{reading("elm", "n1", greywatt.Flow, t0, 1)}
	for i := range 6 {
		readings = append(readings, reading("elm", "n1", greywatt.Flow, t0, float64(2+i)))
	}
	for range 2 {
		if c, err := s.Append(t.Context(), readings); err != nil || c.Conflict != 6 {
			t.Fatalf("append %+v, %v", c, err)
		}
	}
	conflicts, err := s.Conflicts(t.Context(), 100)
	if err != nil || len(conflicts) != 4 || conflicts[0].Kept != 1 || conflicts[0].Channel != greywatt.Flow || conflicts[0].At != t0 {
		t.Errorf("conflicts %+v, %v", conflicts, err)
	}
}

// TestView reads the file as another program would.
func TestView(t *testing.T) {
	s := openTest(t, t.TempDir())
	if _, err := s.Append(t.Context(), []greywatt.Reading{
		reading("larch-04", "n1", greywatt.WasteIn, t0+1_500_000, 36.0625),
		reading("larch-04", "n1", greywatt.ColdIn, t0+1_500_000, 8.123456),
		reading("larch-04", "n1", greywatt.Flow, t0+1_500_000, 0.15),
	}); err != nil {
		t.Fatal(err)
	}
	var row []string
	err := query(s.w, "SELECT dwelling, node, time, waste_in_c, cold_in_c, flow_l_min, ambient_c IS NULL FROM recent", func(r *sqlite.Stmt) error {
		for i := range r.ColumnCount() {
			row = append(row, r.ColumnText(i))
		}
		return nil
	})
	if want := []string{"larch-04", "n1", "2026-01-01T00:00:01.500000Z", "36.0625", "8.123456", "9.0", "1"}; err != nil || !slices.Equal(row, want) {
		t.Fatalf("view gives %q, %v, want %q", row, err, want)
	}
}
