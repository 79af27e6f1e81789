package store

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"greywatt"
	"greywatt/ingest"

	"zombiezen.com/go/sqlite"
	"zombiezen.com/go/sqlite/sqlitex"
)

// tamper changes a closed store's file behind its back.
func tamper(t *testing.T, dir, sql string) {
	t.Helper()
	c, err := sqlite.OpenConn(filepath.Join(dir, FileName), sqlite.OpenReadWrite)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if err := sqlitex.ExecScript(c, sql); err != nil {
		t.Fatal(err)
	}
}

// filled makes a closed store of two nodes: n1 with three large blocks, n2 with
// many small ones and some rows.
func filled(t *testing.T) (dir string, m model) {
	t.Helper()
	dir, m = t.TempDir(), make(model)
	s := openTest(t, dir)
	n1 := newStreet(1, 1.0/16, true).days("n1", 1)
	n2 := newStreet(2, 1.0/16, true).days("n2", 1)
	rs := readings("larch-04", n1[:3*blockFrames])
	later := append(readings("larch-04", n1[3*blockFrames:3*blockFrames+directFrames/2]), readings("larch-04", n2)...)
	for len(later) > 0 {
		n := min(len(later), 4*directFrames)
		m.append(later[:n])
		if _, err := s.Append(t.Context(), later[:n]); err != nil {
			t.Fatal(err)
		}
		later = later[n:]
	}
	for _, rs := range [][]greywatt.Reading{rs, readings("larch-04", []greywatt.Frame{{At: n2[len(n2)-1].At + 1, Node: "n2", Value: n2[0].Value}})} {
		m.append(rs)
		if _, err := s.Append(t.Context(), rs); err != nil {
			t.Fatal(err)
		}
	}
	compareAll(t, s, m)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return dir, m
}

// TestDamagedBlock: one bad blob costs its own span and nothing else, and
// everything says which span that is.
func TestDamagedBlock(t *testing.T) {
	dir, m := filled(t)
	tamper(t, dir, "UPDATE block SET data = substr(data, 1, 100) || x'00ff00ff' || substr(data, 105) WHERE id = (SELECT id FROM block WHERE frames > 2048 ORDER BY first_us LIMIT 1 OFFSET 1)")
	s := openTest(t, dir)
	damage, err := s.Check(t.Context())
	if err != nil || len(damage) != 1 || damage[0].Dwelling != "larch-04" || damage[0].Node != "n1" || damage[0].From >= damage[0].To {
		t.Fatalf("check: %v, %v", damage, err)
	}
	from, to := damage[0].From, damage[0].To
	if text := damage[0].Error(); !strings.Contains(text, s.Path()) || !strings.Contains(text, from.String()) {
		t.Errorf("message %q does not say where", text)
	}
	var want []greywatt.Frame
	for _, f := range m.frames("larch-04", 0, 0) {
		if f.Node == "n2" || f.At < from || f.At > to {
			want = append(want, f)
		}
	}
	scan := func() (got []greywatt.Frame) {
		faults := 0
		for batch, err := range s.Frames(t.Context(), "larch-04", 0, 0) {
			var d *ingest.CorruptError
			if errors.As(err, &d) && d.From == from && d.To == to {
				faults++
			} else if err != nil {
				t.Fatal(err)
			}
			got = append(got, batch...)
		}
		if faults != 1 {
			t.Fatalf("scan reported %d damaged blocks, want 1", faults)
		}
		return got
	}
	if got := scan(); !sameFrames(got, want) {
		t.Fatalf("scan gave %d frames, want %d", len(got), len(want))
	}

	// Logging goes on beside it, and a second sending fills the hole.
	again := m.frames("larch-04", from, to+1)
	for _, size := range []int{directFrames / 2, len(again)} {
		if _, err := s.Append(t.Context(), readings("larch-04", again[:size])); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := s.Seal(t.Context(), maxInstant); err != nil {
		t.Fatal(err)
	}
	if got := scan(); !sameFrames(got, m.frames("larch-04", 0, 0)) {
		t.Fatalf("scan after a second sending gave %d frames", len(got))
	}

	whole := openTest(t, t.TempDir())
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	_, damage, err = whole.Salvage(t.Context(), dir)
	if err != nil || len(damage) != 1 || damage[0].From != from {
		t.Fatalf("salvage: %v, %v", damage, err)
	}
	compareAll(t, whole, m)
}

// TestDamagedPages blanks one page of the file at a time: whatever page it is,
// nothing panics, and the damage is reported.
func TestDamagedPages(t *testing.T) {
	dir, _ := filled(t)
	file, err := os.ReadFile(filepath.Join(dir, FileName))
	if err != nil {
		t.Fatal(err)
	}
	const page = pageSize
	opened := 0
	step := max(1, len(file)/page/(5**rounds))
	for at := page; at < len(file); at += step * page {
		bad := bytes.Clone(file)
		copy(bad[at:at+page], make([]byte, page))
		hurt := filepath.Join(dir, fmt.Sprint(at))
		if err := errors.Join(os.Mkdir(hurt, 0o755), os.WriteFile(filepath.Join(hurt, FileName), bad, 0o644)); err != nil {
			t.Fatal(err)
		}
		s, err := Open(hurt, Options{ReadOnly: true})
		if err != nil {
			continue
		}
		opened++
		damage, err := s.Check(t.Context())
		if err != nil || len(damage) == 0 {
			t.Errorf("page %d: check found %v, %v", at/page, damage, err)
		}
		s.Close()
	}
	if opened == 0 {
		t.Error("no damaged file could be opened")
	}
}

func TestOpenRefuses(t *testing.T) {
	empty := func(string) {}
	for name, k := range map[string]struct {
		opts  Options
		setUp func(dir string)
		want  error
		text  string
	}{
		"no store": {Options{ReadOnly: true}, empty, ErrNoStore, "data folder"},
		"newer": {Options{}, func(dir string) {
			openTest(t, dir).Close()
			tamper(t, dir, "PRAGMA user_version = 99")
		}, ErrNewer, "newer program"},
		"newer, for reading": {Options{ReadOnly: true}, func(dir string) {
			openTest(t, dir).Close()
			tamper(t, dir, "PRAGMA user_version = 99")
		}, ErrNewer, "newer program"},
		"another program's": {Options{}, func(dir string) {
			openTest(t, dir).Close()
			tamper(t, dir, "PRAGMA application_id = 1")
		}, ErrNotStore, "another data folder"},
		"not SQLite": {Options{}, func(dir string) {
			if err := os.WriteFile(filepath.Join(dir, FileName), bytes.Repeat([]byte("time,flow\n"), 1000), 0o644); err != nil {
				t.Fatal(err)
			}
		}, new(ingest.CorruptError), "not a database"},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			k.setUp(dir)
			before, _ := os.ReadFile(filepath.Join(dir, FileName))
			s, err := Open(dir, k.opts)
			if err == nil {
				s.Close()
			}
			var damage *ingest.CorruptError
			_, wantDamage := k.want.(*ingest.CorruptError)
			if !errors.Is(err, k.want) && !(wantDamage && errors.As(err, &damage)) || !strings.Contains(err.Error(), k.text) {
				t.Fatalf("open: %v, want %v with %q", err, k.want, k.text)
			}
			if after, _ := os.ReadFile(filepath.Join(dir, FileName)); !bytes.Equal(before, after) {
				t.Error("the file was changed")
			}
		})
	}
}

// TestDiskFull bounds the file's pages, which SQLite reports as it does a disk
// without room: SQLITE_FULL.
func TestDiskFull(t *testing.T) {
	s := openTest(t, t.TempDir())
	m := make(model)
	if err := run(s.w, "PRAGMA max_page_count = 200"); err != nil {
		t.Fatal(err)
	}
	var err error
	seq := 0
	for ; err == nil; seq++ {
		if _, err = s.Append(t.Context(), crashBatch(seq)); err == nil {
			m.append(crashBatch(seq))
		}
	}
	if !errors.Is(err, ErrFull) {
		t.Fatalf("append to a full disk: %v, want ErrFull", err)
	}
	compareAll(t, s, m)
	if err := run(s.w, "PRAGMA max_page_count = 1000000"); err != nil {
		t.Fatal(err)
	}
	got, err := s.Append(t.Context(), crashBatch(seq-1))
	if want := m.append(crashBatch(seq - 1)); err != nil || got != want {
		t.Fatalf("append once there is room: %+v, %v, want %+v", got, err, want)
	}
	compareAll(t, s, m)
}
