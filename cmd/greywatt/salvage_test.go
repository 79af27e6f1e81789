package main

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/ingest/store"
)

// A folder with a bad page in it: check says which part is damaged, salvage makes
// a folder of the rest, and neither touches the damaged file.
func TestSalvage(t *testing.T) {
	dir := t.TempDir()
	data := filepath.Join(dir, "data")
	study, files := street(t, "4")
	out := invoke(t, cli.ExitDone, append([]string{"import", "--study", study, "--data", data}, files...)...)
	total, err := strconv.Atoi(regexp.MustCompile(`(\d+) new`).FindStringSubmatch(out)[1])
	if err != nil {
		t.Fatal(err)
	}
	invoke(t, cli.ExitDone, "check", "--study", study, "--data", data)

	const page = 4096
	file := filepath.Join(data, store.FileName)
	bad, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	at := len(bad) / page / 2 * page // in the middle of the blocks
	copy(bad[at:at+page], make([]byte, page))
	if err := errors.Join(os.WriteFile(file, bad, 0o644), os.RemoveAll(file+"-wal"), os.RemoveAll(file+"-shm")); err != nil {
		t.Fatal(err)
	}
	failed := func(args ...string) string {
		var said bytes.Buffer
		if code := run(t.Context(), args, &cli.Console{In: strings.NewReader(""), Out: &said, Err: &said, Getenv: func(string) string { return "" }, Name: "greywatt"}); code != cli.ExitFailure {
			t.Errorf("greywatt %s of a damaged folder: exit code %d, want %d\n%s", args[0], code, cli.ExitFailure, said.String())
		}
		return said.String()
	}
	if said := failed("check", "--study", study, "--data", data); !strings.Contains(said, "damaged block") || !strings.Contains(said, "salvage") {
		t.Errorf("check says\n%s", said)
	}
	rescued := filepath.Join(dir, "rescued")
	out = invoke(t, cli.ExitDone, "salvage", "--data", data, rescued)
	got := regexp.MustCompile(`: (\d+) readings; (\d+) parts? could`).FindStringSubmatch(out)
	if got == nil {
		t.Fatal(out)
	}
	left, _ := strconv.Atoi(got[1])
	if left < total*3/4 || left >= total || got[2] == "0" {
		t.Errorf("of %d readings: %s", total, out)
	}
	block := total - left // which was on the bad page
	invoke(t, cli.ExitDone, "check", "--study", study, "--data", rescued)
	invoke(t, cli.ExitDone, "events", "--study", study, "--data", rescued)
	invoke(t, cli.ExitUsage, "salvage", "--data", data, rescued)
	if after, err := os.ReadFile(file); err != nil || !bytes.Equal(after, bad) {
		t.Errorf("the damaged file was changed (%v)", err)
	}

	// Without its end no program opens the file. A twentieth of this small one is about
	// a block, so that the cut goes through two at most; the rest still comes back.
	if err := os.WriteFile(file, bad[:len(bad)*95/100], 0o644); err != nil {
		t.Fatal(err)
	}
	failed("events", "--study", study, "--data", data)
	out = invoke(t, cli.ExitDone, "salvage", "--data", data, filepath.Join(dir, "cut"))
	if got := regexp.MustCompile(`: (\d+) readings`).FindStringSubmatch(out); got == nil {
		t.Fatal(out)
	} else if n, _ := strconv.Atoi(got[1]); n < left-2*block {
		t.Errorf("of %d readings: %s", total, out)
	}
}
