package site

import (
	"context"
	"fmt"
	"iter"
	"runtime"
	"sync"

	"greywatt"
	"greywatt/analysis"
	"greywatt/cmd/greywatt/internal/abreast"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/ingest"
	"greywatt/plots/wording"
)

// A FrameSource has the frames of dwellings in time order; zero bounds are
// none.
type FrameSource interface {
	Frames(ctx context.Context, dwelling string, from, to greywatt.Instant) iter.Seq2[[]greywatt.Frame, error]
}

// A Result is what the analysis of one dwelling gave.
type Result struct {
	analysis.Result
	Err error
}

// Analyse runs the dwellings' frames through the analysis, on all processors,
// and yields the results in the order of the dwellings. It holds no more
// results at a time than there are processors. The loop may be left early.
func Analyse(ctx context.Context, from FrameSource, s *greywatt.Study, ds []*greywatt.Dwelling, p Period) iter.Seq[Result] {
	workers := abreast.Workers(len(ds))
	return analyseEach(ctx, ds, func(ctx context.Context, d *greywatt.Dwelling) Result {
		return analyseDwelling(ctx, from, s, d, analysis.Options{Period: p}, workers)
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

// analyseDwelling analyses one dwelling: all of a long record in parts, so many at
// a time.
func analyseDwelling(ctx context.Context, from FrameSource, s *greywatt.Study, d *greywatt.Dwelling, o analysis.Options, workers int) (r Result) {
	var due []greywatt.Instant
	if workers > 1 && o.Period == (Period{}) {
		first, last, err := extent(ctx, from, d)
		if err != nil {
			return Result{Err: err}
		}
		due = abreast.Split(first, last, workers)
	}
	if len(due) > 0 {
		r.Result, r.Err = abreast.Run(ctx, from, s, d, o, due, workers)
	} else {
		first, last := o.Period.Around()
		r.Result, r.Err = analysis.Run(s, d, from.Frames(ctx, d.ID, first, last), o)
	}
	if ctx.Err() != nil {
		r.Err = ctx.Err() // a source may end early without an error
	}
	return r
}

// extent returns the first and last reading of a dwelling, zeros where the source
// does not know them without being read.
func extent(ctx context.Context, from FrameSource, d *greywatt.Dwelling) (first, last greywatt.Instant, err error) {
	of, ok := from.(interface {
		Nodes(context.Context) ([]ingest.NodeSummary, error)
	})
	if !ok {
		return 0, 0, nil
	}
	nodes, err := of.Nodes(ctx)
	if err != nil {
		return 0, 0, fmt.Errorf("dwelling %s: %w", d.ID, err)
	}
	for _, n := range nodes {
		if n.Dwelling != d.ID || n.Frames == 0 {
			continue
		}
		if first == 0 || n.First < first {
			first = n.First
		}
		last = max(last, n.Last)
	}
	if first == 0 {
		return 0, 0, ctx.Err()
	}
	return first, last, nil
}

// A DamageReport reports blocks of the data that could not be read, and events
// that the journal leaves out.
type DamageReport struct {
	Console *cli.Console
	parts   int
	leftOut int
}

// AddResult counts what was skipped and left out of a dwelling, and names what
// was skipped on the console.
func (d *DamageReport) AddResult(r *Result) {
	d.Add(r.Damaged)
	d.leftOut += r.LeftOut
}

// Add counts parts that were skipped and names each on the console.
func (d *DamageReport) Add(damaged []error) {
	d.parts += len(damaged)
	for _, part := range damaged {
		fmt.Fprintln(d.Console.Err, part)
	}
}

// Err is for the end of work that went on in spite of damage. It says on the
// console how many events the journal leaves out.
func (d *DamageReport) Err() error {
	if d.leftOut > 0 {
		fmt.Fprintf(d.Console.Err, "%s left out, as the journal says (%s notes)\n", wording.Count(d.leftOut, "event"), d.Console.Name)
	}
	if d.parts == 0 {
		return nil
	}
	return fmt.Errorf("completed; %s skipped (see %s check --data DIR)", wording.Count(d.parts, "damaged block"), d.Console.Name)
}
