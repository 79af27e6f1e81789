package main

import (
	"bytes"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"golang.org/x/sync/errgroup"

	"greywatt/analysis/simulate"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/publish"
	"greywatt/ingest/payload"
)

// dumped returns all readings of a data folder, a line each.
func dumped(t *testing.T, data string) map[string]bool {
	t.Helper()
	lines := map[string]bool{}
	for line := range strings.Lines(invoke(t, cli.ExitDone, "dump", "--data", data)) {
		lines[line] = true
	}
	return lines
}

// A backup is taken while run logs what six nodes publish: it has all that was
// acknowledged before it began, nothing that was not published, and restored it
// gives the same figures.
func TestBackupWhileRunning(t *testing.T) {
	dir := t.TempDir()
	study, files := street(t, "2")
	data, file := filepath.Join(dir, "data"), filepath.Join(dir, "study.backup")
	invoke(t, cli.ExitDone, append([]string{"import", "--study", study, "--data", data}, files[:3]...)...)
	before := dumped(t, data)

	url, stop := startRun(t, "--study", study, "--data", data)
	var nodes errgroup.Group
	begun := make(chan struct{}, 100_000)
	for _, h := range simulate.Demo(1, 2, demoZone()).Houses {
		nodes.Go(func() error {
			return publish.House(t.Context(), url, payload.DefaultPrefix, h, func() {
				select {
				case begun <- struct{}{}:
				default:
				}
			})
		})
	}
	<-begun // something is acknowledged
	said := invoke(t, cli.ExitDone, "backup", file, "--data", data)
	if !strings.HasPrefix(said, file+": ") || !strings.Contains(said, "no damage") {
		t.Errorf("said is %q", said)
	}
	invoke(t, cli.ExitUsage, "backup", file, "--data", data)
	early := filepath.Join(dir, "early")
	invoke(t, cli.ExitDone, "restore", file, "--data", early)
	if err := nodes.Wait(); err != nil {
		t.Fatal(err)
	}
	all := filepath.Join(dir, "all.backup")
	invoke(t, cli.ExitDone, "backup", all, "--data", data) // with all acknowledged, and run still there
	invoke(t, cli.ExitDone, "backup", file, "--data", data, "--replace")
	invoke(t, cli.ExitFailure, "restore", file, "--data", data) // run holds it
	stop()

	again, whole := filepath.Join(dir, "again"), filepath.Join(dir, "whole")
	invoke(t, cli.ExitDone, "restore", file, "--data", again)
	invoke(t, cli.ExitDone, "restore", all, "--data", whole)
	invoke(t, cli.ExitUsage, "restore", all, "--data", whole)
	invoke(t, cli.ExitDone, "check", "--study", study, "--data", whole)
	now := dumped(t, data)
	if !maps.Equal(dumped(t, whole), now) || !maps.Equal(dumped(t, again), now) {
		t.Error("what is restored is not what was logged")
	}
	amid := dumped(t, early)
	for line := range before {
		if !amid[line] {
			t.Fatalf("acknowledged before the first backup and not in it: %s", line)
		}
	}
	for line := range amid {
		if !now[line] {
			t.Fatalf("in the first backup and never logged: %s", line)
		}
	}
	if len(amid) >= len(now) {
		t.Error("the first backup came after all was logged: the test shows nothing")
	}
	export := func(data string) map[string]string {
		out := data + "-out"
		invoke(t, cli.ExitDone, "export", "--study", study, "--data", data, "--out", out)
		return readFiles(t, out)
	}
	equalFiles(t, export(data), export(whole))
	if set := func(d string) string { return invoke(t, cli.ExitDone, "rejected", "--data", d) }; set(data) != set(whole) {
		t.Error("what was set aside differs")
	}
}

func TestBackupUsage(t *testing.T) {
	dir := t.TempDir()
	data := filepath.Join(dir, "data")
	invoke(t, cli.ExitRejected, "import", "--study", "testdata/files/study.toml", "--data", data, "testdata/files/packs.senml")
	for _, args := range [][]string{{"backup"}, {"backup", "a", "b"}, {"restore"}, {"backup", data + "/greywatt.sqlite"}} {
		invoke(t, cli.ExitUsage, append(slices.Clone(args), "--data", data)...)
	}
	invoke(t, cli.ExitFailure, "backup", filepath.Join(dir, "x"), "--data", filepath.Join(dir, "nowhere"))
	invoke(t, cli.ExitFailure, "backup", filepath.Join(dir, "no", "folder"), "--data", data)
	invoke(t, cli.ExitFailure, "restore", filepath.Join(dir, "nothing"), "--data", filepath.Join(dir, "new"))
	invoke(t, cli.ExitFailure, "restore", "testdata/files/study.toml", "--data", filepath.Join(dir, "new"))
}

// A file that is no backup is refused by its own name, with what to do.
func TestRestoreOfSomethingElse(t *testing.T) {
	file := filepath.Join(t.TempDir(), "table.csv")
	if err := os.WriteFile(file, []byte("time,flow_l_min\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	var said bytes.Buffer
	con := &cli.Console{In: strings.NewReader(""), Out: io.Discard, Err: &said, Getenv: func(string) string { return "" }, Name: "greywatt"}
	code := run(t.Context(), []string{"restore", file, "--data", filepath.Join(t.TempDir(), "data")}, con)
	if code != cli.ExitFailure || !strings.Contains(said.String(), "; "+file+" is damaged, or no file that backup wrote: take another") {
		t.Errorf("exit code %d: %s", code, said.String())
	}
}
