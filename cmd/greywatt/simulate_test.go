package main

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"greywatt/cmd/greywatt/internal/cli"
)

// The line that simulate ends with works as it stands, its pattern expanded as a
// shell does: the files with the truth are not among the readings.
func TestSimulateNext(t *testing.T) {
	for _, args := range [][]string{{"--preset", "healthy", "--format", "csv", "--gzip"}, {"--preset", "demo", "--days", "1", "--format", "csv"}} {
		dir := t.TempDir()
		var out, said bytes.Buffer
		con := &cli.Console{In: strings.NewReader(""), Out: &out, Err: &said, Getenv: func(string) string { return "" }, Name: "greywatt"}
		if code := run(t.Context(), append([]string{"simulate", "--out", filepath.Join(dir, "sim")}, args...), con); code != cli.ExitDone {
			t.Fatalf("simulate: %d %s", code, said.String())
		}
		_, next, ok := strings.Cut(out.String(), "Next: greywatt ")
		if !ok {
			t.Fatal(out.String())
		}
		words := strings.Fields(strings.Replace(next, "DIR", filepath.Join(dir, "data"), 1))
		last := len(words) - 1
		files, err := filepath.Glob(words[last])
		if err != nil || len(files) == 0 {
			t.Fatalf("%s matches %v, %v", words[last], files, err)
		}
		if code := run(t.Context(), append(words[:last], files...), con); code != cli.ExitDone {
			t.Errorf("%s: exit code %d: %s", next, code, said.String())
		}
	}
}

// What is simulated beyond today is not written: an import by the same clock takes
// all of it, and what is written is as if there were no end.
func TestSimulateEndsToday(t *testing.T) {
	files := map[string]string{}
	for name, clock := range map[string]time.Time{
		"past": time.Date(2030, 1, 1, 12, 0, 0, 0, time.UTC),
		"now":  time.Date(2026, 1, 15, 15, 0, 0, 0, time.UTC), // it begins on the 12th
	} {
		dir := filepath.Join(t.TempDir(), name)
		var out, said bytes.Buffer
		con := &cli.Console{In: strings.NewReader(""), Out: &out, Err: &said, Getenv: func(string) string { return "" }, Name: "greywatt"}
		o := &simulateOptions{out: dir, preset: "accuracy", seed: 1, days: 5, dwellings: 1, interval: 1, format: "csv", now: func() time.Time { return clock }}
		if err := o.Run(t.Context(), con, nil); err != nil {
			t.Fatal(err)
		}
		text, err := os.ReadFile(filepath.Join(dir, "accuracy-1.csv"))
		if err != nil {
			t.Fatal(err)
		}
		files[name] = string(text)
		if name == "now" && (!strings.Contains(said.String(), "3 days of 5: the others are not over yet") || !strings.Contains(out.String(), ": 3 days of 1 dwelling")) {
			t.Errorf("said %q, %q", out.String(), said.String())
		}
	}
	if now := files["now"]; !strings.HasPrefix(files["past"], now) || len(now) < len(files["past"])/2 || len(now) > len(files["past"])*7/10 {
		t.Errorf("%d bytes of %d, or not their beginning", len(now), len(files["past"]))
	}
	con := &cli.Console{In: strings.NewReader(""), Out: io.Discard, Err: io.Discard, Name: "greywatt"}
	o := &simulateOptions{out: filepath.Join(t.TempDir(), "none"), preset: "accuracy", seed: 1, dwellings: 1, interval: 1, format: "senml", now: func() time.Time { return time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC) }}
	if err := o.Run(t.Context(), con, nil); err == nil || !strings.Contains(err.Error(), "begins after today, which is 2025-01-01") {
		t.Errorf("%v", err)
	}
}

// A folder with somebody's study file is left as it is; one that simulate made is
// written again.
func TestSimulateLeavesStudyFiles(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "study.toml")
	const mine = "# mine\n"
	if err := os.WriteFile(file, []byte(mine), 0o600); err != nil {
		t.Fatal(err)
	}
	simulate := func(out string) (code int, said string) {
		var b bytes.Buffer
		con := &cli.Console{In: strings.NewReader(""), Out: io.Discard, Err: &b, Getenv: func(string) string { return "" }, Name: "greywatt"}
		return run(t.Context(), []string{"simulate", "--days", "1", "--out", out}, con), b.String()
	}
	code, said := simulate(dir)
	if code != cli.ExitUsage || !strings.Contains(said, "--out") || readFile(t, file) != mine {
		t.Errorf("exit code %d, %q; the file is now %.20q", code, said, readFile(t, file))
	}
	for range 2 {
		if code, said := simulate(filepath.Join(dir, "sim")); code != cli.ExitDone {
			t.Errorf("exit code %d, %s", code, said)
		}
	}
}
