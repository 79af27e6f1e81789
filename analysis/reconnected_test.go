package analysis_test

import (
	"iter"
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis"
	"greywatt/analysis/simulate"
)

// A dwelling that the study file has in C and the journal in A from half way on: each
// event is expected by the connection of its day, the findings are of the new record,
// and a compact result says the same.
func TestReconnectedHalfWay(t *testing.T) {
	h := simulate.NewFlat(1, 6, time.UTC).Houses[0]
	h.Faults = nil
	is := h.Dwelling.Connection
	from, _ := h.Span()
	at := from.Add(3 * 86400)
	other := greywatt.ConnectionC
	if is == other {
		other = greywatt.ConnectionB
	}
	file := h.Dwelling
	file.Connection = other
	study := (&greywatt.Study{Timezone: h.Timezone, Dwellings: []greywatt.Dwelling{file}}).With([]greywatt.Fact{
		{ID: "a", Dwelling: file.ID, Kind: greywatt.FactReconnected, At: at, Connection: is}})
	frames := func() iter.Seq2[[]greywatt.Frame, error] {
		return func(yield func([]greywatt.Frame, error) bool) {
			for f := range h.Frames(nil) {
				if !yield([]greywatt.Frame{f}, nil) {
					return
				}
			}
		}
	}
	whole, err := analysis.Run(study, &study.Dwellings[0], frames(), analysis.Options{})
	if err != nil {
		t.Fatal(err)
	}
	compact, err := analysis.Run(study, &study.Dwellings[0], frames(), analysis.Options{Compact: true})
	if err != nil {
		t.Fatal(err)
	}
	before, after := 0, 0
	for i, e := range whole.Events {
		want := is
		if e.Start < at {
			want = other
			before++
		} else {
			after++
		}
		if e.Connection != want || compact.History.Event(i).Connection != want {
			t.Errorf("%s has connection %s, compact %s, want %s", e.ID, e.Connection, compact.History.Event(i).Connection, want)
		}
	}
	if before < 3 || after < 3 {
		t.Errorf("%d events before and %d after", before, after)
	}
	// What is found is found of the record that began that day.
	alone, err := analysis.Run(&greywatt.Study{Timezone: h.Timezone, Dwellings: []greywatt.Dwelling{h.Dwelling}}, &h.Dwelling, func(yield func([]greywatt.Frame, error) bool) {
		for batch, err := range frames() {
			if batch[0].At >= at && !yield(batch, err) {
				return
			}
		}
	}, analysis.Options{})
	if err != nil {
		t.Fatal(err)
	}
	got, want := whole.Diagnosis.Findings[0], alone.Diagnosis.Findings[0]
	if got.Code != want.Code || len(whole.Diagnosis.Findings) != len(alone.Diagnosis.Findings) {
		t.Errorf("found %s (%s), want as of a log that begins then: %s (%s)", got.Code, got.Evidence, want.Code, want.Evidence)
	}
}
