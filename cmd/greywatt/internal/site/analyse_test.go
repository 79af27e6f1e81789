package site

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"iter"
	"testing"

	"greywatt"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/ingest"
)

// An interruptedSource is interrupted while its third dwelling is read.
type interruptedSource struct{ interrupt func() }

func (s interruptedSource) Frames(_ context.Context, dwelling string, _, _ greywatt.Instant) iter.Seq2[[]greywatt.Frame, error] {
	return func(func([]greywatt.Frame, error) bool) {
		if dwelling == "elm-02" {
			s.interrupt()
		}
	}
}

// An interrupted analysis never ends as a complete one does, however the
// goroutines are scheduled: forty tries.
func TestInterruptedAnalysisIsAnError(t *testing.T) {
	study := &greywatt.Study{}
	for i := range 30 {
		study.Dwellings = append(study.Dwellings, greywatt.Dwelling{
			ID:        fmt.Sprintf("elm-%02d", i),
			Exchanger: greywatt.Exchanger{Rated: []greywatt.RatedPoint{{FlowLMin: 9, Effectiveness: 0.5}}},
		})
	}
	all, err := Dwellings(study, nil)
	if err != nil {
		t.Fatal(err)
	}
	for try := range 40 {
		ctx, interrupt := context.WithCancel(t.Context())
		var failed error
		whole := 0
		for r := range Analyse(ctx, interruptedSource{interrupt}, study, all, Period{}) {
			if r.Err != nil {
				failed = r.Err
				break
			}
			whole++
		}
		interrupt()
		if !errors.Is(failed, context.Canceled) {
			t.Fatalf("try %d: %d results of %d dwellings, then %v", try, whole, len(all), failed)
		}
	}
}

func TestDamageReport(t *testing.T) {
	var said bytes.Buffer
	d := DamageReport{Console: &cli.Console{Err: &said, Name: "greywatt"}}
	if err := d.Err(); err != nil {
		t.Errorf("without damage: %v", err)
	}
	d.Add([]error{&ingest.CorruptError{}})
	if err, want := d.Err(), "completed; 1 damaged block skipped (see greywatt check --data DIR)"; err == nil || err.Error() != want {
		t.Errorf("%v, want %s", err, want)
	}
	if said.Len() == 0 {
		t.Error("the block is not named")
	}
}
