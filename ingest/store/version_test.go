package store

import (
	"errors"
	"flag"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"greywatt"
	"greywatt/ingest"

	"zombiezen.com/go/sqlite"
)

var freeze = flag.Bool("freeze", false, "write testdata for the newest format, where there is none yet")

// frozen is what every frozen file was filled with.
// frozenMessage is what is kept whole in frozen files from format 2 on.
var frozenMessage = ingest.Quarantined{
	ID: 1, Topic: "greywatt/elm/n1/senml", Body: []byte("[{}]"), At: t0, OwnNames: true,
	Dwelling: "elm", Node: "n1", Reason: ingest.UnknownDwelling, Records: 1,
}

func frozen() (sealed, rows []greywatt.Reading, rejectedRecord ingest.RejectedRecord, conflict ingest.Conflict) {
	for i := range 600 {
		at := t0 + greywatt.Instant(i)*1_000_000
		sealed = append(sealed,
			reading("larch-04", "n1", greywatt.WasteIn, at, 30+float64(i%40)/16),
			reading("larch-04", "n1", greywatt.Flow, at, float64(i%7)/60))
		if i < 50 {
			rows = append(rows, reading("larch-04", "n2", greywatt.ColdIn, at+500_000, 8.01), reading("larch-04", "n1", greywatt.Ambient, at, 1.0/3))
		}
	}
	rejectedRecord = ingest.RejectedRecord{Source: "a.csv:7", Dwelling: "elm", Reason: ingest.BadUnit, Detail: "unit F, want Cel or K", Record: "{}", At: t0}
	conflict = ingest.Conflict{Reading: reading("larch-04", "n1", greywatt.WasteIn, t0, 31), Kept: 30}
	return
}

func writeFrozen(t *testing.T, path string) {
	dir := t.TempDir()
	s := openTest(t, dir)
	sealed, rows, rejectedRecord, conflict := frozen()
	ctx := t.Context()
	_, err1 := s.Append(ctx, sealed)
	_, err2 := s.Append(ctx, []greywatt.Reading{conflict.Reading})
	err3 := s.Mirror(ctx, "copy")
	_, err4 := s.Append(ctx, rows)
	if err := errors.Join(err1, err2, err3, err4, s.AppendRejected(ctx, []ingest.RejectedRecord{rejectedRecord}),
		s.AppendQuarantined(ctx, []ingest.Quarantined{frozenMessage}),
		s.SetPresences(ctx, []ingest.Presence{{Dwelling: "larch-04", Node: "n2", Up: true, Since: t0}}), s.SetNote(ctx, "larch-04", "k", []byte("v")), s.Close()); err != nil {
		t.Fatal(err)
	}
	file, err := os.ReadFile(filepath.Join(dir, FileName))
	if err := errors.Join(err, os.WriteFile(path, file, 0o644)); err != nil {
		t.Fatal(err)
	}
}

// TestFrozen opens a file of every format there ever was, and finds all in it.
func TestFrozen(t *testing.T) {
	sealed, rows, rejectedRecord, conflict := frozen()
	m := make(model)
	m.append(sealed)
	m.append(rows)
	for version := range len(migrations) {
		name := filepath.Join("testdata", "format-"+string(rune('1'+version))+".sqlite")
		file, err := os.ReadFile(name)
		if errors.Is(err, os.ErrNotExist) && *freeze && version == len(migrations)-1 {
			writeFrozen(t, name)
			file, err = os.ReadFile(name)
		}
		if err != nil {
			t.Fatal(err)
		}
		dir := t.TempDir()
		if err := os.WriteFile(filepath.Join(dir, FileName), file, 0o644); err != nil {
			t.Fatal(err)
		}
		s := openTest(t, dir)
		compareAll(t, s, m)
		if got, err := s.Rejected(t.Context(), 9); err != nil || !slices.Equal(got, []ingest.RejectedRecord{rejectedRecord}) {
			t.Errorf("%s: refusals %+v, %v", name, got, err)
		}
		if got, err := s.Conflicts(t.Context(), 9); err != nil || !slices.Equal(got, []ingest.Conflict{conflict}) {
			t.Errorf("%s: conflicts %+v, %v", name, got, err)
		}
		if got, err := s.Presences(t.Context()); err != nil || !slices.Equal(got, []ingest.Presence{{Dwelling: "larch-04", Node: "n2", Up: true, Since: t0}}) {
			t.Errorf("%s: presences %+v, %v", name, got, err)
		}
		if got, err := s.Note(t.Context(), "larch-04", "k"); err != nil || string(got) != "v" {
			t.Errorf("%s: note %q, %v", name, got, err)
		}
		if version > 0 {
			if got, err := s.Quarantined(t.Context(), 0, 9, 1<<20); err != nil || !reflect.DeepEqual(got, []ingest.Quarantined{frozenMessage}) {
				t.Errorf("%s: kept whole %+v, %v", name, got, err)
			}
		}
		mirror, want := make(model), make(model)
		follow(t, s, mirror)
		want.append(rows)
		if !sameFrames(mirror.frames("larch-04", 0, 0), want.frames("larch-04", 0, 0)) {
			t.Errorf("%s: changes differ", name)
		}
		if _, err := s.Seal(t.Context(), maxInstant); err != nil {
			t.Fatal(err)
		}
		compareAll(t, s, m)
	}
}

// TestOlderIsRead: a file of an older format that nobody may write to can be read
// as it is.
func TestOlderIsRead(t *testing.T) {
	file, err := os.ReadFile(filepath.Join("testdata", "format-1.sqlite"))
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "old")
	if err := os.WriteFile(path, file, 0o444); err != nil {
		t.Fatal(err)
	}
	s, err := OpenFile(path)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	counts, err1 := s.QuarantineCounts(t.Context())
	ms, err2 := s.Quarantined(t.Context(), 0, 9, 1<<20)
	if err := errors.Join(err1, err2); err != nil || len(counts)+len(ms) > 0 {
		t.Errorf("%v, %v, %v", counts, ms, err)
	}
	if nodes, err := s.Nodes(t.Context()); err != nil || len(nodes) != 2 {
		t.Errorf("%v, %v", nodes, err)
	}
	if damage, err := s.Check(t.Context()); err != nil || len(damage) > 0 {
		t.Errorf("%v, %v", damage, err)
	}
}

// TestNewerBlock: a block that a newer program has laid out in another way is
// not taken for noise, and what else there is can be read.
func TestNewerBlock(t *testing.T) {
	dir, m := filled(t)
	s := openTest(t, dir)
	lost := 0
	if err := query(s.w, "SELECT frames FROM block WHERE id = (SELECT min(id) FROM block)", func(r *sqlite.Stmt) error { lost = r.ColumnInt(0); return nil }); err != nil || lost == 0 {
		t.Fatal(lost, err)
	}
	if err := run(s.w, "UPDATE block SET data = x'02' || substr(data, 2) WHERE id = (SELECT min(id) FROM block)"); err != nil {
		t.Fatal(err)
	}
	var damage *ingest.CorruptError
	n := 0
	for frames, err := range s.Frames(t.Context(), "larch-04", 0, 0) {
		if err != nil && !errors.As(err, &damage) {
			t.Fatal(err)
		}
		n += len(frames)
	}
	if damage == nil || !errors.Is(damage, ErrNewer) || n != len(m.frames("larch-04", 0, 0))-lost {
		t.Errorf("%d frames, %v", n, damage)
	}
}

// TestMigrate takes a file through two steps that do not exist, of which one fails.
func TestMigrate(t *testing.T) {
	dir := t.TempDir()
	s := openTest(t, dir)
	if _, err := s.Append(t.Context(), crashBatch(1)); err != nil {
		t.Fatal(err)
	}
	s.Close()
	c, err := sqlite.OpenConn(filepath.Join(dir, FileName), sqlite.OpenReadWrite)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	now := len(migrations)
	steps := append(slices.Clone(migrations), "ALTER TABLE dwelling ADD COLUMN height REAL", "CREATE TABLE fine (x); CREATE TABLE node (x)")
	if err := migrate(c, now, steps); err == nil {
		t.Fatal("a step that cannot work was taken for done")
	}
	if got, err := integer(c, "PRAGMA user_version"); err != nil || got != now+1 {
		t.Errorf("version %d, %v, want that of the last good step, %d", got, err, now+1)
	}
	if n, err := integer(c, "SELECT count(*) FROM sqlite_schema WHERE name = 'fine'"); err != nil || n != 0 {
		t.Errorf("half of a failed step stayed: %d, %v", n, err)
	}
	if n, err := integer(c, "SELECT count(*) FROM dwelling WHERE height IS NULL"); err != nil || n != 1 {
		t.Errorf("dwellings after migrating: %d, %v", n, err)
	}
}

// TestWithoutItsLog: the file of a store that was copied without its log is not
// taken for an old one, which is to be opened for writing: that would make it an
// empty store.
func TestWithoutItsLog(t *testing.T) {
	dir, copied := t.TempDir(), t.TempDir()
	s := openTest(t, dir)
	if _, err := s.Append(t.Context(), crashBatch(1)); err != nil {
		t.Fatal(err)
	}
	for _, lose := range []bool{true, false} { // the header, too, may be in the log only
		file, err := os.ReadFile(s.Path())
		if err != nil {
			t.Fatal(err)
		}
		if lose {
			file = nil
		}
		path := filepath.Join(copied, FileName)
		if err := os.WriteFile(path, file, 0o644); err != nil {
			t.Fatal(err)
		}
		_, err = Open(copied, Options{ReadOnly: true})
		if !errors.Is(err, ErrNoStore) || !strings.Contains(err.Error(), FileName+"-wal") || strings.Contains(err.Error(), "once for writing") {
			t.Errorf("%v", err)
		}
		os.Remove(path + "-wal")
		os.Remove(path + "-shm")
	}
}
