package staging

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"slices"
	"testing"
)

func text(s string) func(io.Writer) error {
	return func(w io.Writer) error { _, err := io.WriteString(w, s); return err }
}

func names(t *testing.T, dir string) []string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return names
}

// Nothing takes its name before everything is written, and nothing temporary
// stays behind.
func TestFailsWhole(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "a"), []byte("old"), 0o644); err != nil {
		t.Fatal(err)
	}
	s, err := In(dir)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Write("a", text("new")); err != nil {
		t.Fatal(err)
	}
	full := errors.New("no room")
	if err := s.Write("b", func(io.Writer) error { return full }); !errors.Is(err, full) {
		t.Fatalf("error %v, want %v", err, full)
	}
	s.Discard()
	old, err := os.ReadFile(filepath.Join(dir, "a"))
	if err != nil || string(old) != "old" {
		t.Errorf("a is %q, %v, want it untouched", old, err)
	}
	if got := names(t, dir); !slices.Equal(got, []string{"a"}) {
		t.Errorf("left behind: %v", got)
	}
}

func TestWriteFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "deep", "chart.svg")
	for _, content := range []string{"first", "second"} {
		if err := WriteFile(path, text(content)); err != nil {
			t.Fatal(err)
		}
		got, err := os.ReadFile(path)
		if err != nil || string(got) != content {
			t.Errorf("got %q, %v, want %q", got, err, content)
		}
	}
	if got := names(t, filepath.Dir(path)); !slices.Equal(got, []string{"chart.svg"}) {
		t.Errorf("folder holds %v", got)
	}
}
