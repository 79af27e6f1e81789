package live

import (
	"context"
	"errors"
	"fmt"
	"time"

	"greywatt"
	"greywatt/analysis"
	"greywatt/ingest/store"
)

// A follower analyses one dwelling: all that the log has of it, and then what
// comes. What arrives late, for a time that it has passed, makes it begin anew,
// though not often.
type follower struct {
	p *Page
	d *dwelling

	analyser *analysis.Analyser // nil before the first run over the log
	coverage *analysis.Coverage
	events   []analysis.Event
	damaged  int
	next     greywatt.Instant // first instant not yet analysed
	pushed   int64            // readings analysed
	unread   int64            // that the log counts and does not give: it is damaged
	lastFlow greywatt.Instant // when water was last seen to run

	began      time.Time // of the last run over the whole log
	took       time.Duration
	lateSince  time.Time // zero unless there are readings for a time that is passed
	lookedBack time.Time
	checked    int64     // readings in the log at that time
	summed     int64     // readings in the log at the last figures so far
	retry      time.Time // not before then, after a failure
}

const (
	// lagS is how far behind the newest reading the analysis stays while more
	// come: nodes of one dwelling do not report at the same moment.
	lagS = 30.0
	// settled is after how long without anything new it takes the rest.
	settled = time.Minute
	// lookBackEvery is how often it asks whether readings came late.
	lookBackEvery = 10 * time.Second
	// The analysis is done anew at the earliest againAfter what came late was
	// noticed, when more of it has had time to come, and so seldom that it takes
	// a hundredth of one processor's time at most.
	againAfter = 20 * time.Second
	againShare = 100
	// soFarS is how long after the last flow, s, an event may still go on: what
	// ends a session in the analysis, and a little.
	soFarS = 270.0
	// soFarLeadS is how much before the newest reading, s, the figures so far
	// are worked out from.
	soFarLeadS = 4 * 3600.0
	// retryAfter is how long it rests after the log could not be read.
	retryAfter = 30 * time.Second
)

func newFollower(p *Page, d *dwelling) *follower { return &follower{p: p, d: d} }

// run follows the dwelling until ctx ends, waiting its turn for each step.
func (f *follower) run(ctx context.Context) {
	for {
		select {
		case <-f.d.wake:
		case <-ctx.Done():
			return
		}
		f.d.mu.Lock()
		held, moved := f.d.held, f.d.moved
		flowed := max(f.lastFlow, f.d.present.lastFlow)
		f.d.mu.Unlock()
		j := f.due(held, moved, flowed)
		if j == (job{}) {
			continue
		}
		turns := f.p.steps
		if j.whole {
			turns = f.p.wholes
		}
		select {
		case turns <- struct{}{}:
		case <-ctx.Done():
			return
		}
		err := f.work(ctx, j, held)
		<-turns
		if ctx.Err() != nil {
			return
		}
		f.report(err)
	}
}

// report shows what went wrong, if anything did.
func (f *follower) report(err error) {
	trouble := ""
	if err != nil {
		trouble = err.Error()
		f.retry = f.p.cfg.Now().Add(retryAfter)
	}
	f.d.mu.Lock()
	defer f.d.mu.Unlock()
	if f.d.past.trouble == trouble {
		return
	}
	f.d.past.trouble = trouble
	f.d.changed()
	if err != nil {
		f.p.cfg.Logger.Error("the page cannot follow a dwelling; logging goes on", "dwelling", f.d.ID, "error", err)
	}
}

// A job is what a follower has to do.
type job struct {
	whole bool             // analyse all
	until greywatt.Instant // else what is new to before until; 0: nothing
	back  bool             // ask whether readings came late
	soFar greywatt.Instant // last flow of what runs; 0: nothing runs, nothing new of it, or no time for it
}

// due says what there is to do; flowed is when water was last seen to run.
func (f *follower) due(h holdings, moved time.Time, flowed greywatt.Instant) (j job) {
	now := f.p.cfg.Now()
	if h.newest == 0 || now.Before(f.retry) {
		return job{}
	}
	until := h.newest.Add(-lagS)
	if now.Sub(moved) >= settled {
		until = h.newest + 1
	}
	switch {
	case f.analyser == nil, !f.lateSince.IsZero() && now.Sub(f.lateSince) >= againAfter && now.Sub(f.began) >= againShare*f.took:
		return job{whole: true, until: until}
	case until > f.next:
		j.until = until
	}
	j.back = h.readings != f.checked && now.Sub(f.lookedBack) >= lookBackEvery
	if h.readings != f.summed && h.newest.Sub(flowed) <= soFarS && !f.p.busy.Load() {
		j.soFar = flowed
	}
	return j
}

// work does a job.
func (f *follower) work(ctx context.Context, j job, h holdings) error {
	if j.whole {
		return f.whole(ctx, j.until, h)
	}
	if j.until != 0 {
		if err := f.follow(ctx, j.until); err != nil {
			return err
		}
	}
	if j.back {
		if err := f.lookBack(ctx, h); err != nil {
			return err
		}
	}
	if j.soFar == 0 {
		if h.newest.Sub(f.lastFlow) > soFarS {
			f.d.setSoFar(nil)
		}
		return nil
	}
	f.summed = h.readings
	return f.sumUp(ctx, h.newest)
}

// follow analyses what is new.
func (f *follower) follow(ctx context.Context, until greywatt.Instant) error {
	start, before := time.Now(), len(f.events)
	if err := f.push(ctx, until); err != nil {
		f.analyser = nil // where it broke off is not known
		return err
	}
	for _, e := range f.events[before:] {
		f.p.metrics.events.WithLabelValues(string(e.Kind)).Inc()
	}
	f.publish(len(f.events) > before)
	f.p.metrics.analysis.WithLabelValues("new").Observe(time.Since(start).Seconds())
	return nil
}

// whole analyses all that the log has.
func (f *follower) whole(ctx context.Context, until greywatt.Instant, h holdings) error {
	start := time.Now()
	fresh := follower{
		p: f.p, d: f.d, began: f.p.cfg.Now(),
		analyser: analysis.NewAnalyser(f.p.cfg.Study, f.d.Dwelling), coverage: &analysis.Coverage{},
	}
	if err := fresh.push(ctx, until); err != nil {
		return err
	}
	beyond, err := fresh.count(ctx)
	if err != nil {
		return err
	}
	fresh.unread = max(0, h.readings-fresh.pushed-beyond)
	fresh.lookedBack, fresh.checked = fresh.began, h.readings
	fresh.took = time.Since(start)
	*f = fresh
	f.publish(true)
	f.p.metrics.analysis.WithLabelValues("whole").Observe(time.Since(start).Seconds())
	return nil
}

// push analyses the log from where it stands to before until.
func (f *follower) push(ctx context.Context, until greywatt.Instant) error {
	start := time.Now() // reading counts as work too
	for frames, err := range f.p.cfg.Log.Frames(ctx, f.d.ID, f.next, until) {
		if damage := (*store.CorruptError)(nil); errors.As(err, &damage) && damage.Dwelling != "" {
			f.damaged++
			continue
		}
		if err != nil {
			return fmt.Errorf("the log of %s: %w", f.d.ID, err)
		}
		f.events = append(f.events, f.analyser.Push(frames)...)
		f.coverage.Push(frames)
		f.see(frames)
		f.d.takeFrames(frames)
		if err := f.giveWay(ctx, time.Since(start)); err != nil {
			return err
		}
		start = time.Now()
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	f.next = until
	return nil
}

// giveWay leaves the processor to the logger while readings pour in: nineteen
// parts of the time to one of work.
func (f *follower) giveWay(ctx context.Context, worked time.Duration) error {
	if !f.p.busy.Load() {
		return ctx.Err()
	}
	select {
	case <-time.After(19 * worked):
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// see counts readings and notes when water ran.
func (f *follower) see(frames []greywatt.Frame) {
	for i := range frames {
		fr := &frames[i]
		for c, v := range fr.Value {
			if v != v {
				continue
			}
			f.pushed++
			if c == int(greywatt.Flow) && v*litreMin >= flowingLMin {
				f.lastFlow = fr.At
			}
		}
	}
}

// count counts the readings beyond what is analysed.
func (f *follower) count(ctx context.Context) (n int64, err error) {
	for frames, err := range f.p.cfg.Log.Frames(ctx, f.d.ID, f.next, 0) {
		if damage := (*store.CorruptError)(nil); errors.As(err, &damage) && damage.Dwelling != "" {
			continue
		}
		if err != nil {
			return 0, fmt.Errorf("the log of %s: %w", f.d.ID, err)
		}
		for i := range frames {
			for _, v := range frames[i].Value {
				if v == v {
					n++
				}
			}
		}
	}
	return n, ctx.Err()
}

// lookBack notices readings for a time that is passed: the log has more than
// were analysed and are still to come. h was taken before, so that what came
// since does not count.
func (f *follower) lookBack(ctx context.Context, h holdings) error {
	beyond, err := f.count(ctx)
	if err != nil {
		return err
	}
	now := f.p.cfg.Now()
	f.lookedBack, f.checked = now, h.readings
	if h.readings <= f.pushed+beyond+f.unread || !f.lateSince.IsZero() {
		return nil
	}
	f.lateSince = now
	f.d.mu.Lock()
	defer f.d.mu.Unlock()
	f.d.past.late = true
	f.d.changed()
	return nil
}

// publish makes the results those that are shown. Where there are new events
// the findings are worked out anew.
func (f *follower) publish(newEvents bool) {
	f.d.mu.Lock()
	diagnosis, edition := f.d.past.diagnosis, f.d.past.edition
	f.d.mu.Unlock()
	if newEvents {
		edition++
		diagnosis = analysis.Diagnose(f.p.cfg.Study, f.d.Dwelling, f.events)
	}
	complete := f.coverage.Result()
	f.d.mu.Lock()
	defer f.d.mu.Unlock()
	f.d.past = past{
		ready: true, edition: edition, events: f.events[:len(f.events):len(f.events)], diagnosis: diagnosis,
		complete: complete, damaged: f.damaged, late: !f.lateSince.IsZero(), trouble: f.d.past.trouble,
	}
	if newEvents {
		f.d.changed()
	}
}

// sumUp works out the figures so far of the water that runs.
func (f *follower) sumUp(ctx context.Context, newest greywatt.Instant) error {
	start := time.Now()
	a := analysis.NewAnalyser(f.p.cfg.Study, f.d.Dwelling)
	for frames, err := range f.p.cfg.Log.Frames(ctx, f.d.ID, newest.Add(-soFarLeadS), 0) {
		if damage := (*store.CorruptError)(nil); errors.As(err, &damage) && damage.Dwelling != "" {
			continue
		}
		if err != nil {
			return fmt.Errorf("the log of %s: %w", f.d.ID, err)
		}
		a.Push(frames)
	}
	events := a.Close()
	if err := ctx.Err(); err != nil {
		return err
	}
	if n := len(events); n > 0 && newest.Sub(events[n-1].End) <= soFarS {
		f.d.setSoFar(&events[n-1])
	} else {
		f.d.setSoFar(nil)
	}
	f.p.metrics.analysis.WithLabelValues("so-far").Observe(time.Since(start).Seconds())
	return nil
}

// setSoFar shows the figures so far, unless they are of an event that is
// finished.
func (d *dwelling) setSoFar(e *analysis.Event) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if n := len(d.past.events); e != nil && n > 0 && d.past.events[n-1].ID == e.ID {
		e = nil
	}
	if e == nil && d.soFar == nil {
		return
	}
	d.soFar = e
	d.changed()
}
