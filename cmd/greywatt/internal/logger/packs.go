package logger

import (
	"context"

	"greywatt/ingest/mqttsource"
	"greywatt/ingest/store"
)

// ReadPacks returns which of the packs that nodes number have come, by dwelling and
// node.
func ReadPacks(ctx context.Context, st *store.Store) ([]*mqttsource.Packs, error) {
	notes, err := st.NotesOf(ctx, mqttsource.PacksNote)
	if err != nil {
		return nil, err
	}
	var all []*mqttsource.Packs
	for _, n := range notes {
		p, err := mqttsource.ParsePacks(n.Dwelling, n.Key, n.Value)
		if err != nil {
			return nil, err
		}
		all = append(all, p)
	}
	return all, nil
}
