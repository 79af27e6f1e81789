package watch

import (
	"context"
	"encoding/json"
	"fmt"

	"greywatt/analysis/event"
	"greywatt/analysis/monitor"
)

// Guarded is what is remembered of one dwelling's guard.
type Guarded struct {
	Guard  monitor.Guard
	Alarms []monitor.Alarm // the log of alarms, oldest first
}

// A Notebook keeps notes of dwellings. Note returns nil where there is none.
type Notebook interface {
	Note(ctx context.Context, dwelling, key string) ([]byte, error)
	SetNote(ctx context.Context, dwelling, key string, value []byte) error
}

const (
	guardNote = "guard"
	// mostAlarms is how many alarms of a dwelling are remembered: one a week for
	// some twenty years.
	mostAlarms = 1000
)

// ReadGuarded returns what is remembered of a dwelling's guard; a fresh one
// where nothing is.
func ReadGuarded(ctx context.Context, n Notebook, dwelling string) (*Guarded, error) {
	g := new(Guarded)
	note, err := n.Note(ctx, dwelling, guardNote)
	if err != nil || note == nil {
		return g, err
	}
	if err := json.Unmarshal(note, g); err != nil {
		return nil, fmt.Errorf("the note of the guard: %w", err)
	}
	return g, nil
}

// guard gives the dwelling's guard new events and returns the alarms that they
// raise.
func (f *follower) guard(events []event.Event) []monitor.Alarm {
	g := f.guarded
	last := g.Guard.Last
	var alarms []monitor.Alarm
	for i := range events {
		alarms = append(alarms, g.Guard.Add(f.w.cfg.Study, f.dwelling, &events[i])...)
	}
	f.unsaved = f.unsaved || g.Guard.Last != last
	g.Alarms = append(g.Alarms[:len(g.Alarms):len(g.Alarms)], alarms...)
	if n := len(g.Alarms) - mostAlarms; n > 0 {
		g.Alarms = g.Alarms[n:]
	}
	return alarms
}

// save notes the guard's state before the alarms are reported: reported once, they are
// not reported again.
func (f *follower) save(ctx context.Context) error {
	if f.unsaved && f.w.cfg.Notes != nil {
		note, err := json.Marshal(f.guarded)
		if err != nil {
			return err
		}
		if err := f.w.cfg.Notes.SetNote(ctx, f.dwelling.ID, guardNote, note); err != nil {
			return err
		}
	}
	f.unsaved = false
	return nil
}
