package main

import (
	"bytes"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"zombiezen.com/go/sqlite"
	"zombiezen.com/go/sqlite/sqlitex"

	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/kept"
)

// told runs greywatt and returns its exit code and what it says beside its results.
func told(t *testing.T, args ...string) (code int, out, said string) {
	t.Helper()
	var o, e bytes.Buffer
	code = run(t.Context(), args, &cli.Console{In: strings.NewReader(""), Out: &o, Err: &e, Getenv: func(string) string { return "" }, Name: "greywatt"})
	return code, o.String(), e.String()
}

// What commands write is the same bytes from kept results, from damaged ones and
// without any; that they are damaged is said.
func TestKeptResults(t *testing.T) {
	study, files := street(t, "9")
	data := filepath.Join(t.TempDir(), "data")
	results := filepath.Join(data, kept.FileName)
	from := []string{"--study", study, "--data", data}
	invoke(t, cli.ExitDone, slices.Concat([]string{"import"}, from, files)...)
	written := func(more ...string) map[string]string {
		t.Helper()
		all := map[string]string{}
		for _, verb := range [][]string{
			{"events", "--json"}, {"events"}, {"summary", "--by", "month"}, {"diagnose", "--json"}, {"trend", "--json"},
			{"events", "--json", "--from", "2026-03-03"}, {"events", "--to", "2026-03-08"}, {"diagnose", "--json", "--from", "2026-03-02", "--to", "2026-03-08"},
			{"summary", "--by", "month", "--to", "2026-03-06T07:13:21Z"}, {"trend", "--json", "--from", "2026-03-02T06:59:01Z"},
		} {
			all[strings.Join(verb, " ")] = invoke(t, cli.ExitDone, slices.Concat(verb, from, more)...)
		}
		for _, verb := range []string{"export", "report"} {
			dir := filepath.Join(t.TempDir(), "out")
			invoke(t, cli.ExitDone, slices.Concat([]string{verb, "--out", dir}, from, more)...)
			for name, text := range readFiles(t, dir) {
				all[verb+": "+name] = text
			}
		}
		return all
	}
	invoke(t, cli.ExitDone, slices.Concat([]string{"report", "--recompute", "--out", t.TempDir()}, from)...) // makes the key for pseudonyms
	want := written("--recompute")
	if _, err := os.Stat(results); err == nil {
		t.Error("--recompute keeps results")
	}
	compare := func(when string) {
		t.Helper()
		got := written()
		if !slices.Equal(slices.Sorted(maps.Keys(got)), slices.Sorted(maps.Keys(want))) {
			t.Fatalf("%s: other files", when)
		}
		for name, text := range got {
			if text != want[name] {
				t.Errorf("%s: %s differs", when, name)
			}
		}
	}
	compare("the first time")
	compare("the second time")
	rng := rand.New(rand.NewPCG(1, 9))
	for range 3 {
		b, err := os.ReadFile(results)
		if err != nil {
			t.Fatal(err)
		}
		for i := 4096; i < len(b); i += 1 + rng.IntN(5000) {
			b[i] ^= byte(1 + rng.IntN(255))
		}
		if err := os.WriteFile(results, b, 0o600); err != nil {
			t.Fatal(err)
		}
		code, out, said := told(t, slices.Concat([]string{"events"}, from)...)
		if code != cli.ExitDone || out != want["events"] || !strings.Contains(said, results+": results kept before are not used") {
			t.Errorf("damaged: exit code %d, %q, events differ: %t", code, said, out != want["events"])
		}
		compare("damaged")
	}
	if code, out, said := told(t, slices.Concat([]string{"check", "--recompute"}, from)...); code != cli.ExitDone || !strings.Contains(out, "kept results are those of a fresh analysis") {
		t.Errorf("exit code %d, %q, %q", code, out, said)
	}
}

// A kept result that is wrong, though its sum is right, is found by check, named and
// removed.
func TestCheckFindsWrongResults(t *testing.T) {
	study, files := street(t, "9")
	data := filepath.Join(t.TempDir(), "data")
	from := []string{"--study", study, "--data", data}
	invoke(t, cli.ExitDone, slices.Concat([]string{"import"}, from, files)...)
	want := invoke(t, cli.ExitDone, slices.Concat([]string{"events"}, from)...)

	var by kept.Hash
	c, err := sqlite.OpenConn(filepath.Join(data, kept.FileName))
	if err != nil {
		t.Fatal(err)
	}
	err = sqlitex.ExecuteTransient(c, "SELECT by FROM dwelling", &sqlitex.ExecOptions{ResultFunc: func(r *sqlite.Stmt) error { r.ColumnBytes(0, by[:]); return nil }})
	if err != nil || c.Close() != nil {
		t.Fatal(err)
	}
	f, _, err := kept.OpenFile(data)
	if err != nil {
		t.Fatal(err)
	}
	pieces, damaged, err := f.Pieces("hazel-02", by, 0, math.MaxInt64)
	if err != nil || damaged > 0 || len(pieces) < 4 {
		t.Fatalf("%d pieces, %d damaged, %v", len(pieces), damaged, err)
	}
	wrong := pieces[1]
	wrong.Stretch = pieces[2].Stretch
	if err := f.Keep("hazel-02", &kept.Change{By: by, Held: []kept.Piece{wrong}}); err != nil || f.Close() != nil {
		t.Fatal(err)
	}
	if got := invoke(t, cli.ExitDone, slices.Concat([]string{"events"}, from)...); got == want {
		t.Fatal("the wrong result is not used: the test cannot fail")
	}
	code, _, said := told(t, slices.Concat([]string{"check", "--recompute"}, from)...)
	if code != cli.ExitFailure || !strings.Contains(said, "dwelling hazel-02: ") || strings.Contains(said, "hazel-01") {
		t.Errorf("exit code %d, %q", code, said)
	}
	if got := invoke(t, cli.ExitDone, slices.Concat([]string{"events"}, from)...); got != want {
		t.Error("the wrong result is still used")
	}
	if code, _, said := told(t, "check", "--study", study, "--recompute"); code != cli.ExitUsage || !strings.Contains(said, "--data") {
		t.Errorf("without a data folder: exit code %d, %q", code, said)
	}
}
