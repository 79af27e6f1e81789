package main

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"greywatt/ingest/mqttsource"
	"greywatt/ingest/store"
)

// What is known of the nodes' clocks is kept as a note of each dwelling, so
// that the logger goes on from there after a restart, and other commands see it.
const (
	clocksNote  = "clocks"
	clocksEvery = 10 * time.Minute
)

// readClocks returns what is known of the clocks, by dwelling and node.
func readClocks(ctx context.Context, st *store.Store) ([]mqttsource.Clock, error) {
	notes, err := st.Notes(ctx, clocksNote)
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

// A clockKeeper writes down what is known of the clocks.
type clockKeeper struct {
	logger *logger
	saved  map[string]string // by dwelling
}

// run restores what was known, and saves what is until ctx ends. It is no part
// of logging: what fails is told, and tried again.
func (k *clockKeeper) run(ctx context.Context) {
	clocks, err := readClocks(ctx, k.logger.store)
	if err != nil {
		k.tell(ctx, err)
	}
	k.logger.committer.RestoreClocks(clocks)
	tick := time.NewTicker(clocksEvery)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
			k.tell(ctx, k.save(ctx))
		case <-ctx.Done():
			return
		}
	}
}

func (k *clockKeeper) tell(ctx context.Context, err error) {
	if err != nil && ctx.Err() == nil {
		k.logger.log.Error("what is known of the nodes' clocks is not kept; logging goes on", "error", err)
	}
}

// save writes down what has changed, in parts so that no commit of readings
// waits for long.
func (k *clockKeeper) save(ctx context.Context) error {
	of := map[string][]mqttsource.Clock{}
	for _, c := range k.logger.committer.Clocks() {
		of[c.Dwelling] = append(of[c.Dwelling], c)
	}
	var notes []store.Note
	const part = 500
	flush := func() error {
		err := k.logger.store.SetNotes(ctx, notes)
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
		if notes = append(notes, store.Note{Dwelling: dwelling, Key: clocksNote, Value: text}); len(notes) == part {
			if err := flush(); err != nil {
				return err
			}
		}
	}
	return flush()
}
