package main

import (
	"bytes"
	"path/filepath"
	"strings"
	"testing"

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
