package analysis_test

import (
	"errors"
	"fmt"
	"iter"
	"reflect"
	"slices"
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis"
	"greywatt/analysis/event"
	"greywatt/analysis/simulate"
	"greywatt/analysis/summary"
)

// lost is an error of a source of frames: a part of the data that cannot be
// read, or all of it.
type lost struct{ part bool }

func (l lost) Error() string { return "lost" }
func (l lost) Damaged() bool { return l.part }

// batches yields the frames between two instants, zero: no bound, in batches of
// 256, and an error in place of the one that holds the instant at.
func batches(frames []greywatt.Frame, from, to, at greywatt.Instant, err error) iter.Seq2[[]greywatt.Frame, error] {
	return func(yield func([]greywatt.Frame, error) bool) {
		for batch := range slices.Chunk(frames, 256) {
			if at >= batch[0].At && at <= batch[len(batch)-1].At && !yield(nil, fmt.Errorf("of a test: %w", err)) {
				return
			}
			if at >= batch[0].At && at <= batch[len(batch)-1].At {
				continue
			}
			batch = slices.DeleteFunc(slices.Clone(batch), func(f greywatt.Frame) bool { return from != 0 && f.At < from || to != 0 && f.At >= to })
			if len(batch) > 0 && !yield(batch, nil) {
				return
			}
		}
	}
}

// A damaged part costs the events that lie in it and no others; every event in
// the list can be traced, with the same figures; and a period gives the events
// that an analysis of all gives for that time.
func TestPipelineAroundDamage(t *testing.T) {
	h := simulate.NewHouse("d", 12, simulate.Options{Days: 9, ShowersPerDay: 3})
	study := &greywatt.Study{Dwellings: []greywatt.Dwelling{h.Dwelling}}
	d := &study.Dwellings[0]
	frames := slices.Collect(h.Frames(nil))
	run := func(frames iter.Seq2[[]greywatt.Frame, error], o analysis.Options) analysis.Result {
		t.Helper()
		r, err := analysis.Run(study, d, frames, o)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	whole := run(batches(frames, 0, 0, 0, nil), analysis.Options{})
	if len(whole.Events) < 30 || len(whole.Damaged) != 0 || len(whole.Diagnosis.Findings) == 0 {
		t.Fatalf("%d events, damaged %v, findings %v", len(whole.Events), whole.Damaged, whole.Diagnosis.Findings)
	}
	middle := whole.Events[len(whole.Events)/2].Start
	hurt := run(batches(frames, 0, 0, middle, lost{part: true}), analysis.Options{})
	if len(hurt.Damaged) != 1 || !errors.As(hurt.Damaged[0], new(lost)) {
		t.Fatalf("damaged %v, want one part", hurt.Damaged)
	}
	if n := len(hurt.Events); n == 0 || n > len(whole.Events) || hurt.Completeness.Readings >= whole.Completeness.Readings {
		t.Errorf("%d events and %d readings of %d and %d", n, hurt.Completeness.Readings, len(whole.Events), whole.Completeness.Readings)
	}
	near := 0
	for i := range hurt.Events {
		e := &hurt.Events[i]
		from, to := analysis.Period{From: e.Start, To: e.Start.Add(1)}.Around()
		got, tr, damaged, err := analysis.Trace(study, d, batches(frames, from, to, middle, lost{part: true}), e.ID)
		if err != nil {
			t.Errorf("%s is in the list: %v", e.ID, err)
			continue
		}
		if from <= middle && middle < to {
			near++
			if len(damaged) != 1 {
				t.Errorf("%s: damaged %v, want one part", e.ID, damaged)
			}
		}
		if len(tr.At) == 0 || fmt.Sprintf("%+v", plain(got)) != fmt.Sprintf("%+v", plain(*e)) {
			t.Errorf("%s traced differs, %d instants:\n%+v\n%+v", e.ID, len(tr.At), plain(got), plain(*e))
		}
	}
	if near < 5 {
		t.Errorf("%d events near the damaged part are no test", near)
	}

	p := analysis.Period{From: h.Start.In(study.Location()).Add(4 * 86400), To: h.Start.In(study.Location()).Add(6 * 86400)}
	from, to := p.Around()
	part := run(batches(frames, from, to, 0, nil), analysis.Options{Period: p})
	var want []string
	for _, e := range whole.Events {
		if p.Contains(e.Start) {
			want = append(want, fmt.Sprintf("%+v", plain(e)))
		}
	}
	var got []string
	for _, e := range part.Events {
		got = append(got, fmt.Sprintf("%+v", plain(e)))
	}
	if len(want) < 5 || !slices.Equal(got, want) {
		t.Errorf("in the period\n%v\nwant\n%v", got, want)
	}
	if s := part.Completeness.Span; s.From < p.From || s.To >= p.To {
		t.Errorf("completeness counts from %s to %s, the period is %s to %s", s.From, s.To, p.From, p.To)
	}

	compact := run(batches(frames, 0, 0, 0, nil), analysis.Options{Compact: true})
	if compact.History.Len() != len(whole.Events) || len(compact.Events) != 0 || !reflect.DeepEqual(compact.Diagnosis.Findings, whole.Diagnosis.Findings) {
		t.Errorf("compact: %d events, findings %v; want %d, %v", compact.History.Len(), compact.Diagnosis.Findings, len(whole.Events), whole.Diagnosis.Findings)
	}

	// with what sums need, sums are the same to the last bit
	sums := run(batches(frames, 0, 0, 0, nil), analysis.Options{Compact: true, Sums: true})
	ofWhole, ofSums := summary.NewCollector(whole.Dwelling, time.UTC, nil), summary.NewCollector(whole.Dwelling, time.UTC, nil)
	for e := range whole.All() {
		ofWhole.Add(e)
	}
	for e := range sums.All() {
		ofSums.Add(e)
	}
	a, b := ofWhole.Dwelling(), ofSums.Dwelling()
	if !(a.HeatU95KWh > 0) || len(a.Ratio.Systematic) < 5 || !reflect.DeepEqual(a, b) {
		t.Errorf("sums over compact events\n%+v\nwant\n%+v", b.Summary, a.Summary)
	}
}

// plain is an event without its budgets, and with them the models.
func plain(e event.Event) event.Event {
	e.Budgets = event.Budgets{}
	return e
}

// An error that is not of a part of the data ends the analysis.
func TestPipelineFails(t *testing.T) {
	h := simulate.NewHouse("d", 12, simulate.Options{Days: 2})
	study := &greywatt.Study{Dwellings: []greywatt.Dwelling{h.Dwelling}}
	frames := slices.Collect(h.Frames(nil))
	at := frames[len(frames)/2].At
	for _, failure := range []error{lost{}, errors.New("no such server")} {
		if r, err := analysis.Run(study, &study.Dwellings[0], batches(frames, 0, 0, at, failure), analysis.Options{}); !errors.Is(err, failure) || len(r.Events) > 0 {
			t.Errorf("%d events, %v, want %v", len(r.Events), err, failure)
		}
		if _, _, _, err := analysis.Trace(study, &study.Dwellings[0], batches(frames, 0, 0, at, failure), "d-20260101T000000Z"); !errors.Is(err, failure) {
			t.Errorf("trace: %v, want %v", err, failure)
		}
	}
	if _, _, _, err := analysis.Trace(study, &study.Dwellings[0], batches(frames, 0, 0, 0, nil), "d-19700101T000000Z"); !errors.Is(err, analysis.ErrNoEvent) {
		t.Errorf("trace of no event: %v", err)
	}
}
