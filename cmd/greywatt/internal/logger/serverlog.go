package logger

import (
	"context"

	"greywatt"
	"greywatt/ingest/influx"
	"greywatt/ingest/mqttsource"
)

// ServerLog lets a committer write to a server.
type ServerLog struct{ *influx.DB }

func (s ServerLog) Append(ctx context.Context, rs []greywatt.Reading) (mqttsource.Counts, error) {
	n, err := s.DB.Append(ctx, rs)
	return mqttsource.Counts{New: n.New, Duplicate: n.Duplicate, Conflict: n.Conflict}, err
}

func (s ServerLog) SetPresence(ctx context.Context, ps []mqttsource.Presence) error {
	all := make([]influx.Presence, len(ps))
	for i, p := range ps {
		all[i] = influx.Presence{Dwelling: p.Dwelling, Node: p.Node, Up: p.Up, Since: p.At}
	}
	return s.SetPresences(ctx, all)
}
