//go:build unix

package dataset

import (
	"os"
	"testing"
)

// While it is in use the file has no name, so that no crash leaves it behind,
// and is for nobody else's eyes.
func TestSpoolIsNobodyElses(t *testing.T) {
	dir := t.TempDir()
	s := spool{dir: dir}
	defer s.close()
	for range 2 {
		if _, err := s.add([]byte("who showered when")); err != nil {
			t.Fatal(err)
		}
	}
	info, err := s.file.Stat()
	if err != nil {
		t.Fatal(err)
	}
	if left, _ := os.ReadDir(dir); len(left) > 0 || info.Size() == 0 || info.Mode().Perm()&0o077 != 0 {
		t.Errorf("%v, %d bytes, %v", left, info.Size(), info.Mode())
	}
}
