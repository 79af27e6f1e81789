package logger

import (
	"context"
	"errors"

	"greywatt"
	"greywatt/ingest/influx"
	"greywatt/ingest/store"
)

// A mirrorQueue lets a mirror take from the store what waits for it.
type mirrorQueue struct {
	*store.Store
	name string
}

func (q mirrorQueue) Changes(ctx context.Context, max int) ([]influx.Change, int64, error) {
	cs, next, err := q.Store.Changes(ctx, q.name, max)
	if damage := (*store.CorruptError)(nil); errors.As(err, &damage) {
		// What cannot be read cannot be mirrored: go past it, and say so.
		refusal := greywatt.Refusal{
			Source: q.name, Dwelling: damage.Dwelling, Reason: greywatt.ServerRefused,
			Detail: "not mirrored, as what waited for the mirror is damaged", Record: damage.Error(),
		}
		if err := q.Store.SetAside(ctx, []greywatt.Refusal{refusal}); err != nil {
			return nil, 0, err
		}
		if err := q.Store.Confirm(ctx, q.name, next); err != nil {
			return nil, 0, err
		}
		return q.Changes(ctx, max)
	}
	if err != nil {
		return nil, 0, err
	}
	changes := make([]influx.Change, len(cs))
	for i, c := range cs {
		changes[i] = influx.Change(c)
	}
	return changes, next, nil
}

func (q mirrorQueue) Confirm(ctx context.Context, next int64) error {
	return q.Store.Confirm(ctx, q.name, next)
}
