package main

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"runtime"
	"sync"

	"greywatt"
	"greywatt/analysis"
	"greywatt/ingest/store"
)

// A frameSource has the frames of dwellings in time order; zero bounds are
// none.
type frameSource interface {
	Frames(ctx context.Context, dwelling string, from, to greywatt.Instant) iter.Seq2[[]greywatt.Frame, error]
}

// A result is what the analysis of one dwelling gave.
type result struct {
	dwelling  *greywatt.Dwelling
	events    []analysis.Event
	diagnosis analysis.Diagnosis
	coverage  analysis.Completeness
	damage    []*store.CorruptError // parts of the data that were left out
	err       error
}

// analyse runs the dwellings' frames through the analysis, on all processors,
// and yields the results in the order of the dwellings. It holds no more
// results at a time than there are processors. The loop may be left early.
func analyse(ctx context.Context, from frameSource, s *greywatt.Study, ds []*greywatt.Dwelling, p period) iter.Seq[result] {
	return analyseWith(ctx, from, s, ds, p, func(*analysis.Analyser) {})
}

// analyseWith does the same with analysers that have been through prepare.
func analyseWith(ctx context.Context, from frameSource, s *greywatt.Study, ds []*greywatt.Dwelling, p period, prepare func(*analysis.Analyser)) iter.Seq[result] {
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
				under.Go(func() { one <- analyseDwelling(ctx, from, s, d, p, prepare) })
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
func analyseDwelling(ctx context.Context, from frameSource, s *greywatt.Study, d *greywatt.Dwelling, p period, prepare func(*analysis.Analyser)) result {
	r := result{dwelling: d}
	a := analysis.NewAnalyser(s, d)
	prepare(a)
	var coverage analysis.Coverage
	for frames, err := range from.Frames(ctx, d.ID, p.runIn(), p.runOut()) {
		if damage := (*store.CorruptError)(nil); errors.As(err, &damage) {
			r.damage = append(r.damage, damage)
			continue
		}
		if err != nil {
			r.err = fmt.Errorf("dwelling %s: %w", d.ID, err)
			return r
		}
		r.events = append(r.events, a.Push(frames)...)
		coverage.Push(p.cut(frames))
	}
	if r.err = ctx.Err(); r.err != nil {
		return r
	}
	r.events = append(r.events, a.Close()...)
	r.events = p.filter(r.events)
	r.diagnosis = analysis.Diagnose(s, d, r.events)
	r.coverage = coverage.Result()
	return r
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
	return fmt.Errorf("done, without %s of the data: check --data says more, a backup has it", plural(d.parts, "damaged part"))
}
