package store

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"greywatt/ingest"
)

// restored restores a backup into a folder of its own and opens that.
func restored(t *testing.T, backup string) *Store {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "new", "data")
	if err := Restore(t.Context(), dir, backup); err != nil {
		t.Fatal(err)
	}
	if entries, err := os.ReadDir(dir); err != nil || len(entries) != 2 { // the store, and the lock's file
		t.Errorf("restored are %v, %v", entries, err)
	}
	return openTest(t, dir)
}

func TestBackup(t *testing.T) {
	dir, m := filled(t)
	s := openTest(t, dir)
	path := filepath.Join(t.TempDir(), "study.backup")
	if err := s.Backup(t.Context(), path, Keep); err != nil {
		t.Fatal(err)
	}
	if info, err := os.Stat(path); err != nil || runtime.GOOS != "windows" && info.Mode().Perm() != 0o600 {
		t.Errorf("%v, %v; want it readable to its owner alone", info.Mode(), err)
	}
	compareAll(t, restored(t, path), m)

	if err := s.Backup(t.Context(), path, Keep); !errors.Is(err, fs.ErrExist) {
		t.Errorf("backup onto a file that exists: %v", err)
	}
	more := readings("oak", newStreet(3, 1.0/16, true).days("n1", 1))
	if _, err := s.Append(t.Context(), more); err != nil {
		t.Fatal(err)
	}
	m.append(more)
	if err := s.Backup(t.Context(), path, Replace); err != nil {
		t.Fatal(err)
	}
	compareAll(t, restored(t, path), m)
	if entries, err := os.ReadDir(filepath.Dir(path)); err != nil || len(entries) != 1 {
		t.Errorf("beside the backup there are %v, %v", entries, err)
	}
}

// A copy is taken, by this process and from a store open for reading only, while
// batches are being appended: each copy holds the batches up to some one, all
// that were acknowledged before it began and none by half.
func TestBackupWhileWriting(t *testing.T) {
	dir := t.TempDir()
	s := openTest(t, dir)
	acked := make(chan int)
	failed := make(chan error, 1)
	go func() {
		defer close(acked)
		for seq := range 60 {
			if _, err := s.Append(t.Context(), crashBatch(seq)); err != nil {
				failed <- err
				return
			}
			select {
			case acked <- seq:
			case <-t.Context().Done():
				return
			}
		}
	}()
	to := t.TempDir()
	meanwhile := 0
	for seq := range acked {
		if seq%20 != 5 {
			continue
		}
		done := make(chan error, 1)
		path := filepath.Join(to, string(rune('a'+seq/20)))
		go func() {
			from := s
			if seq > 20 {
				beside, err := Open(dir, Options{ReadOnly: true})
				if err != nil {
					done <- err
					return
				}
				defer beside.Close()
				from = beside
			}
			done <- from.Backup(t.Context(), path, Keep)
		}()
		last := seq
		for running := true; running; {
			select {
			case err := <-done:
				if err != nil {
					t.Fatal(err)
				}
				running = false
			case next, more := <-acked:
				if more {
					last = next
					meanwhile++
				} else {
					acked = nil
				}
			}
		}
		got := collect(t, restored(t, path), "larch-04", 0, 0)
		m := make(model)
		whole := false
		for i := 0; i <= last+1 && !whole; i++ { // one more may be stored and not yet said to be
			m.append(crashBatch(i))
			whole = i >= seq && sameFrames(m.frames("larch-04", 0, 0), got)
		}
		if !whole {
			t.Errorf("a copy begun after batch %d and done before batch %d holds no whole number of batches", seq, last+1)
		}
		if acked == nil {
			break
		}
	}
	select {
	case err := <-failed:
		t.Fatal(err)
	default:
	}
	if meanwhile == 0 {
		t.Error("nothing was written while a copy was taken: the test shows nothing")
	}
}

// What damage there is in a store is not taken for a backup, and does not go in
// the place of a good one.
func TestBackupOfDamage(t *testing.T) {
	dir, _ := filled(t)
	s := openTest(t, dir)
	path := filepath.Join(t.TempDir(), "backup")
	if err := s.Backup(t.Context(), path, Keep); err != nil {
		t.Fatal(err)
	}
	good, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := run(s.w, "UPDATE block SET data = zeroblob(length(data)) WHERE id = (SELECT min(id) FROM block)"); err != nil {
		t.Fatal(err)
	}
	var damage *ingest.CorruptError
	if err := s.Backup(t.Context(), path, Replace); !errors.As(err, &damage) {
		t.Errorf("backup of a damaged store: %v", err)
	}
	if left, err := os.ReadFile(path); err != nil || string(left) != string(good) {
		t.Errorf("the good backup is not as it was: %v", err)
	}
	s.Close()
	if err := os.WriteFile(path, good[:len(good)/2], 0o600); err != nil {
		t.Fatal(err)
	}
	to := t.TempDir()
	if err := Restore(t.Context(), to, path); err == nil {
		t.Error("half a backup was restored")
	}
	if _, err := os.Stat(filepath.Join(to, FileName)); err == nil {
		t.Error("and is in the folder")
	}
}

func TestRestoreRefuses(t *testing.T) {
	dir, m := filled(t)
	s := openTest(t, dir)
	to := t.TempDir()
	path := filepath.Join(to, "backup")
	if err := s.Backup(t.Context(), path, Keep); err != nil {
		t.Fatal(err)
	}
	var locked *LockedError
	if err := Restore(t.Context(), dir, path); !errors.As(err, &locked) {
		t.Errorf("restore below a logger: %v", err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if err := Restore(t.Context(), dir, path); !errors.Is(err, fs.ErrExist) {
		t.Errorf("restore over a store: %v", err)
	}
	compareAll(t, openTest(t, dir), m)
	text := filepath.Join(to, "text")
	if err := os.WriteFile(text, []byte(strings.Repeat("not a store\n", 1000)), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, file := range []string{text, filepath.Join(to, "nothing")} {
		if err := Restore(t.Context(), filepath.Join(to, "data"), file); err == nil || !strings.Contains(err.Error(), file) {
			t.Errorf("restore of %s: %v", file, err)
		}
	}
}
