package ingesttest

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"
)

// Holds reports whether any file in dir has what in its bytes. That dir has no file
// fails the test.
func Holds(t testing.TB, dir string, what []byte) bool {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(dir, "*"))
	if err != nil || len(names) == 0 {
		t.Fatal(names, err)
	}
	for _, name := range names {
		data, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if bytes.Contains(data, what) {
			return true
		}
	}
	return false
}
