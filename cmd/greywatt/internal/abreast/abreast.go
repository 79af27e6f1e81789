// Package abreast analyses one dwelling's record in parts, side by side. Each part
// begins at rest somewhat before its time, and is analysed again, from where the part
// before it ended, where it turns out not to have begun in the same state. So the
// result is that of one analysis from the beginning, to the byte.
package abreast

import (
	"bytes"
	"context"
	"fmt"
	"iter"
	"runtime"
	"slices"
	"sync"

	"greywatt"
	"greywatt/analysis"
)

// A Source has the frames of dwellings in time order; zero bounds are none.
type Source interface {
	Frames(ctx context.Context, dwelling string, from, to greywatt.Instant) iter.Seq2[[]greywatt.Frame, error]
}

// A part should be long beside the run-in, which is analysed twice, and short beside
// the record, since its events wait for those before them. This project's choice.
const (
	leastS = 20 * 86400.0
	usualS = 60 * 86400.0
)

// Split returns where to divide a record from first to last for so many workers, for
// [Run]: nowhere where it is short.
func Split(first, last greywatt.Instant, workers int) (due []greywatt.Instant) {
	span := last.Sub(first)
	if workers < 2 || !(span >= 2*leastS) {
		return nil
	}
	rounds := max(1, int(span/usualS)/workers)
	n := min(rounds*workers, int(span/leastS))
	for i := 1; i < n; i++ {
		due = append(due, first.Add(span/float64(n)*float64(i)))
	}
	return due
}

// Workers returns how many processors each of so many dwellings may have.
func Workers(dwellings int) int { return max(1, runtime.GOMAXPROCS(0)/max(1, dwellings)) }

// Run gives what [analysis.Run] gives of all frames of a dwelling, in parts that are
// divided at the first rests from the instants due on, ascending, so many at a time.
// It holds the events of no more parts than that, beside the result.
func Run(ctx context.Context, from Source, study *greywatt.Study, d *greywatt.Dwelling, o analysis.Options, due []greywatt.Instant, workers int) (analysis.Result, error) {
	r := &runner{from: from, study: study, d: d, due: due}
	joined := analysis.NewJoiner(study, d, o)
	damaged, err := r.run(ctx, workers, joined.Add)
	if err != nil {
		return analysis.Result{}, err
	}
	result := joined.Result()
	result.Damaged = damaged
	return result, nil
}

type runner struct {
	from  Source
	study *greywatt.Study
	d     *greywatt.Dwelling
	due   []greywatt.Instant
	again int // parts that were analysed a second time
}

// A part is what the frames of one part give.
type part struct {
	begin   []byte // state before it; nil where it did not come to rest in its time
	end     []byte // and after; nil where the record ends with it
	stretch analysis.Stretch
	damaged []error
	err     error
}

// run analyses the parts and gives each to do, in time order.
func (r *runner) run(ctx context.Context, workers int, do func(*analysis.Stretch)) (damaged []error, err error) {
	ctx, cancel := context.WithCancel(ctx)
	var under sync.WaitGroup
	defer under.Wait() // so that the caller may close the source
	defer cancel()
	pending := make(chan chan part, max(0, workers-1)) // in order; with the one that is waited for, one a worker
	under.Go(func() {
		defer close(pending)
		for i := range len(r.due) + 1 {
			one := make(chan part, 1)
			select {
			case pending <- one:
			case <-ctx.Done():
				return
			}
			under.Go(func() { one <- r.part(ctx, i) })
		}
	})
	var end []byte
	i := 0
	for one := range pending {
		p := <-one
		if p.err == nil && i > 0 && !bytes.Equal(p.begin, end) {
			r.again++
			p = r.resumed(ctx, i, end)
		}
		if p.err != nil {
			return nil, p.err
		}
		for _, e := range p.damaged {
			// what is damaged across the division is met from both sides
			if !slices.ContainsFunc(damaged, func(was error) bool { return was.Error() == e.Error() }) {
				damaged = append(damaged, e)
			}
		}
		do(&p.stretch)
		if end = p.end; end == nil {
			return damaged, nil
		}
		i++
	}
	return nil, ctx.Err()
}

// part analyses part i, from 0, from a run-in before it.
func (r *runner) part(ctx context.Context, i int) part {
	c := analysis.NewCourse(r.study, r.d)
	if i == 0 {
		return r.analyse(ctx, c, 0, i, true)
	}
	return r.analyse(ctx, c, r.due[i-1].Add(-analysis.RunInS), i, false)
}

// resumed analyses part i from the state in which the one before it ended.
func (r *runner) resumed(ctx context.Context, i int, state []byte) part {
	c, err := analysis.ResumeCourse(r.study, r.d, state)
	if err != nil {
		return part{err: err}
	}
	return r.analyse(ctx, c, c.Newest()+1, i, true)
}

// analyse takes the frames from from on to the end of part i. begun says whether c
// is at its beginning already.
func (r *runner) analyse(ctx context.Context, c *analysis.Course, from greywatt.Instant, i int, begun bool) (p part) {
	last := i == len(r.due)
	before := 0 // damaged parts before the beginning: they are the part's before
	frames := func(yield func([]greywatt.Frame, error) bool) {
		for batch, err := range r.from.Frames(ctx, r.d.ID, from, 0) {
			if err != nil && !begun {
				before++
			}
			if !yield(batch, err) || p.end != nil {
				return
			}
		}
	}
	damaged, err := analysis.Each(frames, func(batch []greywatt.Frame) error {
		if !begun {
			if batch, begun = c.PushUntil(r.due[i-1], batch); !begun {
				return ctx.Err()
			}
			c.Take()
			p.begin = c.State()
		}
		if last {
			c.Push(batch)
		} else if _, rested := c.PushUntil(r.due[i], batch); rested {
			p.end = c.State()
		}
		return ctx.Err()
	})
	if err == nil {
		err = ctx.Err() // a source may end early without an error
	}
	if err != nil {
		return part{err: fmt.Errorf("dwelling %s: %w", r.d.ID, err)}
	}
	if p.end == nil {
		c.Close()
	}
	p.stretch, p.damaged = c.Take(), damaged[min(before, len(damaged)):]
	return p
}
