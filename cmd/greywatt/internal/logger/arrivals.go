package logger

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"greywatt/ingest/recipe/message"
	"greywatt/ingest/store"
)

// ArrivalsNote is the note of a dwelling that lists its nodes whose readings
// count, at least in part, for the moment at which the logger got them: a recipe
// took their messages, which state no time. It is a JSON list of names and never
// loses one, as the readings stay.
const ArrivalsNote = "arrival-time"

const arrivalsEvery = 5 * time.Second

// ReadArrivals returns those nodes by dwelling, in order.
func ReadArrivals(ctx context.Context, st *store.Store) (map[string][]string, error) {
	notes, err := st.Notes(ctx, ArrivalsNote)
	if err != nil {
		return nil, err
	}
	of := map[string][]string{}
	for _, n := range notes {
		var nodes []string
		if err := json.Unmarshal(n.Value, &nodes); err != nil {
			return nil, fmt.Errorf("which nodes of dwelling %s count by arrival: %w", n.Dwelling, err)
		}
		of[n.Dwelling] = nodes
	}
	return of, nil
}

// An arrivalKeeper writes down which nodes' readings count for when they came.
type arrivalKeeper struct {
	logger *Logger
	saved  int // nodes, as of the last save
}

// run saves what is new until ctx ends. It is no part of logging: failures are
// logged, and tried again.
func (k *arrivalKeeper) run(ctx context.Context) {
	tick := time.NewTicker(arrivalsEvery)
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

func (k *arrivalKeeper) tell(ctx context.Context, err error) {
	if err != nil && ctx.Err() == nil {
		k.logger.Log.Error("which nodes' readings count for when they came is not kept; logging goes on", "error", err)
	}
}

func (k *arrivalKeeper) save(ctx context.Context) error {
	if k.logger.others == nil {
		return nil
	}
	nodes := k.logger.others.Arrivals()
	if len(nodes) == k.saved {
		return nil
	}
	known, err := ReadArrivals(ctx, k.logger.Store)
	if err != nil {
		return err
	}
	notes, err := newArrivals(known, nodes)
	if err != nil {
		return err
	}
	if err := k.logger.Store.SetNotes(ctx, notes); err != nil {
		return err
	}
	k.saved = len(nodes)
	return nil
}

// newArrivals returns the notes that add nodes to what is known.
func newArrivals(known map[string][]string, nodes []message.Node) (notes []store.Note, err error) {
	changed := map[string]bool{}
	for _, n := range nodes {
		if !slices.Contains(known[n.Dwelling], n.Node) {
			known[n.Dwelling] = append(known[n.Dwelling], n.Node)
			changed[n.Dwelling] = true
		}
	}
	for dwelling := range changed {
		slices.Sort(known[dwelling])
		text, err := json.Marshal(known[dwelling])
		if err != nil {
			return nil, err
		}
		notes = append(notes, store.Note{Dwelling: dwelling, Key: ArrivalsNote, Value: text})
	}
	return notes, nil
}
