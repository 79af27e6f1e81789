package watch

import (
	"context"
	"encoding/json"
	"fmt"

	"greywatt/analysis"
)

// Guarded is what the store remembers of one dwelling's guard.
type Guarded struct {
	Guard  analysis.Guard
	Alarms []analysis.Alarm // the log of alarms, oldest first
}

// A Notebook holds notes of dwellings.
type Notebook interface {
	Note(ctx context.Context, dwelling, key string) ([]byte, error)
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

// watchOver gives the dwelling's guard its events and notes its new state before
// the alarms are told: told once, they are not told again.
func (w *Watch) watchOver(ctx context.Context, f *follower, events []analysis.Event) ([]analysis.Alarm, error) {
	if len(events) == 0 {
		return nil, nil
	}
	last := f.guard.Guard.Last
	var alarms []analysis.Alarm
	for i := range events {
		alarms = append(alarms, f.guard.Guard.Add(w.study, f.dwelling, &events[i])...)
	}
	if f.guard.Guard.Last == last {
		return nil, nil
	}
	f.guard.Alarms = append(f.guard.Alarms, alarms...)
	if n := len(f.guard.Alarms) - mostAlarms; n > 0 {
		f.guard.Alarms = f.guard.Alarms[n:]
	}
	note, err := json.Marshal(f.guard)
	if err != nil {
		return nil, err
	}
	return alarms, w.log.SetNote(ctx, f.dwelling.ID, guardNote, note)
}
