//go:build unix

package store

import (
	"os"
	"path/filepath"
	"testing"

	"golang.org/x/sys/unix"

	"greywatt"
)

// Readings are for their owner and the group, also in a folder that is open to
// all, and while a log lies beside them.
func TestOthersCannotRead(t *testing.T) {
	dir := t.TempDir()
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	defer unix.Umask(unix.Umask(0o022))
	s := openTest(t, dir)
	if _, err := s.Append(t.Context(), []greywatt.Reading{reading("larch-04", "n1", greywatt.Flow, t0, 0.1)}); err != nil {
		t.Fatal(err)
	}
	files, err := filepath.Glob(filepath.Join(dir, FileName+"*"))
	if err != nil || len(files) != 3 {
		t.Fatalf("files %v, %v, want the store, its log and the log's index", files, err)
	}
	for _, file := range files {
		if info, err := os.Stat(file); err != nil || info.Mode().Perm() != 0o640 {
			t.Errorf("%s: mode %v, %v", file, info.Mode().Perm(), err)
		}
	}
}
