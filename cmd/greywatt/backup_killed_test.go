//go:build linux

package main

import (
	"context"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/ingest/store"
)

// readingsIn returns how many readings a sound backup has.
func readingsIn(t *testing.T, file string) (n int64) {
	t.Helper()
	st, err := store.OpenFile(file)
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	for _, of := range soundNodes(t, st) {
		n += of.Readings
	}
	return n
}

// A backup that is to go in the place of an older one is killed at some moment:
// under its name there is the older or the newer one, whole.
func TestBackupKilled(t *testing.T) {
	study, files := street(t, "2")
	dir := t.TempDir()
	data, file, older := filepath.Join(dir, "data"), filepath.Join(dir, "study.backup"), filepath.Join(dir, "older")
	invoke(t, cli.ExitDone, "import", "--study", study, "--data", data, files[0])
	invoke(t, cli.ExitDone, "backup", older, "--data", data)
	before := readingsIn(t, older)
	invoke(t, cli.ExitDone, append([]string{"import", "--study", study, "--data", data}, files...)...)
	backup := func(ctx context.Context) error {
		c := exec.CommandContext(ctx, os.Args[0], "backup", file, "--data", data, "--replace")
		c.Env = append(os.Environ(), asProgram+"=1")
		return c.Run()
	}
	began := time.Now()
	if err := backup(t.Context()); err != nil {
		t.Fatal(err)
	}
	takes := time.Since(began)
	after := readingsIn(t, file)
	if after <= before {
		t.Fatalf("%d readings, then %d", before, after)
	}
	old, err := os.ReadFile(older)
	if err != nil {
		t.Fatal(err)
	}
	killed, amid := 0, 0
	for range *rounds {
		if err := os.WriteFile(file, old, 0o600); err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), time.Duration(rand.Float64()*float64(takes)))
		if backup(ctx) != nil {
			killed++
		}
		cancel()
		if n := readingsIn(t, file); n != before && n != after {
			t.Fatalf("%d readings, want %d or %d", n, before, after)
		}
		parts, err := filepath.Glob(filepath.Join(dir, ".study.backup.*.part*"))
		if err != nil {
			t.Fatal(err)
		}
		amid += min(1, len(parts))
		for _, part := range parts {
			if err := os.Remove(part); err != nil {
				t.Fatal(err)
			}
		}
	}
	t.Logf("%d rounds: killed in %d, of these with a part of the copy written in %d", *rounds, killed, amid)
	if left, err := os.ReadDir(dir); err != nil || len(left) != 3 {
		t.Errorf("in the folder are %v, %v", left, err)
	}
}
