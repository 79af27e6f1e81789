package watch

import (
	"context"
	"fmt"
	"iter"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"greywatt"
	"greywatt/analysis"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/analysis/health"
)

// A follower analyses one dwelling: what the log has of it, and then what comes.
// What arrives late, for a time that it has passed, makes it begin again, though
// not often.
type follower struct {
	w        *Watch
	dwelling *greywatt.Dwelling
	wake     chan struct{}

	mu    sync.Mutex // of what a look leaves
	held  Inventory
	moved time.Time   // when held last changed
	seen  bool        // there was a look
	waits atomic.Bool // for the end of its first step, in which the log is read
	fresh bool        // at the first look there were no readings: all events are to be reported

	reading  *reading         // nil before the first run over the log
	guarded  *Guarded         // nil until it is read from the store
	unsaved  bool             // the guard has moved and is not noted
	pending  Update           // to be reported once it is
	reported greywatt.Instant // start of the newest event that was reported, or is history

	found      State
	flowed     greywatt.Instant // when water was last seen to run
	peeked     stamp            // of the log when what is not analysed yet was looked at
	lookedBack time.Time
	lateSince  time.Time // zero unless there are readings for a time that is passed
	began      time.Time // of the last run over the full log
	took       time.Duration
	stale      bool // the findings are of fewer events than there are
	diagnosed  time.Time
	diagnosing time.Duration
	retry      time.Time // not before then, after a failure
}

// A stamp changes when something comes into the log of a dwelling.
type stamp struct {
	readings int64
	newest   greywatt.Instant
}

func (h *Inventory) stamp() stamp { return stamp{h.Readings, h.Newest} }

// Editions begin at the clock, so that a page from before a restart is known to
// be of another time.
func newFollower(w *Watch, d *greywatt.Dwelling) *follower {
	return &follower{w: w, dwelling: d, wake: make(chan struct{}, 1), found: State{Edition: time.Now().UnixMilli()}}
}

// hold notes what the log has and wakes the follower.
func (f *follower) hold(h Inventory, now time.Time) {
	f.mu.Lock()
	if h.stamp() != f.held.stamp() {
		f.moved = now
	}
	f.held = h
	if !f.seen && h.Newest != 0 {
		f.waits.Store(true)
	}
	if !f.seen {
		f.seen, f.fresh = true, h.Newest == 0
	}
	f.mu.Unlock()
	select {
	case f.wake <- struct{}{}:
	default:
	}
}

// run follows the dwelling until ctx ends, waiting its turn for each step.
func (f *follower) run(ctx context.Context) {
	if f.found.Ready {
		f.show() // the viewer is another one than before
	}
	for {
		select {
		case <-f.wake:
		case <-ctx.Done():
			return
		}
		j := f.due()
		if j.empty() {
			continue
		}
		f.w.atWork.Add(1)
		if j.full || j.findings {
			f.w.untidy.Store(true)
		}
		turns := f.turn(ctx, j.full)
		if turns == nil {
			f.w.atWork.Add(-1)
			return
		}
		err := f.work(ctx, j)
		<-turns
		f.w.atWork.Add(-1)
		if ctx.Err() != nil {
			return
		}
		f.report(err)
	}
}

// turn waits for the follower's turn and returns what to give it back to; nil where
// ctx ends first.
func (f *follower) turn(ctx context.Context, full bool) chan struct{} {
	turns, besides := f.w.steps, chan struct{}(nil)
	if full {
		turns = f.w.fullRuns
		if f.w.quick.Load() {
			besides = f.w.quickRuns
		}
	}
	select {
	case turns <- struct{}{}:
		return turns
	case besides <- struct{}{}:
		if f.w.quick.Load() {
			return besides
		}
		<-besides
	case <-ctx.Done():
		return nil
	}
	select {
	case turns <- struct{}{}:
		return turns
	case <-ctx.Done():
		return nil
	}
}

// report shows what went wrong in a step, if anything did.
func (f *follower) report(err error) {
	f.waits.Store(false)
	trouble := ""
	if err != nil {
		trouble = err.Error()
		f.retry = f.w.cfg.Now().Add(retryAfter)
	}
	if f.found.Trouble == trouble {
		return
	}
	f.found.Trouble = trouble
	f.show()
	if err != nil {
		f.w.cfg.Logger.Error("a dwelling cannot be followed; logging goes on", "dwelling", f.dwelling.ID, "error", err)
	}
}

// work does a job.
func (f *follower) work(ctx context.Context, j job) error {
	if f.guarded == nil {
		f.guarded = new(Guarded)
		if f.w.cfg.Notes != nil {
			g, err := ReadGuarded(ctx, f.w.cfg.Notes, f.dwelling.ID)
			if err != nil {
				f.guarded = nil
				return err
			}
			f.guarded = g
		}
	}
	switch {
	case j.full:
		if err := f.runFull(ctx, j); err != nil {
			return err
		}
	case j.until != 0:
		if err := f.follow(ctx, j.until); err != nil {
			return err
		}
	}
	if j.peek {
		if err := f.peek(ctx, j.held); err != nil {
			return err
		}
	}
	if j.findings {
		f.diagnose()
	}
	f.show()
	if err := f.save(ctx); err != nil {
		return fmt.Errorf("the guard of %s: %w", f.dwelling.ID, err)
	}
	f.w.report(f.pending)
	f.pending = Update{}
	return nil
}

// follow analyses what is new.
func (f *follower) follow(ctx context.Context, until greywatt.Instant) error {
	start := time.Now()
	var events []event.Event
	if err := f.push(ctx, f.reading, until, func(of []event.Event) { events = append(events, of...) }); err != nil {
		f.reading = nil // where it broke off is not known
		return err
	}
	if f.w.cfg.View != nil && len(events) > 0 {
		f.found.Events.Add(events...)
		if last := latest(event.All(events)); last != nil {
			f.found.Latest = last
		}
		f.found.Edition++
		f.stale = true
	}
	f.take(events, true)
	f.reading.rest()
	if err := f.keep(ctx, until); err != nil {
		return err
	}
	f.w.cfg.OnAnalysis(NewAnalysis, time.Since(start))
	return nil
}

// runFull analyses all that the log has; where nobody wants the past, from where
// the guard stands.
func (f *follower) runFull(ctx context.Context, j job) error {
	start, began, begins := time.Now(), f.w.cfg.Now(), f.reading == nil
	r := f.newReading()
	if last := f.guarded.Guard.Last; f.w.cfg.View == nil && last != 0 {
		r.next = min(j.held.Newest, last).Add(-analysis.RunInS)
	}
	var past event.History
	var findings *finding.Diagnosis // of what is kept
	if f.w.cfg.View != nil && f.w.cfg.Kept != nil {
		var err error
		if findings, err = f.resume(ctx, r, &past, j); err != nil {
			return err
		}
	}
	if err := f.push(ctx, r, j.until, func(events []event.Event) { past.Add(events...) }); err != nil {
		return err
	}
	r.course.Push(nil) // nothing in bulk follows: it gives its scratch memory back
	r.rest()
	first := f.reading == nil && f.reported == 0
	f.reading, f.lateSince, f.began, f.lookedBack = r, time.Time{}, began, began
	var newest *event.Event
	for e := range past.All() {
		f.take([]event.Event{*e}, !first || f.fresh)
		if hasRatio(e) {
			newest = e
		}
	}
	if f.w.cfg.View != nil {
		beyond, err := f.ahead(ctx)
		if err != nil {
			f.reading = nil // what it found is not shown yet
			return err
		}
		r.unread = max(0, j.held.Readings-r.pushed-beyond)
		f.found.Ready, f.found.Events, f.found.Latest = true, past, newest
		f.found.FullRuns++
		f.found.Edition++
		if findings != nil {
			f.found.Diagnosis, f.stale, f.diagnosed = *findings, true, time.Time{}
		} else {
			f.diagnose()
		}
	}
	took := time.Since(start)
	if f.took = took; begins && f.w.cfg.Kept != nil {
		f.took = 0 // the next has what this one kept
	}
	f.w.quick.Store(f.w.cfg.Kept != nil && took < quickRun)
	f.w.cfg.OnAnalysis(FullAnalysis, took)
	return nil
}

// take gives the guard events and keeps for the next update those to be reported.
func (f *follower) take(events []event.Event, fresh bool) {
	alarms := f.guard(events)
	if fresh || f.w.cfg.Notes != nil {
		f.pending.Alarms = append(f.pending.Alarms, alarms...)
	}
	for i := range events {
		if e := &events[i]; e.Start > f.reported {
			f.reported = e.Start
			if fresh {
				f.pending.Events = append(f.pending.Events, *e)
			}
		}
	}
}

// resume puts into r what is kept of the log, and into past its events, and returns
// the findings that they gave.
func (f *follower) resume(ctx context.Context, r *reading, past *event.History, j job) (*finding.Diagnosis, error) {
	of, err := f.w.cfg.Kept(ctx, f.w.cfg.Study, f.dwelling, j.until)
	if err != nil {
		return nil, err
	}
	if err := f.add(&of, r.sum, past); err != nil {
		return nil, err
	}
	r.course, r.taken, r.next, r.damaged, r.keepAt = of.Course, false, of.At, of.Damaged, of.At.Add(keepEvery)
	_, err = f.each(ctx, max(1, j.held.Newest.Add(-shownS)), max(1, min(r.next, j.until)), func(frames []greywatt.Frame) error {
		f.w.cfg.View.ShowFrames(f.dwelling.ID, frames)
		return nil
	})
	return of.Diagnosis, err
}

// add adds what is kept to a sum, and its events to past, and has their findings kept
// where they are not.
func (f *follower) add(of *Past, sum *analysis.Joiner, past *event.History) error {
	for s, err := range of.Stretches {
		if err != nil {
			return err
		}
		past.Add(s.Events...)
		s.Events = nil
		sum.Add(&s)
	}
	if of.Diagnosis == nil {
		record := sum.Health()
		d := finding.Diagnose(f.w.cfg.Study, f.dwelling, past.All(), &record)
		of.Diagnosed(d, &record)
		of.Diagnosis = &d
	}
	return nil
}

// latest returns the newest of the events that have a ratio to what is expected.
func latest(events iter.Seq[*event.Event]) (newest *event.Event) {
	for e := range events {
		if hasRatio(e) {
			newest = e
		}
	}
	return newest
}

func hasRatio(e *event.Event) bool { return e.Kind != event.OtherDraw && e.Ratio == e.Ratio }

// waits reports whether there are dwellings whose log is not read yet.
func (w *Watch) waits() bool {
	return slices.ContainsFunc(w.followers, func(f *follower) bool { return f.waits.Load() })
}

// diagnose works the findings out again.
func (f *follower) diagnose() {
	start := time.Now()
	var record *health.Record
	if f.reading != nil {
		so := f.reading.sum.Health()
		record = &so
	}
	f.found.Diagnosis = finding.Diagnose(f.w.cfg.Study, f.dwelling, f.found.Events.All(), record)
	f.found.Edition++
	f.stale, f.diagnosed, f.diagnosing = false, f.w.cfg.Now(), time.Since(start)
	f.w.cfg.OnAnalysis(FindingsAnalysis, f.diagnosing)
}

// show shows the viewer what was found.
func (f *follower) show() {
	if f.w.cfg.View == nil {
		return
	}
	if f.reading != nil {
		f.found.Complete = f.reading.sum.Completeness()
		f.found.Damaged, f.found.Late = f.reading.damaged, !f.lateSince.IsZero()
	}
	if f.guarded != nil {
		f.found.Alarms = f.guarded.Alarms
	}
	if f.found.Provisional != nil {
		if _, over := f.found.Events.Find(f.found.Provisional.ID); over {
			f.found.Provisional = nil
		}
	}
	f.w.cfg.View.ShowState(f.dwelling.ID, f.found)
}

// each gives do the dwelling's frames from from to before to, and counts parts
// that cannot be read.
func (f *follower) each(ctx context.Context, from, to greywatt.Instant, do func([]greywatt.Frame) error) (damaged int, err error) {
	parts, err := analysis.Each(f.w.cfg.Log.Frames(ctx, f.dwelling.ID, from, to), do)
	switch {
	case ctx.Err() != nil:
		err = ctx.Err()
	case err != nil:
		err = fmt.Errorf("the log of %s: %w", f.dwelling.ID, err)
	}
	return len(parts), err
}

// push analyses the log from where r stands to before until and gives do the events
// that end.
func (f *follower) push(ctx context.Context, r *reading, until greywatt.Instant, do func([]event.Event)) error {
	start := time.Now() // reading counts as work too
	if err := r.wake(f.w.cfg.Study, f.dwelling); err != nil {
		return err
	}
	damaged, err := f.each(ctx, r.next, until, func(frames []greywatt.Frame) error {
		r.course.Push(frames)
		s := r.course.Take()
		r.taken = true
		do(s.Events)
		if f.w.cfg.View != nil {
			s.Events = nil
			r.sum.Add(&s)
			n, flowed := survey(frames)
			r.pushed += n
			r.lastFlow = max(r.lastFlow, flowed)
			f.w.cfg.View.ShowFrames(f.dwelling.ID, frames)
		}
		if err := f.giveWay(ctx, time.Since(start)); err != nil {
			return err
		}
		start = time.Now()
		return nil
	})
	if err != nil {
		return err
	}
	r.damaged += damaged
	r.next = max(r.next, until)
	return nil
}

// keep has what is new kept, now and then.
func (f *follower) keep(ctx context.Context, until greywatt.Instant) error {
	r := f.reading
	if f.w.cfg.Kept == nil || f.w.cfg.View == nil || until < r.keepAt {
		return nil
	}
	of, err := f.w.cfg.Kept(ctx, f.w.cfg.Study, f.dwelling, until)
	if err != nil {
		return err
	}
	r.keepAt = max(of.At, until.Add(-keepEvery/2)).Add(keepEvery)
	return f.add(&of, f.newReading().sum, new(event.History))
}

// giveWay leaves the processor to the logger while readings pour in: forty-nine
// parts of the time to one of work.
func (f *follower) giveWay(ctx context.Context, worked time.Duration) error {
	if !f.w.cfg.Busy() {
		return ctx.Err()
	}
	select {
	case <-time.After(49 * worked):
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
