package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"golang.org/x/sync/errgroup"

	"greywatt/analysis/simulate"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/dataset"
	"greywatt/cmd/greywatt/internal/publish"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/ingest/payload"
)

// invoke runs the program and returns what it writes.
func invoke(t *testing.T, wantCode int, args ...string) string {
	t.Helper()
	var out, errOut bytes.Buffer
	code := run(t.Context(), args, &cli.Console{In: strings.NewReader(""), Out: &out, Err: &errOut, Getenv: func(string) string { return "" }, Name: "greywatt"})
	if code != wantCode {
		t.Fatalf("greywatt %s: exit code %d, want %d\n%s", strings.Join(args, " "), code, wantCode, errOut.String())
	}
	return out.String()
}

// street simulates the demo's six dwellings into files and returns the study
// file and the readings' files.
func street(t *testing.T, days string) (study string, files []string) {
	t.Helper()
	dir := t.TempDir()
	invoke(t, cli.ExitDone, "simulate", "--out", dir, "--days", days)
	files, err := filepath.Glob(filepath.Join(dir, "*.senml"))
	if err != nil || len(files) != 6 {
		t.Fatalf("simulated files %v, %v", files, err)
	}
	return filepath.Join(dir, "study.toml"), files
}

func readFiles(t *testing.T, dir string) map[string]string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	content := map[string]string{}
	for _, e := range entries {
		data, err := os.ReadFile(filepath.Join(dir, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		content[e.Name()] = string(data)
	}
	return content
}

func equalFiles(t *testing.T, a, b map[string]string) {
	t.Helper()
	for name := range a {
		if a[name] != b[name] {
			t.Errorf("%s differs", name)
		}
	}
	if len(a) != len(b) {
		t.Errorf("%d files against %d", len(a), len(b))
	}
}

// Importing again changes nothing; the order of files and their format do not
// matter; exporting again gives the same bytes.
func TestImportAndExportTwice(t *testing.T) {
	study, files := street(t, "2")
	dir := t.TempDir()
	importInto := func(data string, files []string) {
		invoke(t, cli.ExitDone, append([]string{"import", "--study", study, "--data", data}, files...)...)
	}
	export := func(data, out string) map[string]string {
		invoke(t, cli.ExitDone, "export", "--study", study, "--data", data, "--out", out)
		return readFiles(t, out)
	}
	once := filepath.Join(dir, "once")
	importInto(once, files)
	readings := invoke(t, cli.ExitDone, "dump", "--data", once, "--format", "senml")
	first := export(once, filepath.Join(dir, "out1"))
	if !strings.Contains(first["events.csv"], ",shower,") || len(first) != len(dataset.Files) {
		t.Fatalf("export of %d files without a shower", len(first))
	}

	importInto(once, files)
	if again := invoke(t, cli.ExitDone, "dump", "--data", once, "--format", "senml"); again != readings {
		t.Error("the second import changed the readings")
	}
	equalFiles(t, first, export(once, filepath.Join(dir, "out1")))

	slices.Reverse(files)
	reversed := filepath.Join(dir, "reversed")
	importInto(reversed, files)
	equalFiles(t, first, export(reversed, filepath.Join(dir, "out2")))

	dumped := filepath.Join(dir, "dumped.senml")
	if err := os.WriteFile(dumped, []byte(readings), 0o644); err != nil {
		t.Fatal(err)
	}
	copied := filepath.Join(dir, "copied")
	importInto(copied, []string{dumped})
	if got := invoke(t, cli.ExitDone, "dump", "--data", copied, "--format", "senml"); got != readings {
		t.Error("readings differ after dump and import")
	}

	// A table gives flows in l/min, which costs the last digit of some.
	table := filepath.Join(dir, "table.csv")
	if err := os.WriteFile(table, []byte(invoke(t, cli.ExitDone, "dump", "--data", once)), 0o644); err != nil {
		t.Fatal(err)
	}
	importInto(filepath.Join(dir, "tabled"), []string{table})
	equalFiles(t, first, export(filepath.Join(dir, "tabled"), filepath.Join(dir, "out3")))
}

// A list of events for a period, for kinds and for one dwelling is that part of
// the list of all, and the event in a chart is the event in the list.
func TestEventsAgree(t *testing.T) {
	study, files := street(t, "5")
	data := filepath.Join(t.TempDir(), "data")
	invoke(t, cli.ExitDone, "import", "--study", study, "--data", data, files[1], files[2])
	list := func(args ...string) []string {
		out := invoke(t, cli.ExitDone, append([]string{"events", "--json", "--study", study, "--data", data}, args...)...)
		return slices.Collect(strings.Lines(out))
	}
	all := list()
	var part []string
	for _, line := range all {
		var e struct{ Dwelling, Kind, Start string }
		if err := json.Unmarshal([]byte(line), &e); err != nil {
			t.Fatal(err)
		}
		if e.Dwelling == "hazel-03" && e.Kind == "shower" && e.Start >= "2026-03-05" && e.Start < "2026-03-07" {
			part = append(part, line)
		}
	}
	if len(part) == 0 {
		t.Fatal("no showers in the part")
	}
	if got := list("--dwelling", "hazel-03", "--kind", "shower", "--from", "2026-03-05", "--to", "2026-03-06"); !slices.Equal(got, part) {
		t.Errorf("got %d events:\n%s\nwant %d:\n%s", len(got), strings.Join(got, ""), len(part), strings.Join(part, ""))
	}

	s, err := (&site.StudyFlag{File: study}).Read()
	if err != nil {
		t.Fatal(err)
	}
	st, err := (&site.DataFlag{Dir: data}).Read()
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	for _, line := range list("--kind", "shower") {
		var e struct {
			ID string `json:"event_id"`
		}
		if err := json.Unmarshal([]byte(line), &e); err != nil {
			t.Fatal(err)
		}
		event, trace, err := site.TraceEvent(t.Context(), &cli.Console{Err: io.Discard}, st, s, e.ID)
		if err != nil {
			t.Fatal(err)
		}
		var again strings.Builder
		if err := dataset.WriteJSON(&again, sliceOf(event)); err != nil {
			t.Fatal(err)
		}
		if again.String() != line {
			t.Errorf("the chart's event is\n%swant\n%s", again.String(), line)
		}
		if len(trace.At) == 0 {
			t.Errorf("%s: no series to draw", e.ID)
		}
	}
}

func sliceOf[E any](e E) []E { return []E{e} }

func TestChart(t *testing.T) {
	study, files := street(t, "1")
	dir := t.TempDir()
	data := filepath.Join(dir, "data")
	invoke(t, cli.ExitDone, append([]string{"import", "--study", study, "--data", data}, files...)...)
	id := regexp.MustCompile(`hazel-\S+`).FindString(invoke(t, cli.ExitDone, "events", "--study", study, "--data", data, "--kind", "shower"))
	for ext, start := range map[string]string{"svg": "<svg", "png": "\x89PNG", "pdf": "%PDF-"} {
		file := filepath.Join(dir, "chart."+ext)
		invoke(t, cli.ExitDone, "chart", id, "--study", study, "--data", data, "--out", file)
		chart, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Contains(chart[:min(len(chart), 200)], []byte(start)) {
			t.Errorf("%s begins with %q", ext, chart[:min(len(chart), 40)])
		}
	}
	invoke(t, cli.ExitFailure, "chart", "hazel-01-19990101T000000Z", "--study", study, "--data", data, "--out", filepath.Join(dir, "none.svg"))
	if _, err := os.Stat(filepath.Join(dir, "none.svg")); err == nil {
		t.Error("a chart of an event that there is not")
	}
}

// The logger, as a node sees it: everything that was acknowledged is what the
// files of the same street hold, and stopping it is orderly.
func TestRun(t *testing.T) {
	study, files := street(t, "2")
	dir := t.TempDir()
	imported, logged := filepath.Join(dir, "imported"), filepath.Join(dir, "logged")
	invoke(t, cli.ExitDone, append([]string{"import", "--study", study, "--data", imported}, files...)...)

	ctx, interrupt := context.WithCancel(t.Context())
	defer interrupt()
	logReader, log := io.Pipe()
	code := make(chan int, 1)
	go func() {
		code <- run(ctx, []string{"run", "--study", study, "--data", logged, "--listen", "127.0.0.1:0"},
			&cli.Console{In: strings.NewReader(""), Out: io.Discard, Err: log, Getenv: func(string) string { return "" }, Name: "greywatt"})
		log.Close()
	}()
	lines := bufio.NewScanner(logReader)
	url := ""
	for url == "" && lines.Scan() {
		url = regexp.MustCompile(`tcp://[0-9.:]+`).FindString(lines.Text())
	}
	if url == "" {
		t.Fatalf("the logger does not say where it listens; exit code %d", <-code)
	}
	go io.Copy(io.Discard, logReader)

	var nodes errgroup.Group
	for _, h := range simulate.Demo(1, 2, demoZone()).Houses {
		nodes.Go(func() error { return publish.House(ctx, url, payload.DefaultPrefix, h, func() {}) })
	}
	if err := nodes.Wait(); err != nil {
		t.Fatal(err)
	}
	// All is acknowledged, so it is on disk: readable beside the logger.
	want := invoke(t, cli.ExitDone, "dump", "--data", imported, "--format", "senml")
	if got := invoke(t, cli.ExitDone, "dump", "--data", logged, "--format", "senml"); got != want {
		t.Error("what was logged is not what was published")
	}
	interrupt()
	if got := <-code; got != cli.ExitInterrupted {
		t.Errorf("exit code %d after an interrupt, want %d", got, cli.ExitInterrupted)
	}
	invoke(t, cli.ExitDone, "check", "--study", study, "--data", logged)
}

func TestInterrupted(t *testing.T) {
	study, files := street(t, "1")
	ctx, interrupt := context.WithCancel(t.Context())
	interrupt()
	var out bytes.Buffer
	code := run(ctx, append([]string{"import", "--study", study, "--data", filepath.Join(t.TempDir(), "data")}, files...),
		&cli.Console{In: strings.NewReader(""), Out: &out, Err: &out, Getenv: func(string) string { return "" }, Name: "greywatt"})
	if code != cli.ExitInterrupted || !strings.HasSuffix(out.String(), "greywatt: interrupted\n") {
		t.Errorf("exit code %d, %q", code, out.String())
	}
}

// Two demos give the same figures, and a folder that holds something else is
// left alone.
func TestDemo(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "demo")
	report := func() string {
		out := invoke(t, cli.ExitDone, "demo", "--dir", dir, "--days", "2")
		_, after, ok := strings.Cut(out, "after its commit\n")
		if !ok {
			t.Fatalf("demo says\n%s", out)
		}
		return after
	}
	first := report()
	exported, charts := readFiles(t, filepath.Join(dir, "dataset")), readFiles(t, filepath.Join(dir, "charts"))
	if again := report(); again != first {
		t.Errorf("the second demo says\n%s\nthe first\n%s", again, first)
	}
	equalFiles(t, exported, readFiles(t, filepath.Join(dir, "dataset")))
	equalFiles(t, charts, readFiles(t, filepath.Join(dir, "charts")))
	if len(charts) < 8 {
		t.Errorf("%d charts", len(charts))
	}
	next := strings.TrimSpace(first[strings.LastIndex(first, "Next: greywatt ")+len("Next: greywatt "):])
	if out := invoke(t, cli.ExitDone, strings.Fields(next)...); !strings.Contains(out, "hazel-06-") {
		t.Errorf("the command that it advises says\n%s", out)
	}

	other := t.TempDir()
	if err := os.WriteFile(filepath.Join(other, "thesis.txt"), []byte("mine"), 0o644); err != nil {
		t.Fatal(err)
	}
	invoke(t, cli.ExitUsage, "demo", "--dir", other)
	if got := readFiles(t, other); len(got) != 1 {
		t.Errorf("the folder now holds %d files", len(got))
	}
}

// Logging while another process holds the data is refused.
func TestLocked(t *testing.T) {
	study, files := street(t, "1")
	data := filepath.Join(t.TempDir(), "data")
	st, err := (&site.DataFlag{Dir: data}).Write()
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	invoke(t, cli.ExitFailure, "import", "--study", study, "--data", data, files[0])
}
