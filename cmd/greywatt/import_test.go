package main

import (
	"bytes"
	"encoding/json"
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
	if want := (importJSON{Readings: 7, New: 7, Rejected: 4}); got != want { // counted by hand
		t.Errorf("%+v, want %+v", got, want)
	}
}
