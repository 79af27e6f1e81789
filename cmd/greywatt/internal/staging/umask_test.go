//go:build unix

package staging

import (
	"os"
	"path/filepath"
	"testing"

	"golang.org/x/sys/unix"
)

// A dataset of people is for those whom its maker lets see it.
func TestUmask(t *testing.T) {
	for umask, want := range map[int]os.FileMode{0o077: 0o600, 0o027: 0o640, 0o022: 0o644} {
		path := filepath.Join(t.TempDir(), "events.csv")
		old := unix.Umask(umask)
		err := WriteFile(path, text("x"))
		unix.Umask(old)
		if err != nil {
			t.Fatal(err)
		}
		if info, err := os.Stat(path); err != nil || info.Mode().Perm() != want {
			t.Errorf("umask %o: mode %v, %v, want %v", umask, info.Mode().Perm(), err, want)
		}
	}
}
