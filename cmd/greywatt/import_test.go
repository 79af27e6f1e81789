package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
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
