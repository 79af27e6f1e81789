package logger

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"greywatt/cmd/greywatt/internal/live"
	"greywatt/ingest/mqttsource"
	"greywatt/ingest/store"
)

// What is known of the nodes' clocks is kept as a note of each dwelling, so
// that the logger goes on from there after a restart, and other commands see it.
const (
	ClocksNote  = "clocks"
	clocksEvery = 10 * time.Minute
)

// ReadClocks returns what is known of the clocks, by dwelling and node.
func ReadClocks(ctx context.Context, st *store.Store) ([]mqttsource.Clock, error) {
	notes, err := st.Notes(ctx, ClocksNote)
	if err != nil {
		return nil, err
	}
	var all []mqttsource.Clock
	for _, n := range notes {
		var clocks []mqttsource.Clock
		if err := json.Unmarshal(n.Value, &clocks); err != nil {
			return nil, fmt.Errorf("what is known of the clocks of dwelling %s: %w", n.Dwelling, err)
		}
		for _, c := range clocks {
			c.Dwelling = n.Dwelling
			all = append(all, c)
		}
	}
	return all, nil
}

// A JudgedClock is a clock with what is wrong with it, if anything is.
type JudgedClock struct {
	*mqttsource.Clock
	Fault *mqttsource.ClockFault
}

func Judge(clocks []mqttsource.Clock) []JudgedClock {
	js := make([]JudgedClock, len(clocks))
	for i := range clocks {
		js[i] = JudgedClock{&clocks[i], clocks[i].Fault()}
	}
	return js
}

// Wrong returns those that are wrong.
func Wrong(js []JudgedClock) []JudgedClock {
	return slices.DeleteFunc(slices.Clone(js), func(j JudgedClock) bool { return j.Fault == nil })
}

// SameOffset reports whether all nodes, three at least, are off by the same time.
func SameOffset(wrong []JudgedClock, known int) bool {
	if len(wrong) < 3 || len(wrong) < known {
		return false
	}
	for _, j := range wrong {
		if !(math.Abs(j.Fault.OffsetS-wrong[0].Fault.OffsetS) <= 60) {
			return false
		}
	}
	return true
}

// ShownClocks says of clocks what the page shows.
func ShownClocks(clocks []mqttsource.Clock) live.Clocks {
	wrong := Wrong(Judge(clocks))
	shown := live.Clocks{Own: SameOffset(wrong, len(clocks))}
	for _, j := range wrong {
		shown.Wrong = append(shown.Wrong, live.WrongClock{Dwelling: j.Dwelling, Node: j.Node, What: j.Fault.What})
	}
	return shown
}

// A clockKeeper writes down what is known of the clocks.
type clockKeeper struct {
	logger *Logger
	saved  map[string]string // by dwelling
}

// run restores what was known, and saves what is until ctx ends. It is no part
// of logging: failures are logged, and tried again.
func (k *clockKeeper) run(ctx context.Context) {
	clocks, err := ReadClocks(ctx, k.logger.Store)
	if err != nil {
		k.tell(ctx, err)
	}
	k.logger.Committer.RestoreClocks(clocks)
	tick := time.NewTicker(clocksEvery)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
			k.tell(ctx, errors.Join(k.save(ctx), k.logger.savePassed(ctx)))
		case <-ctx.Done():
			return
		}
	}
}

func (k *clockKeeper) tell(ctx context.Context, err error) {
	if err != nil && ctx.Err() == nil {
		k.logger.Log.Error("what is known of the nodes' clocks is not kept; logging goes on", "error", err)
	}
}

// save writes down what has changed, in parts so that no commit of readings
// waits for long.
func (k *clockKeeper) save(ctx context.Context) error {
	of := map[string][]mqttsource.Clock{}
	for _, c := range k.logger.Committer.Clocks() {
		of[c.Dwelling] = append(of[c.Dwelling], c)
	}
	var notes []store.Note
	const part = 500
	flush := func() error {
		err := k.logger.Store.SetNotes(ctx, notes)
		if err == nil {
			for _, n := range notes {
				k.saved[n.Dwelling] = string(n.Value)
			}
		}
		notes = notes[:0]
		return err
	}
	for dwelling, clocks := range of {
		text, err := json.Marshal(clocks)
		if err != nil {
			return err
		}
		if k.saved[dwelling] == string(text) {
			continue
		}
		if notes = append(notes, store.Note{Dwelling: dwelling, Key: ClocksNote, Value: text}); len(notes) == part {
			if err := flush(); err != nil {
				return err
			}
		}
	}
	return flush()
}
