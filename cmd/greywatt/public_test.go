package main

import (
	"bytes"
	"encoding/binary"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/klauspost/compress/zstd"

	"greywatt/cmd/greywatt/internal/cli"
)

// published is a study of six dwellings, of which the first five have the same
// connection and exchanger; nodes and study have names to be searched for.
type published struct {
	study, data, dir string
	secrets          [][]byte
}

const (
	secretNode  = "cellar-clamps-9"
	secretStudy = "Hazel Row trial"
)

func publishedStudy(t *testing.T) *published {
	t.Helper()
	p := &published{dir: t.TempDir()}
	sim := filepath.Join(p.dir, "sim")
	invoke(t, cli.ExitDone, "simulate", "--out", sim, "--days", "6")
	files, err := filepath.Glob(filepath.Join(sim, "*.senml"))
	if err != nil || len(files) != 6 {
		t.Fatal(files, err)
	}
	for _, file := range files {
		change(t, file, func(text string) string { return strings.ReplaceAll(text, `/n1/`, "/"+secretNode+"/") })
	}
	p.study, p.data = filepath.Join(sim, "study.toml"), filepath.Join(p.dir, "data")
	change(t, p.study, func(text string) string {
		// units of one type have one certificate, the inlets of its test included
		text = regexp.MustCompile(`(?m)^rated_(cold|waste)_in_c = .*\n`).ReplaceAllLiteralString(text, "")
		dwellings := strings.Split(text, "[[dwelling]]\n")
		for _, line := range []string{"connection", "orientation", "rated"} {
			is := regexp.MustCompile("(?m)^" + line + " = .*$")
			for i := 2; i <= 5; i++ {
				dwellings[i] = is.ReplaceAllLiteralString(dwellings[i], is.FindString(dwellings[1]))
			}
		}
		return strings.Join(dwellings, "[[dwelling]]\n") + `
[dataset]
title = "A row of showers"
licence = "CC-BY-4.0"
publisher = "An archive"
published = 2026-11-02
[[dataset.contributor]]
name = "Alder, Ash"
`
	})
	invoke(t, cli.ExitDone, append([]string{"import", "--study", p.study, "--data", p.data}, files...)...)
	p.secrets = [][]byte{[]byte("hazel-"), []byte(secretNode), []byte(secretStudy), []byte("hazel-row"), []byte("Europe/Dublin")}
	return p
}

func TestDisclosure(t *testing.T) {
	p := publishedStudy(t)
	t.Run("usage", func(t *testing.T) { testDisclosureUsage(t, p) })
	t.Run("public", func(t *testing.T) { testPublicExport(t, p) })
	t.Run("pseudonyms", func(t *testing.T) { testPseudonymExport(t, p) })
}

func change(t *testing.T, file string, to func(string) string) {
	t.Helper()
	old, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	changed := to(string(old))
	if changed == string(old) {
		t.Fatalf("nothing to change in %s", file)
	}
	if err := os.WriteFile(file, []byte(changed), 0o644); err != nil {
		t.Fatal(err)
	}
}

// export exports and returns the folder and what is said.
func (p *published) export(t *testing.T, code int, out string, args ...string) (dir, said string) {
	t.Helper()
	dir = filepath.Join(p.dir, out)
	return dir, invoke(t, code, append([]string{"export", "--study", p.study, "--data", p.data, "--out", dir}, args...)...)
}

// instants are the exact times of all events, in each form in which a file might
// hold them: text to the second, the form of event ids, Unix seconds as text, and
// milli- and microseconds in eight bytes, as Parquet has them.
func instants(t *testing.T, events [][]string) [][]byte {
	t.Helper()
	var forms [][]byte
	for _, e := range events {
		for _, cell := range e[3:5] {
			at, err := time.Parse(time.RFC3339, cell)
			if err != nil {
				t.Fatal(err)
			}
			forms = append(forms,
				[]byte(at.Format("2006-01-02T15:04:05")), []byte(at.Format("2006-01-02 15:04:05")), []byte(at.Format("T15:04:05.000")),
				[]byte(at.Format("20060102T150405")), fmt.Append(nil, at.Unix()),
				binary.LittleEndian.AppendUint64(nil, uint64(at.UnixMilli())), binary.LittleEndian.AppendUint64(nil, uint64(at.UnixMicro())))
		}
	}
	return forms
}

// unpacked returns all that a file holds: its bytes, and what any Zstandard
// frame (RFC 8878) among them unpacks to.
func unpacked(t *testing.T, file string) []byte {
	t.Helper()
	raw, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	all := slices.Clone(raw)
	magic := []byte{0x28, 0xb5, 0x2f, 0xfd}
	for at := bytes.Index(raw, magic); at >= 0; {
		z, err := zstd.NewReader(bytes.NewReader(raw[at:]), zstd.IgnoreChecksum(true))
		if err != nil {
			t.Fatal(err)
		}
		var content bytes.Buffer
		io.Copy(&content, z) // ends with an error at what follows the frame
		z.Close()
		all = append(append(all, 0), content.Bytes()...)
		next := bytes.Index(raw[at+1:], magic)
		if next < 0 {
			break
		}
		at += 1 + next
	}
	return all
}

// holds returns which of the patterns are in any file of dir or in a file's name.
func holds(t *testing.T, dir string, patterns [][]byte) (found []string) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil || len(entries) == 0 {
		t.Fatal(entries, err)
	}
	for _, e := range entries {
		all := append(unpacked(t, filepath.Join(dir, e.Name())), e.Name()...)
		for _, p := range patterns {
			if bytes.Contains(all, p) {
				found = append(found, fmt.Sprintf("%s: %q", e.Name(), p))
			}
		}
	}
	return found
}

func rowsOf(t *testing.T, dir, name string) [][]string {
	t.Helper()
	rows, err := csv.NewReader(strings.NewReader(readFile(t, dir, name))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows[1:]
}

// Neither an id, a node, the study nor an exact time is in any byte of a public
// dataset, packed or not; what fewer than five dwellings share is not in it; the
// rest is; the same input and key give the same bytes.
func testPublicExport(t *testing.T, p *published) {
	named, _ := p.export(t, cli.ExitDone, "named")
	public, said := p.export(t, cli.ExitDone, "public", "--public")
	events := rowsOf(t, named, "events.csv")

	times := instants(t, events)
	for i, form := range times[:7] { // of one event's start: are these the bytes to look for?
		if i == 1 || i == 4 || i == 6 {
			continue // forms that our own files do not have
		}
		if len(holds(t, named, [][]byte{form})) == 0 {
			t.Errorf("%q is not in the plain dataset: the test looks for the wrong bytes", form)
		}
	}
	if found := holds(t, named, [][]byte{[]byte("hazel-01"), []byte(secretStudy)}); !slices.ContainsFunc(found, func(s string) bool { return strings.HasPrefix(s, "events.parquet") }) {
		t.Errorf("in the plain dataset only %v: the test does not look into Parquet", found)
	}
	if found := holds(t, public, append(p.secrets, times...)); len(found) > 0 {
		t.Errorf("%d secrets in the public dataset, such as %s", len(found), found[0])
	}

	// What is to be there, counted from the plain dataset.
	dublin, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	day := func(cell string) string {
		at, err := time.Parse(time.RFC3339, cell)
		if err != nil {
			t.Fatal(err)
		}
		return at.In(dublin).Format(time.DateOnly) + "T00:00:00.000Z"
	}
	who := map[string]map[string]bool{}
	for _, e := range events {
		if e[1] != "hazel-06" {
			if who[day(e[3])] == nil {
				who[day(e[3])] = map[string]bool{}
			}
			who[day(e[3])][e[1]] = true
		}
	}
	// flags that few homes have are not told, nor figures that such a one warns of
	clear := func(e []string) {
		for _, i := range []int{17, 18, 20, 21, 24, 29, 30} {
			e[i] = ""
		}
	}
	var want, got []string
	for _, e := range events {
		clear(e)
		if e[1] != "hazel-06" && len(who[day(e[3])]) >= 5 {
			want = append(want, strings.Join(append([]string{day(e[3]), day(e[3])}, e[5:]...), ","))
		}
	}
	shown := map[string]bool{}
	for _, e := range rowsOf(t, public, "events.csv") {
		clear(e)
		got = append(got, strings.Join(e[3:], ","))
		shown[e[1]] = true
	}
	slices.Sort(want)
	slices.Sort(got)
	if !slices.Equal(got, want) || len(want) == 0 || len(want) == len(events) {
		t.Errorf("%d events in the public dataset, want %d of %d", len(got), len(want), len(events))
	}
	if len(shown) != 5 || len(rowsOf(t, public, "findings.csv")) < 5 {
		t.Errorf("dwellings %v", shown)
	}
	if citation := readFile(t, public, "CITATION.cff"); !strings.Contains(citation, "A row of showers") {
		t.Errorf("CITATION.cff is\n%s", citation)
	}
	left := fmt.Sprintf("1 dwelling, %d events", len(events)-len(want))
	if !strings.Contains(said, left) {
		t.Errorf("said is %q, want %q in it", said, left)
	}
	var about struct {
		Title      string
		Disclosure struct {
			Times     string `json:"times_coarsened_to"`
			Group     int    `json:"minimum_group"`
			Dwellings int    `json:"withheld_dwellings"`
			Events    int    `json:"withheld_events"`
		}
	}
	if err := json.Unmarshal([]byte(readFile(t, public, "datapackage.json")), &about); err != nil {
		t.Fatal(err)
	}
	if d := about.Disclosure; d.Times != "day" || d.Group != 5 || d.Dwellings != 1 || d.Events != len(events)-len(want) {
		t.Errorf("datapackage.json says %+v", about)
	}

	first := readFiles(t, public)
	again, _ := p.export(t, cli.ExitDone, "public", "--public")
	equalFiles(t, first, readFiles(t, again))
}

// Pseudonyms are those of the report, the same with and without coarsening, and
// others with another key.
func testPseudonymExport(t *testing.T, p *published) {
	named, _ := p.export(t, cli.ExitDone, "named")
	exact, _ := p.export(t, cli.ExitDone, "exact", "--pseudonyms")
	if found := holds(t, exact, p.secrets); len(found) > 0 {
		t.Errorf("secrets in the dataset: %v", found)
	}
	plain, hidden := rowsOf(t, named, "events.csv"), rowsOf(t, exact, "events.csv")
	if len(plain) != len(hidden) {
		t.Fatalf("%d events, %d with pseudonyms", len(plain), len(hidden))
	}
	names, ids := map[string]string{}, map[string]bool{}
	for i := range plain {
		if old, ok := names[plain[i][1]]; ok && old != hidden[i][1] || !slices.Equal(plain[i][2:], hidden[i][2:]) {
			t.Fatalf("row %d is %v\nwant that of %v", i, hidden[i], plain[i])
		}
		names[plain[i][1]] = hidden[i][1]
		ids[hidden[i][0]] = true
	}
	if len(names) != 6 || len(ids) != len(plain) {
		t.Errorf("%d names of 6 dwellings, %d ids of %d events", len(names), len(ids), len(plain))
	}
	invoke(t, cli.ExitDone, "report", "--study", p.study, "--data", p.data, "--out", p.dir)
	report := readFile(t, p.dir, "report.html")
	for id, name := range names {
		if !strings.Contains(report, name) {
			t.Errorf("%s is %s in the dataset and not in the report", id, name)
		}
	}
	months, _ := p.export(t, cli.ExitDone, "months", "--coarsen", "month")
	for _, e := range rowsOf(t, months, "events.csv") {
		if !ids[e[0]] || e[3] != "2026-03-01T00:00:00.000Z" || e[4] != e[3] {
			t.Fatalf("event %v", e)
		}
	}

	other := filepath.Join(p.dir, "other.key")
	if err := os.WriteFile(other, []byte(hex.EncodeToString(bytes.Repeat([]byte{7}, 32))), 0o600); err != nil {
		t.Fatal(err)
	}
	keyed, _ := p.export(t, cli.ExitDone, "keyed", "--pseudonyms", "--key-file", other)
	for _, e := range rowsOf(t, keyed, "events.csv") {
		if ids[e[0]] || slices.Contains(slices.Collect(maps.Values(names)), e[1]) {
			t.Fatalf("%v has the names of another key", e[:2])
		}
	}
}

func testDisclosureUsage(t *testing.T, p *published) {
	for _, args := range [][]string{
		{"--coarsen", "year"}, {"--min-group", "5"}, {"--public", "--worker", "1/2"}, {"--min-group", "-1"}, {"--key-file", "x"},
		{"--public", "--mirror", "influx+http://127.0.0.1:1/x"}, {"--public", "--store", "influx+http://127.0.0.1:1/x"},
	} {
		p.export(t, cli.ExitUsage, "out", args...)
	}
	p.export(t, cli.ExitFailure, "out", "--public", "--min-group", "6")
	if entries, err := os.ReadDir(filepath.Join(p.dir, "out")); err == nil && len(entries) > 0 {
		t.Errorf("files where nothing may be published: %v", entries)
	}
	// what names dwellings does not stay beside what does not
	p.export(t, cli.ExitDone, "plain")
	p.export(t, cli.ExitUsage, "plain", "--pseudonyms")
	p.export(t, cli.ExitUsage, "plain", "--public")
	charts := filepath.Join(p.dir, "charts")
	invoke(t, cli.ExitDone, "trend", "--study", p.study, "--data", p.data, "--chart", charts)
	p.export(t, cli.ExitUsage, "charts", "--public")
}
