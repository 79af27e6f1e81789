package main

import (
	"bytes"
	"encoding/binary"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"greywatt"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/watch"
	"greywatt/ingest/store"
)

func TestIDSearch(t *testing.T) {
	s := searchFor("larch-04", []string{"larch-04", "larch-04-b", "elm"})
	for name, want := range map[string]bool{
		"larch-04.svg": true, "trend-larch-04.svg": true, "larch-04-20260112T071403Z.png": true, ".larch-04.svg.123.tmp": true,
		"larch-041.svg": false, "xlarch-04.svg": false, "larch-04-b.svg": false, "larch-04-b and larch-04": true,
		"": false, "élarch-04": false, "larch-04é": false, `"larch-04",`: true,
	} {
		if got := s.in(name); got != want {
			t.Errorf("%q: %t", name, got)
		}
	}
}

// A sheet's name has underlines for the colons of an id.
func TestErasedSheets(t *testing.T) {
	dir := t.TempDir()
	names := map[string]bool{"a_1..x.pdf": true, "a_1..x.json": true, "a_1..x.label.jpg": true, "a_1_b..x.pdf": false, "a_12..x.pdf": false, "study.txt": false}
	for name := range names {
		if err := os.WriteFile(filepath.Join(dir, name), nil, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	found, err := searchFor("a:1", []string{"a:1", "a:1:b"}).files([]string{dir})
	if err != nil {
		t.Fatal(err)
	}
	for name, want := range names {
		if got := slices.Contains(found, filepath.Join(dir, name)); got != want {
			t.Errorf("%s: found %t", name, got)
		}
	}
}

// tree returns the bytes of every file below dir, and its name, by path.
func tree(t *testing.T, dir string) map[string][]byte {
	t.Helper()
	files := map[string][]byte{}
	err := filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		data, err := os.ReadFile(path)
		files[path] = append([]byte(path+"\x00"), data...)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return files
}

// After erasing, no byte of the data folder and of a folder of charts names the
// dwelling or holds one of its instants or values, while the others' are there;
// what still names it elsewhere is told.
func TestEraseLeavesNothing(t *testing.T) {
	study, files := street(t, "2")
	dir := t.TempDir()
	data, charts := filepath.Join(dir, "data"), filepath.Join(dir, "charts")
	invoke(t, cli.ExitDone, append([]string{"import", "--study", study, "--data", data}, files...)...)
	invoke(t, cli.ExitRejected, "import", "--study", study, "--data", data, "--dwelling", "hazel-02", "testdata/files/bad.csv")
	invoke(t, cli.ExitDone, "trend", "--study", study, "--data", data, "--chart", charts)
	invoke(t, cli.ExitDone, "trend", "--study", study, "--data", data, "--chart", filepath.Join(data, "charts"))
	invoke(t, cli.ExitDone, "export", "--study", study, "--data", data, "--out", filepath.Join(data, "out"))

	old := filepath.Join(data, "old.backup")
	invoke(t, cli.ExitDone, "backup", old, "--data", data)

	const at, value = greywatt.Instant(1_772_500_000_123_457), 21.987654321987
	instant := binary.BigEndian.AppendUint64(nil, uint64(at)) // as SQLite stores integers and reals
	number := binary.BigEndian.AppendUint64(nil, math.Float64bits(value))
	st, err := store.Open(data, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := st.Mirror(t.Context(), "influx+http://127.0.0.1:1/x"); err != nil {
		t.Fatal(err)
	}
	if _, err := st.Append(t.Context(), []greywatt.Reading{{Dwelling: "hazel-02", Node: "late", Channel: greywatt.WasteIn, At: at, Value: value}}); err != nil {
		t.Fatal(err)
	}
	for _, id := range []string{"hazel-01", "hazel-02"} {
		if err := st.SetNote(t.Context(), id, "guard", []byte(`{"Alarms":[{"Dwelling":"`+id+`","What":"x"}]}`)); err != nil {
			t.Fatal(err)
		}
	}
	if g, err := watch.ReadGuarded(t.Context(), st, "hazel-02"); err != nil || len(g.Alarms) != 1 {
		t.Fatalf("the alarm to be erased: %+v, %v", g, err)
	}
	patterns := map[string][]byte{"id": []byte("hazel-02"), "instant": instant, "value": number}
	in := func(name string) (paths []string) {
		for path, content := range tree(t, dir) {
			if bytes.Contains(content, patterns[name]) && filepath.Dir(path) != filepath.Join(data, "out") && path != old {
				paths = append(paths, path)
			}
		}
		return paths
	}
	for name := range patterns { // while it is open: with its log
		if len(in(name)) == 0 {
			t.Fatalf("%s is nowhere before it is erased: the test looks for the wrong bytes", name)
		}
	}
	st.Close()

	listed := in("id")
	said := invoke(t, cli.ExitUsage, "erase", "hazel-02", "--data", data, "--also", charts)
	for _, path := range listed {
		if name := filepath.Base(path); strings.Contains(name, "hazel-02") && !strings.Contains(said, path) {
			t.Errorf("%s is not in the list of what would go:\n%s", path, said)
		}
	}
	if again := in("id"); len(again) != len(listed) {
		t.Error("something went without --yes")
	}
	var out, errOut bytes.Buffer
	code := run(t.Context(), []string{"erase", "hazel-02", "--data", data, "--also", charts, "--yes"},
		&cli.Console{In: strings.NewReader(""), Out: &out, Err: &errOut, Getenv: func(string) string { return "" }, Name: "greywatt"})
	if code != cli.ExitDone {
		t.Fatalf("exit code %d: %s", code, errOut.String())
	}
	for _, name := range []string{"events.csv", "findings.csv", "trend.csv"} {
		if !strings.Contains(errOut.String(), filepath.Join(data, "out", name)+" still names hazel-02") {
			t.Errorf("%s holds the dwelling, and what is told is\n%s", name, errOut.String())
		}
	}
	if !strings.Contains(errOut.String(), old+" still names hazel-02") {
		t.Errorf("a backup in the folder holds the dwelling, and what is told is\n%s", errOut.String())
	}
	check := func(when string) {
		t.Helper()
		for name := range patterns {
			for _, path := range in(name) {
				if filepath.Base(path) != "overview.svg" { // it names all dwellings, and that is told
					t.Errorf("%s: %s is still in %s", when, name, path)
				}
			}
		}
	}
	check("after erasing")
	if !strings.Contains(errOut.String(), "overview.svg still names hazel-02") {
		t.Errorf("overview.svg names the dwelling, and what is told is\n%s", errOut.String())
	}
	invoke(t, cli.ExitDone, "events", "--study", study, "--data", data)
	check("after reading")
	if _, err := os.Stat(filepath.Join(charts, "trend-hazel-01.svg")); err != nil {
		t.Errorf("another dwelling's chart: %v", err)
	}
	if left := invoke(t, cli.ExitDone, "dump", "--data", data, "--format", "senml"); strings.Contains(left, "hazel-02") || strings.Count(left, `"hazel-0`) == 0 {
		t.Error("the dump after erasing has the dwelling, or nobody")
	}
	invoke(t, cli.ExitDone, "check", "--study", study, "--data", data)
	invoke(t, cli.ExitUsage, "erase", "hazel-02", "--data", data, "--yes") // nothing is left to be erased
}
