package site

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"runtime"
	"sync"

	"greywatt"
	"greywatt/analysis/completeness"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/ingest/store"
	"greywatt/plots/wording"
)

// A FrameSource has the frames of dwellings in time order; zero bounds are
// none.
type FrameSource interface {
	Frames(ctx context.Context, dwelling string, from, to greywatt.Instant) iter.Seq2[[]greywatt.Frame, error]
}

// A Result is what the analysis of one dwelling gave.
type Result struct {
	Dwelling  *greywatt.Dwelling
	Events    []event.Event
	History   event.History // instead of events: see analyseCompact
	Diagnosis finding.Diagnosis
	Coverage  completeness.Result
	Damage    []*store.CorruptError // parts of the data that were left out
	Err       error
}

// Analyse runs the dwellings' frames through the analysis, on all processors,
// and yields the results in the order of the dwellings. It holds no more
// results at a time than there are processors. The loop may be left early.
func Analyse(ctx context.Context, from FrameSource, s *greywatt.Study, ds []*greywatt.Dwelling, p Period) iter.Seq[Result] {
	return analyseEach(ctx, ds, func(ctx context.Context, d *greywatt.Dwelling) Result {
		return analyseDwelling(ctx, from, s, d, p)
	})
}

// AnalyseCompact does the same for who needs no budgets: the events are in the
// results' histories.
func AnalyseCompact(ctx context.Context, from FrameSource, s *greywatt.Study, ds []*greywatt.Dwelling) iter.Seq[Result] {
	return analyseEach(ctx, ds, func(ctx context.Context, d *greywatt.Dwelling) Result {
		r := Result{Dwelling: d}
		r.read(ctx, from, s, Period{}, func(events []event.Event) { r.History.Add(events...) })
		if r.Err == nil {
			r.Diagnosis = finding.Diagnose(s, d, r.History.All())
		}
		return r
	})
}

// analyseEach yields what do returns of each dwelling. Where ctx ends first, the
// last result is an error: fewer results than dwellings are never a normal end.
func analyseEach(ctx context.Context, ds []*greywatt.Dwelling, do func(context.Context, *greywatt.Dwelling) Result) iter.Seq[Result] {
	return func(yield func(Result) bool) {
		ctx, cancel := context.WithCancel(ctx)
		var under sync.WaitGroup
		defer under.Wait() // so that the caller may close the source
		defer cancel()
		workers := min(runtime.GOMAXPROCS(0), len(ds))
		pending := make(chan chan Result, max(0, workers-1)) // in order; with the one being waited for, one a worker
		under.Go(func() {
			defer close(pending)
			for _, d := range ds {
				one := make(chan Result, 1)
				select {
				case pending <- one:
				case <-ctx.Done():
					return
				}
				under.Go(func() { one <- do(ctx, d) })
			}
		})
		yielded := 0
		for one := range pending {
			if !yield(<-one) {
				return
			}
			yielded++
		}
		if yielded < len(ds) {
			yield(Result{Err: ctx.Err()})
		}
	}
}

// analyseDwelling analyses one dwelling. With a period the events are those
// that start in it, and the analysis runs in from two days before.
func analyseDwelling(ctx context.Context, from FrameSource, s *greywatt.Study, d *greywatt.Dwelling, p Period) Result {
	r := Result{Dwelling: d}
	r.read(ctx, from, s, p, func(events []event.Event) { r.Events = append(r.Events, events...) })
	if r.Err == nil {
		r.Events = p.filter(r.Events)
		r.Diagnosis = finding.Diagnose(s, d, event.All(r.Events))
	}
	return r
}

// read takes the dwelling's frames through the analysis and gives take the
// events as they come.
func (r *Result) read(ctx context.Context, from FrameSource, s *greywatt.Study, p Period, take func([]event.Event)) {
	a := event.NewAnalyser(s, r.Dwelling)
	var coverage completeness.Counter
	for frames, err := range from.Frames(ctx, r.Dwelling.ID, p.runIn(), p.runOut()) {
		if damage := (*store.CorruptError)(nil); errors.As(err, &damage) {
			r.Damage = append(r.Damage, damage)
			continue
		}
		if err != nil {
			r.Err = fmt.Errorf("dwelling %s: %w", r.Dwelling.ID, err)
			return
		}
		take(a.Push(frames))
		coverage.Push(p.cut(frames))
	}
	if r.Err = ctx.Err(); r.Err != nil {
		return
	}
	take(a.Close())
	r.Coverage = coverage.Result()
}

// All yields the events, wherever they are.
func (r *Result) All() iter.Seq[*event.Event] {
	return func(yield func(*event.Event) bool) {
		for i := range r.Events {
			if !yield(&r.Events[i]) {
				return
			}
		}
		r.History.All()(yield)
	}
}

// A DamageReport tells of parts of the data that could not be read.
type DamageReport struct {
	Console *cli.Console
	parts   int
}

func (d *DamageReport) Add(r Result) {
	d.parts += len(r.Damage)
	for _, part := range r.Damage {
		fmt.Fprintln(d.Console.Err, part)
	}
}

// Err is for the end of work that went on in spite of damage.
func (d *DamageReport) Err() error {
	if d.parts == 0 {
		return nil
	}
	return fmt.Errorf("completed; %s skipped (see %s check --data DIR)", wording.Count(d.parts, "damaged block"), d.Console.Name)
}
