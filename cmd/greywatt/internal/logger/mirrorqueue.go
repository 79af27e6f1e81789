package logger

import (
	"context"
	"errors"

	"greywatt/ingest"
	"greywatt/ingest/store"
)

// A mirrorQueue lets a mirror take from the store what waits for it.
type mirrorQueue struct {
	*store.Store
	name string
}

func (q mirrorQueue) Changes(ctx context.Context, max int) ([]ingest.Change, int64, error) {
	cs, next, err := q.Store.Changes(ctx, q.name, max)
	if damage := (*ingest.CorruptError)(nil); errors.As(err, &damage) {
		// What cannot be read cannot be mirrored: go past it, and say so.
		rejected := ingest.RejectedRecord{
			Source: q.name, Dwelling: damage.Dwelling, Reason: ingest.ServerRefused,
			Detail: "not mirrored, as what waited for the mirror is damaged", Record: damage.Error(),
		}
		if err := q.Store.AppendRejected(ctx, []ingest.RejectedRecord{rejected}); err != nil {
			return nil, 0, err
		}
		if err := q.Store.Confirm(ctx, q.name, next); err != nil {
			return nil, 0, err
		}
		return q.Changes(ctx, max)
	}
	return cs, next, err
}

func (q mirrorQueue) Confirm(ctx context.Context, next int64) error {
	return q.Store.Confirm(ctx, q.name, next)
}
