package main

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
	"greywatt/ingest/store"
	"greywatt/plots/wording"
)

// A frameSource has the frames of dwellings in time order; zero bounds are
// none.
type frameSource interface {
	Frames(ctx context.Context, dwelling string, from, to greywatt.Instant) iter.Seq2[[]greywatt.Frame, error]
}

// A result is what the analysis of one dwelling gave.
type result struct {
	dwelling  *greywatt.Dwelling
	events    []event.Event
	history   event.History // instead of events: see analyseCompact
	diagnosis finding.Diagnosis
	coverage  completeness.Result
	damage    []*store.CorruptError // parts of the data that were left out
	err       error
}

// analyse runs the dwellings' frames through the analysis, on all processors,
// and yields the results in the order of the dwellings. It holds no more
// results at a time than there are processors. The loop may be left early.
func analyse(ctx context.Context, from frameSource, s *greywatt.Study, ds []*greywatt.Dwelling, p period) iter.Seq[result] {
	return analyseEach(ctx, ds, func(ctx context.Context, d *greywatt.Dwelling) result {
		return analyseDwelling(ctx, from, s, d, p)
	})
}

// analyseCompact does the same for who needs no budgets: the events are in the
// results' histories.
func analyseCompact(ctx context.Context, from frameSource, s *greywatt.Study, ds []*greywatt.Dwelling) iter.Seq[result] {
	return analyseEach(ctx, ds, func(ctx context.Context, d *greywatt.Dwelling) result {
		r := result{dwelling: d}
		r.read(ctx, from, s, period{}, func(events []event.Event) { r.history.Add(events...) })
		if r.err == nil {
			r.diagnosis = finding.Diagnose(s, d, r.history.All())
		}
		return r
	})
}

// analyseEach yields what do returns of each dwelling.
func analyseEach(ctx context.Context, ds []*greywatt.Dwelling, do func(context.Context, *greywatt.Dwelling) result) iter.Seq[result] {
	return func(yield func(result) bool) {
		ctx, cancel := context.WithCancel(ctx)
		var under sync.WaitGroup
		defer under.Wait() // so that the caller may close the source
		defer cancel()
		workers := min(runtime.GOMAXPROCS(0), len(ds))
		pending := make(chan chan result, max(0, workers-1)) // in order; with the one being waited for, one a worker
		under.Go(func() {
			defer close(pending)
			for _, d := range ds {
				one := make(chan result, 1)
				select {
				case pending <- one:
				case <-ctx.Done():
					return
				}
				under.Go(func() { one <- do(ctx, d) })
			}
		})
		for one := range pending {
			if !yield(<-one) {
				return
			}
		}
	}
}

// analyseDwelling analyses one dwelling. With a period the events are those
// that start in it, and the analysis runs in from two days before.
func analyseDwelling(ctx context.Context, from frameSource, s *greywatt.Study, d *greywatt.Dwelling, p period) result {
	r := result{dwelling: d}
	r.read(ctx, from, s, p, func(events []event.Event) { r.events = append(r.events, events...) })
	if r.err == nil {
		r.events = p.filter(r.events)
		r.diagnosis = finding.Diagnose(s, d, event.All(r.events))
	}
	return r
}

// read takes the dwelling's frames through the analysis and gives take the
// events as they come.
func (r *result) read(ctx context.Context, from frameSource, s *greywatt.Study, p period, take func([]event.Event)) {
	a := event.NewAnalyser(s, r.dwelling)
	var coverage completeness.Counter
	for frames, err := range from.Frames(ctx, r.dwelling.ID, p.runIn(), p.runOut()) {
		if damage := (*store.CorruptError)(nil); errors.As(err, &damage) {
			r.damage = append(r.damage, damage)
			continue
		}
		if err != nil {
			r.err = fmt.Errorf("dwelling %s: %w", r.dwelling.ID, err)
			return
		}
		take(a.Push(frames))
		coverage.Push(p.cut(frames))
	}
	if r.err = ctx.Err(); r.err != nil {
		return
	}
	take(a.Close())
	r.coverage = coverage.Result()
}

// all yields the events, wherever they are.
func (r *result) all() iter.Seq[*event.Event] {
	return func(yield func(*event.Event) bool) {
		for i := range r.events {
			if !yield(&r.events[i]) {
				return
			}
		}
		r.history.All()(yield)
	}
}

// A damageReport tells of parts of the data that could not be read.
type damageReport struct {
	con   *console
	parts int
}

func (d *damageReport) add(r result) {
	d.parts += len(r.damage)
	for _, part := range r.damage {
		fmt.Fprintln(d.con.err, part)
	}
}

// err is for the end of work that went on in spite of damage.
func (d *damageReport) err() error {
	if d.parts == 0 {
		return nil
	}
	return fmt.Errorf("done, without %s of the data: check --data says more, a backup has it", wording.Count(d.parts, "damaged part"))
}
