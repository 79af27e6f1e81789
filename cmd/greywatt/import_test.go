package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"runtime"
	"strings"
	"testing"

	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/intake"
	"greywatt/ingest"
)

func TestReportRefused(t *testing.T) {
	var out strings.Builder
	r, err := intake.NewRefusals(&out, nil)
	if err != nil {
		t.Fatal(err)
	}
	keep, err := r.Take([]ingest.RejectedRecord{
		{Source: "a.senml:1", Reason: ingest.FutureTime, Detail: "waste-in"},
		{Source: "a.senml:1", Reason: ingest.FutureTime, Detail: "cold-in"},
		{Source: "a.senml:1", Reason: ingest.FutureTime, Detail: "flow"},
		{Source: "a.senml:1", Reason: ingest.BadUnit, Detail: "flow"},
		{Source: "a.senml:2", Reason: ingest.BadUnit, Detail: "flow"},
	})
	if err != nil || len(keep) != 5 {
		t.Errorf("%d are to be stored, %v", len(keep), err)
	}
	want := `a.senml:1: future-time: waste-in (and 2 more records of this line)
a.senml:1: bad-unit: flow
a.senml:2: bad-unit: flow
`
	if out.String() != want {
		t.Errorf("got\n%s\nwant\n%s", out.String(), want)
	}
}

// filesStudy is the study of the files that most tests of commands take.
const filesStudy = "testdata/files/study.toml"

func TestImportJSON(t *testing.T) {
	var out, said bytes.Buffer
	code := run(t.Context(), []string{"import", "--json", "--study", filesStudy, "--data", t.TempDir(), "--dwelling", "larch-04", "testdata/files/bad.csv"},
		&cli.Console{In: strings.NewReader(""), Out: &out, Err: &said, Getenv: func(string) string { return "" }, Name: "greywatt"})
	var got importJSON
	if err := json.Unmarshal(out.Bytes(), &got); err != nil || code != cli.ExitRejected {
		t.Fatalf("exit code %d, %v: %s%s", code, err, out.String(), said.String())
	}
	got.Seconds = 0
	if want := (importJSON{Readings: 7, New: 7, Rejected: 4}); !reflect.DeepEqual(got, want) { // counted by hand
		t.Errorf("%+v, want %+v", got, want)
	}
}

// With a recipe the object has each channel as the table does.
func TestImportJSONChannels(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		t.Helper()
		file := filepath.Join(dir, name)
		if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		return file
	}
	made := write("r.toml", "[file]\nformat = \"csv\"\n[time]\nfrom = \"t\"\nformat = \"unix-s\"\n[place]\ndwelling = \"larch-04\"\n"+
		"[[channel]]\nchannel = \"waste-in\"\nfrom = \"w\"\nunit = \"Cel\"\n[[channel]]\nchannel = \"flow\"\nfrom = \"f\"\nunit = \"l/min\"\n")
	var rows strings.Builder
	rows.WriteString("t,w,f\n")
	for i := range 40 {
		fmt.Fprintf(&rows, "%d,38,%d\n", 1768199400+2*i, i/30*6) // 30 at rest, 10 in a draw
	}
	var out, said bytes.Buffer
	code := run(t.Context(), []string{"import", "--json", "--study", filesStudy, "--data", filepath.Join(dir, "data"), "--recipe", made, write("a.csv", rows.String())},
		&cli.Console{In: strings.NewReader(""), Out: &out, Err: &said, Getenv: func(string) string { return "" }, Name: "greywatt"})
	if code != cli.ExitDone {
		t.Fatalf("exit code %d: %s%s", code, out.String(), said.String())
	}
	var got importJSON
	if err := json.Unmarshal(out.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	both := channelJSON{Dwelling: "larch-04", Node: "file", Readings: 40, From: "2026-01-12T06:30:00Z", To: "2026-01-12T06:31:18Z", IntervalS: 2, AtRest: 0.75, InDraws: 0.25}
	waste, flow := both, both
	waste.Channel, waste.Unit, waste.Lowest, waste.Highest, waste.Suspicious = "waste-in", "Cel", 38, 38, []string{"never moves"}
	flow.Channel, flow.Unit, flow.Lowest, flow.Highest, flow.Suspicious = "flow", "l/min", 0, 6, []string{}
	if want := []channelJSON{waste, flow}; !reflect.DeepEqual(got.Channels, want) {
		t.Errorf("%+v, want %+v", got.Channels, want)
	}
}

// An import that is interrupted says how many readings are stored, and just those are.
func TestImportInterrupted(t *testing.T) {
	data := t.TempDir()
	ctx, interrupt := context.WithCancel(t.Context())
	defer interrupt()
	// More than two batches and what the decoders hold.
	rows := &endlessRows{interrupt: interrupt, enough: 300_000 + 10_000*runtime.GOMAXPROCS(0)}
	var out, said bytes.Buffer
	code := run(ctx, []string{"import", "--format", "csv", "--study", filesStudy, "--data", data, "--dwelling", "larch-04", "-"},
		&cli.Console{In: rows, Out: &out, Err: &said, Getenv: func(string) string { return "" }, Name: "greywatt"})
	if code != cli.ExitInterrupted {
		t.Fatalf("exit code %d\n%s", code, said.String())
	}
	var told, fresh int
	if _, err := fmt.Sscanf(said.String(), "%d readings of these files are stored, %d of them new", &told, &fresh); err != nil || told == 0 || fresh != told {
		t.Fatalf("%v: %q", err, said.String())
	}
	stored := strings.Count(invoke(t, cli.ExitDone, "dump", "--data", data), "\n") - 1 // its header
	if stored != told {
		t.Errorf("%d readings are stored, and %d were told of", stored, told)
	}
}

// endlessRows is a table without end. After enough of it the import is interrupted.
type endlessRows struct {
	interrupt func()
	enough    int
	rest      []byte
	n         int
}

func (e *endlessRows) Read(p []byte) (int, error) {
	if len(e.rest) == 0 {
		if e.n == 0 {
			e.rest = []byte("time,cold_in_c\n")
		} else {
			e.rest = fmt.Appendf(nil, "%d,%d\n", 1700000000+e.n, e.n%40)
		}
		if e.n++; e.n == e.enough {
			e.interrupt()
		}
	}
	n := copy(p, e.rest)
	e.rest = e.rest[n:]
	return n, nil
}
