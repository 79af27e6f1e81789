// Package watch is the one analysis that runs while readings are logged. It
// follows each dwelling of a study: reports events once they are over, raises
// an alarm when a unit's conductance or heat balance leaves its level, works out
// the figures so far while water runs, and keeps the findings up to date. What
// it finds is passed to its callers: the terminal, the live page.
//
// It reads what the store has, at its own pace: logging never waits for it. A
// new event costs what its own readings cost, however long the history is. What
// came late, for a time that is passed, shows within two seconds: read again is what
// it may touch, and the newest days; the rest is taken from what was kept, where
// something is. That, and what has to look at all events again (the findings), is
// done so seldom that it takes a hundredth of one processor. While readings pour in
// it gives forty-nine fiftieths of its time back.
//
// The state of each dwelling's guard, with the alarms so far, is a note in the
// store, so that a restart neither forgets nor repeats. All else is found again
// at a start: where the past is shown, from what was kept of it, or from the
// beginning of the log; from two days before the guard's last shower where not.
package watch

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"iter"
	"log/slog"
	"runtime"
	"sync"
	"sync/atomic"
	"time"

	"greywatt"
	"greywatt/analysis"
	"greywatt/analysis/finding"
	"greywatt/analysis/health"
	"greywatt/ingest"
)

// A Log has what was logged.
type Log interface {
	// Nodes says what there is of each node.
	Nodes(ctx context.Context) ([]ingest.NodeSummary, error)
	// Presences says which nodes are connected.
	Presences(ctx context.Context) ([]ingest.Presence, error)
	// Frames returns a dwelling's frames from from to before to, in order; zero
	// bounds are none. A [*ingest.CorruptError] stands for a part that is lost.
	Frames(ctx context.Context, dwelling string, from, to greywatt.Instant) iter.Seq2[[]greywatt.Frame, error]
}

// Kept returns what the log gives up to some rest of a dwelling before until, worked out
// where that was not kept, and keeps it.
type Kept func(ctx context.Context, study *greywatt.Study, d *greywatt.Dwelling, until greywatt.Instant) (Past, error)

// A Past is what the log before an instant gives.
type Past struct {
	Stretches iter.Seq2[analysis.Stretch, error]
	Course    *analysis.Course // goes on from
	At        greywatt.Instant // the first frame from then on
	Damaged   int              // parts of the log that cannot be read

	Diagnosis *finding.Diagnosis                      // of the stretches; nil where none is kept
	Diagnosed func(finding.Diagnosis, *health.Record) // keeps one, with the record of the sensors
}

// A Config says what to follow and where results go. Study and Log are required.
type Config struct {
	Study      *greywatt.Study
	Log        Log
	Kept       Kept                                // what earlier analyses gave; nil: the log is read from its beginning
	Notes      Notebook                            // keeps the guards; nil: they start again from the log
	View       Viewer                              // shows the results; nil: none, and the past is not read
	OnUpdate   func(Update)                        // called with events that ended, by one goroutine at a time; may be nil
	OnAnalysis func(of string, took time.Duration) // called with the duration of each analysis; may be nil
	Busy       func() bool                         // whether readings pour in; nil: never
	GiveBack   func()                              // called when work on full logs or all events is over; may be nil
	Every      time.Duration                       // between looks at the log; 1 s if 0
	Now        func() time.Time                    // nil: time.Now
	Logger     *slog.Logger                        // nil: none
}

// A Watch follows the dwellings of a study.
type Watch struct {
	cfg       Config
	followers []*follower // in the study's order
	byID      map[string]*follower
	fullRuns  chan struct{} // one for each analysis of a full log that may run at once
	quickRuns chan struct{} // and one for each besides, while they take a moment
	quick     atomic.Bool   // they do: what they give was kept
	steps     chan struct{} // one for each of new readings
	atWork    atomic.Int32  // followers that have something to do
	untidy    atomic.Bool   // there was work on all of a log or all events since memory was given back
	gaveBack  time.Time     // when it was
	reporting sync.Mutex
}

// New returns a Watch over the study's dwellings. [Watch.Run] makes it look.
func New(cfg Config) *Watch {
	if cfg.Study == nil || cfg.Log == nil {
		panic("watch: New wants a study and its log")
	}
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.OnAnalysis == nil {
		cfg.OnAnalysis = func(string, time.Duration) {}
	}
	if cfg.GiveBack == nil {
		cfg.GiveBack = func() {}
	}
	if cfg.Busy == nil {
		cfg.Busy = func() bool { return false }
	}
	cfg.Every = cmp.Or(cfg.Every, time.Second)
	// Half of the processors are the logger's, but for what takes a moment, as what is
	// made of kept results does.
	half := max(1, runtime.GOMAXPROCS(0)/2)
	w := &Watch{cfg: cfg, byID: map[string]*follower{}, fullRuns: make(chan struct{}, half), steps: make(chan struct{}, half),
		quickRuns: make(chan struct{}, runtime.GOMAXPROCS(0)-half)}
	w.quick.Store(cfg.Kept != nil)
	for i := range cfg.Study.Dwellings {
		f := newFollower(w, &cfg.Study.Dwellings[i])
		w.followers = append(w.followers, f)
		w.byID[f.dwelling.ID] = f
	}
	return w
}

// Continue makes w, of another study and not yet running, go on where old
// stopped: dwellings whose description is as it was keep what was found, the
// others are analysed again, and no event is reported twice. old must not run any
// more.
func (w *Watch) Continue(old *Watch) {
	sameZone := w.cfg.Study.Location().String() == old.cfg.Study.Location().String()
	for i, f := range w.followers {
		was := old.byID[f.dwelling.ID]
		if was == nil {
			continue
		}
		// Figures that are not stated are NaN, which equals nothing; as text they do.
		if sameZone && fmt.Sprintf("%+v", *was.dwelling) == fmt.Sprintf("%+v", *f.dwelling) {
			was.w, was.dwelling = w, f.dwelling
			w.followers[i], w.byID[f.dwelling.ID] = was, was
			continue
		}
		f.held, f.moved, f.seen, f.fresh = was.held, was.moved, was.seen, was.fresh
		f.guarded, f.unsaved, f.pending, f.reported = was.guarded, was.unsaved, was.pending, was.reported
		f.found.Edition = max(f.found.Edition, was.found.Edition+1)
	}
}

// Run follows the log until ctx ends. Errors of the log are passed to
// the viewer, written to the logger, and tried again.
func (w *Watch) Run(ctx context.Context) {
	var work sync.WaitGroup
	defer work.Wait()
	for _, f := range w.followers {
		work.Go(func() { f.run(ctx) })
	}
	w.gaveBack = time.Now() // a start needs much, whatever there is to analyse
	w.untidy.Store(true)
	rest := time.NewTimer(0)
	defer rest.Stop()
	trouble := ""
	for {
		select {
		case <-rest.C:
		case <-ctx.Done():
			return
		}
		w.giveBack()
		start := time.Now()
		err := w.look(ctx)
		rest.Reset(max(w.cfg.Every, lookShare*time.Since(start)))
		switch {
		case err == nil:
			trouble = ""
		case ctx.Err() != nil:
		case err.Error() != trouble:
			trouble = err.Error()
			w.cfg.Logger.Error("the log cannot be followed; logging goes on", "error", err)
		}
	}
}

// giveBack has the memory given back to the system that work on full logs and on all
// events took, once that is over: the collector alone would keep half as much again as
// is in use, and give it back in many minutes.
func (w *Watch) giveBack() {
	if now := time.Now(); w.untidy.Load() && w.atWork.Load() == 0 && now.Sub(w.gaveBack) >= giveBackEvery {
		w.untidy.Store(false)
		w.cfg.GiveBack()
		w.gaveBack = now
	}
}

// Step looks once and does what is due, one dwelling after another, for callers that keep
// the time themselves. It returns an error where the log cannot be read at all.
func (w *Watch) Step(ctx context.Context) error {
	if err := w.look(ctx); err != nil {
		return err
	}
	for _, f := range w.followers {
		if j := f.due(); !j.empty() {
			f.report(f.work(ctx, j))
		}
	}
	return ctx.Err()
}

// look asks the log how far the readings reach and which nodes are up, informs the
// viewer, and wakes the followers.
func (w *Watch) look(ctx context.Context) error {
	of, err := w.inventory(ctx)
	if ctx.Err() != nil || errors.Is(err, context.Canceled) {
		return err
	}
	if w.cfg.View != nil {
		w.cfg.View.ShowInventory(of, err)
	}
	if err != nil {
		return err
	}
	now := w.cfg.Now()
	for _, f := range w.followers {
		f.hold(of[f.dwelling.ID], now)
	}
	return nil
}

func (w *Watch) inventory(ctx context.Context) (map[string]Inventory, error) {
	nodes, err := w.cfg.Log.Nodes(ctx)
	if err != nil {
		return nil, fmt.Errorf("the log cannot be read: %w", err)
	}
	presences, err := w.cfg.Log.Presences(ctx)
	if err != nil {
		return nil, fmt.Errorf("the log cannot be read: %w", err)
	}
	type key struct{ dwelling, node string }
	said := map[key]ingest.Presence{}
	for _, p := range presences {
		said[key{p.Dwelling, p.Node}] = p
	}
	of := map[string]Inventory{}
	for _, n := range nodes {
		h := of[n.Dwelling]
		h.Readings += n.Readings
		h.Newest = max(h.Newest, n.Last)
		node := Node{NodeSummary: n}
		if p, ok := said[key{n.Dwelling, n.Node}]; ok {
			node.Heard, node.Up, node.Since = true, p.Up, p.Since
		}
		h.Nodes = append(h.Nodes, node)
		of[n.Dwelling] = h
	}
	return of, nil
}

// report passes an update to the caller.
func (w *Watch) report(n Update) {
	if w.cfg.OnUpdate == nil || len(n.Events)+len(n.Alarms) == 0 {
		return
	}
	w.reporting.Lock()
	defer w.reporting.Unlock()
	w.cfg.OnUpdate(n)
}
