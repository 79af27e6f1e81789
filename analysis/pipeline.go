package analysis

import (
	"cmp"
	"errors"
	"fmt"
	"iter"
	"slices"

	"greywatt"
	"greywatt/analysis/completeness"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/analysis/health"
)

// What must be read around an event for it to come out as in an analysis of all
// the data. Before it: the room is learnt from the clamps' rest over the last
// day, and the interval between readings at rest from the hours before. After
// it: a session is over six hours after its first flow at the latest.
const (
	RunInS  = 48 * 3600.0 // s
	RunOutS = 6 * 3600.0  // s
)

// MethodVersion is that of the method: it changes with every change by which the
// same readings may give other figures.
const MethodVersion = "1"

// A Period is a time that is asked about: from From (inclusive) to To
// (exclusive); zero: no bound on that side.
type Period struct{ From, To greywatt.Instant }

// Around returns the bounds of the frames to read for the period, zero where
// there is none.
func (p Period) Around() (from, to greywatt.Instant) {
	if p.From != 0 {
		from = p.From.Add(-RunInS)
	}
	if p.To != 0 {
		to = p.To.Add(RunOutS)
	}
	return from, to
}

// Contains reports whether at lies in the period.
func (p Period) Contains(at greywatt.Instant) bool {
	return (p.From == 0 || at >= p.From) && (p.To == 0 || at < p.To)
}

// divide returns those of the frames, in time order, that lie before the period, in
// it and after it.
func (p Period) divide(frames []greywatt.Frame) [3][]greywatt.Frame {
	at := func(f greywatt.Frame, t greywatt.Instant) int { return cmp.Compare(f.At, t) }
	i, j := 0, len(frames)
	if p.From != 0 {
		i, _ = slices.BinarySearchFunc(frames, p.From, at)
	}
	if p.To != 0 {
		j, _ = slices.BinarySearchFunc(frames, p.To, at)
	}
	j = max(i, j)
	return [3][]greywatt.Frame{frames[:i], frames[i:j], frames[j:]}
}

// A source of frames marks with a damage the errors that stand for a part of
// the data that cannot be read; it goes on behind that part, or ends.
type damage interface {
	error
	Damaged() bool
}

// ErrNoEvent means that the frames do not give an event of the wanted id.
var ErrNoEvent = errors.New("the readings give no event of this id")

// Each passes the batches of frames to do, in their order. Errors whose chain
// holds a method Damaged() bool that returns true stand for damaged parts of the
// data: they are skipped and returned. Any other error, and an error of do, ends
// it and is err.
func Each(frames iter.Seq2[[]greywatt.Frame, error], do func([]greywatt.Frame) error) (damaged []error, err error) {
	for batch, err := range frames {
		var part damage
		switch {
		case errors.As(err, &part) && part.Damaged():
			damaged = append(damaged, err)
		case err != nil:
			return damaged, err
		default:
			if err := do(batch); err != nil {
				return damaged, err
			}
		}
	}
	return damaged, nil
}

// Options say what [Run] is asked for.
type Options struct {
	Period  Period // events that start in it; the frames are those that its Around says
	Compact bool   // events without budgets, in Result.History in place of Result.Events
	Sums    bool   // compact events have what sums over them need of the budgets
}

// A Result is what the frames of one dwelling give.
type Result struct {
	Dwelling     *greywatt.Dwelling
	Events       []event.Event // in time order; empty where Options ask for a compact result
	History      event.History // the events where they do
	Health       health.Record // of the sensors, by all frames read
	Diagnosis    finding.Diagnosis
	Completeness completeness.Result // of the period
	Damaged      []error             // parts of the data that were skipped, see [Each]
	LeftOut      int                 // events in periods that the journal leaves out: they are in nothing else here
}

// All yields the events, wherever they are.
func (r *Result) All() iter.Seq[*event.Event] {
	if r.History.Len() > 0 {
		return r.History.All()
	}
	return event.All(r.Events)
}

// Run analyses the frames of a dwelling of the study, in time order, and
// diagnoses it from the events. On an error of the frames there is no result.
func Run(study *greywatt.Study, d *greywatt.Dwelling, frames iter.Seq2[[]greywatt.Frame, error], o Options) (Result, error) {
	c, joined := NewCourse(study, d), NewJoiner(study, d, o)
	side := 0 // of the period, on which the frames were
	take := func() {
		s := c.Take()
		joined.Add(&s)
	}
	damaged, err := Each(frames, func(batch []greywatt.Frame) error {
		for i, part := range o.Period.divide(batch) {
			if len(part) == 0 {
				continue
			}
			if i != side { // a bound of the period
				take()
				side = i
			}
			c.Push(part)
		}
		if c.Ended() > 0 {
			take()
		}
		return nil
	})
	if err != nil {
		return Result{}, fmt.Errorf("dwelling %s: %w", d.ID, err)
	}
	c.Close()
	take()
	r := joined.Result()
	r.Damaged = damaged
	return r, nil
}

// Trace analyses the frames around the event of the given id and returns the
// event with its models and its series, and the parts of the data that were
// skipped. The frames are those that the Around of a period about its start
// says. The error is [ErrNoEvent] where they do not give the event.
func Trace(study *greywatt.Study, d *greywatt.Dwelling, frames iter.Seq2[[]greywatt.Frame, error], id string) (e event.Event, tr event.Trace, damaged []error, err error) {
	analyser := event.NewAnalyser(study, d)
	analyser.Trace(id)
	damaged, err = Each(frames, func(batch []greywatt.Frame) error {
		analyser.Push(batch)
		return nil
	})
	if err != nil {
		return e, tr, damaged, fmt.Errorf("dwelling %s: %w", d.ID, err)
	}
	analyser.Close()
	e, tr, ok := analyser.Traced()
	if !ok {
		return e, tr, damaged, fmt.Errorf("%s: %w", id, ErrNoEvent)
	}
	return e, tr, damaged, nil
}
