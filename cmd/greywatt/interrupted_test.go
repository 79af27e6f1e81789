package main

import (
	"bytes"
	"context"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"greywatt/cmd/greywatt/internal/cli"
)

// What is interrupted leaves the files of an earlier run as they are and says so
// by its exit code. Which goroutine sees the interruption first is open, hence
// the many tries.
func TestInterruptedWritesNothing(t *testing.T) {
	study, files := street(t, "2")
	dir := t.TempDir()
	data := filepath.Join(dir, "data")
	invoke(t, cli.ExitDone, append([]string{"import", "--study", study, "--data", data}, files...)...)
	for _, args := range [][]string{
		{"export", "--out", filepath.Join(dir, "export")},
		{"report", "--names", "--out", filepath.Join(dir, "report")},
		{"trend", "--chart", filepath.Join(dir, "charts")},
		{"commission", "hazel-01", "--sheet", filepath.Join(dir, "sheet", "sheet.svg")},
	} {
		args = append(args, "--study", study, "--data", data)
		t.Run(args[0], func(t *testing.T) {
			invoke(t, cli.ExitDone, args...)
			before := filesBelow(t, dir)
			for try := range 12 {
				ctx, interrupt := context.WithCancel(t.Context())
				interrupt()
				var said bytes.Buffer
				code := run(ctx, args, &cli.Console{In: strings.NewReader(""), Out: &said, Err: &said, Getenv: func(string) string { return "" }, Name: "greywatt"})
				if code != cli.ExitInterrupted {
					t.Fatalf("try %d: exit code %d, want %d\n%s", try, code, cli.ExitInterrupted, said.String())
				}
				if after := filesBelow(t, dir); !maps.Equal(after, before) {
					t.Fatalf("try %d: the files are others than before", try)
				}
			}
		})
	}
}

// filesBelow returns the content of the files below dir, but for the store's.
func filesBelow(t *testing.T, dir string) map[string]string {
	t.Helper()
	found := map[string]string{}
	err := filepath.WalkDir(dir, func(path string, e os.DirEntry, err error) error {
		if err != nil || e.IsDir() || strings.HasPrefix(path, filepath.Join(dir, "data")) {
			return err
		}
		text, err := os.ReadFile(path)
		found[path] = string(text)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return found
}
