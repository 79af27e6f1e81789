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

	"greywatt/ingest/store"
)

// A folder with a bad page in it: check says which part is damaged, salvage makes
// a folder of the rest, and neither touches the damaged file.
func TestSalvage(t *testing.T) {
	dir := t.TempDir()
	data := filepath.Join(dir, "data")
	study, files := street(t, "4")
	out := invoke(t, exitDone, append([]string{"import", "--study", study, "--data", data}, files...)...)
	total, err := strconv.Atoi(regexp.MustCompile(`(\d+) new`).FindStringSubmatch(out)[1])
	if err != nil {
		t.Fatal(err)
	}
	invoke(t, exitDone, "check", "--study", study, "--data", data)

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
		if code := run(t.Context(), args, &console{strings.NewReader(""), &said, &said, func(string) string { return "" }, "greywatt"}); code != exitFailure {
			t.Errorf("greywatt %s of a damaged folder: exit code %d, want %d\n%s", args[0], code, exitFailure, said.String())
		}
		return said.String()
	}
	if said := failed("check", "--study", study, "--data", data); !strings.Contains(said, "damaged part") || !strings.Contains(said, "salvage") {
		t.Errorf("check says\n%s", said)
	}
	rescued := filepath.Join(dir, "rescued")
	out = invoke(t, exitDone, "salvage", "--data", data, rescued)
	got := regexp.MustCompile(`: (\d+) readings; (\d+) parts? could`).FindStringSubmatch(out)
	if got == nil {
		t.Fatal(out)
	}
	if n, _ := strconv.Atoi(got[1]); n < total*3/4 || n >= total || got[2] == "0" {
		t.Errorf("of %d readings: %s", total, out)
	}
	invoke(t, exitDone, "check", "--study", study, "--data", rescued)
	invoke(t, exitDone, "events", "--study", study, "--data", rescued)
	invoke(t, exitUsage, "salvage", "--data", data, rescued)
	if after, err := os.ReadFile(file); err != nil || !bytes.Equal(after, bad) {
		t.Errorf("the damaged file was changed (%v)", err)
	}
}
