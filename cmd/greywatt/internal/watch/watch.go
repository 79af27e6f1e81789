// Package watch analyses readings while they are being logged, tells of each
// event once it is over, and raises an alarm when a unit's conductance or heat
// balance leaves its level. It reads what the store has on disk, at its own
// pace: logging never waits for it.
//
// It follows the newest readings of each dwelling. What arrives late, for a
// time that it has passed, it leaves to the analyses of all data. The state of
// each dwelling's guard, with the alarms so far, is a note in the store, so that
// a restart neither forgets nor repeats.
package watch

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"time"

	"greywatt"
	"greywatt/analysis"
	"greywatt/ingest/store"
)

// A Log is what is being written by the logger.
type Log interface {
	// Nodes says how far each node's readings reach.
	Nodes(ctx context.Context) ([]store.NodeSummary, error)
	// Frames returns a dwelling's frames from from to before to.
	Frames(ctx context.Context, dwelling string, from, to greywatt.Instant) iter.Seq2[[]greywatt.Frame, error]
	// Note returns what was noted of a dwelling, nil if nothing; SetNote notes.
	Note(ctx context.Context, dwelling, key string) ([]byte, error)
	SetNote(ctx context.Context, dwelling, key string, value []byte) error
}

const (
	// runInS is how far before the present the analysis begins: it looks back a
	// day for the room's temperature.
	runInS = 48 * 3600.0
	// lagS is how far behind the newest reading it stays while more come: nodes
	// of one dwelling do not report at the same moment.
	lagS = 30.0
	// quiet is after how long without anything new it takes the rest.
	quiet = time.Minute
)

// A Watch follows the dwellings of a study. Its methods must not be called by
// two goroutines at once.
type Watch struct {
	log       Log
	study     *greywatt.Study
	dwellings map[string]*follower
	started   bool
}

// A follower is one dwelling's analysis.
type follower struct {
	dwelling *greywatt.Dwelling
	analyser *analysis.Analyser
	next     greywatt.Instant // first instant not yet analysed
	newest   greywatt.Instant
	moved    time.Time // when newest last changed
	guard    *Guarded  // nil until it is read from the store
}

// New returns a Watch over the study's dwellings.
func New(log Log, study *greywatt.Study) *Watch {
	w := &Watch{log: log, study: study, dwellings: map[string]*follower{}}
	for i := range study.Dwellings {
		d := &study.Dwellings[i]
		w.dwellings[d.ID] = &follower{dwelling: d, analyser: analysis.NewAnalyser(study, d)}
	}
	return w
}

// News is what a look has found.
type News struct {
	Events []analysis.Event // over since the look before
	Alarms []analysis.Alarm // raised by them
}

// Look analyses what is new and returns the events that are over by now and the
// alarms that they raise, in the order of the study's dwellings. The first call
// catches up with what is there already: it tells of no event, and of the alarms
// that are new.
func (w *Watch) Look(ctx context.Context, now time.Time) (News, error) {
	var news News
	if err := w.measure(ctx, now); err != nil {
		return news, err
	}
	for i := range w.study.Dwellings {
		f := w.dwellings[w.study.Dwellings[i].ID]
		events, err := w.follow(ctx, f, now)
		if err != nil {
			return news, fmt.Errorf("dwelling %s: %w", f.dwelling.ID, err)
		}
		alarms, err := w.watchOver(ctx, f, events)
		if err != nil {
			return news, fmt.Errorf("dwelling %s: %w", f.dwelling.ID, err)
		}
		news.Alarms = append(news.Alarms, alarms...)
		if w.started {
			news.Events = append(news.Events, events...)
		}
	}
	w.started = true
	return news, nil
}

// measure notes how far the readings of each dwelling reach.
func (w *Watch) measure(ctx context.Context, now time.Time) error {
	nodes, err := w.log.Nodes(ctx)
	if err != nil {
		return err
	}
	newest := map[string]greywatt.Instant{}
	for _, n := range nodes {
		newest[n.Dwelling] = max(newest[n.Dwelling], n.Last)
	}
	for id, at := range newest {
		if f := w.dwellings[id]; f != nil && at > f.newest {
			if f.newest == 0 {
				g, err := ReadGuarded(ctx, w.log, id)
				if err != nil {
					return err
				}
				f.guard = g
				// a guard that has seen nothing yet learns from all there is
				if g.Guard.Last != 0 {
					f.next = min(at, g.Guard.Last).Add(-runInS)
				}
			}
			f.newest, f.moved = at, now
		}
	}
	return nil
}

// follow analyses one dwelling up to where its nodes have settled.
func (w *Watch) follow(ctx context.Context, f *follower, now time.Time) ([]analysis.Event, error) {
	until := f.newest.Add(-lagS)
	if now.Sub(f.moved) >= quiet {
		until = f.newest + 1
	}
	if f.newest == 0 || until <= f.next {
		return nil, nil
	}
	var events []analysis.Event
	for frames, err := range w.log.Frames(ctx, f.dwelling.ID, f.next, until) {
		if damage := (*store.CorruptError)(nil); errors.As(err, &damage) {
			continue // the logger's business is what comes now
		}
		if err != nil {
			return events, err
		}
		events = append(events, f.analyser.Push(frames)...)
	}
	f.next = until
	return events, nil
}
