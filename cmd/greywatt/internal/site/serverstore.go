package site

import (
	"context"

	"greywatt"
	"greywatt/ingest/influx"
	"greywatt/ingest/store"
)

// ServerStore gives a server's answers in the words of the data folder's store.
type ServerStore struct {
	*influx.DB
	Rejected int // readings that the server rejected
}

func (s *ServerStore) Append(ctx context.Context, rs []greywatt.Reading) (store.Counts, error) {
	n, err := s.DB.Append(ctx, rs)
	s.Rejected += n.Refused
	return store.Counts{New: n.New, Duplicate: n.Duplicate, Conflict: n.Conflict}, err
}

func (s *ServerStore) RefusalCounts(ctx context.Context) ([]store.RefusalCount, error) {
	counts, err := s.DB.RefusalCounts(ctx)
	all := make([]store.RefusalCount, len(counts))
	for i, c := range counts {
		all[i] = store.RefusalCount(c)
	}
	return all, err
}

func (s *ServerStore) Conflicts(ctx context.Context, limit int) ([]store.Conflict, error) {
	conflicts, err := s.DB.Conflicts(ctx, limit)
	all := make([]store.Conflict, len(conflicts))
	for i, c := range conflicts {
		all[i] = store.Conflict(c)
	}
	return all, err
}

// Nodes knows of each node its conflicts and its newest reading, and no more.
func (s *ServerStore) Nodes(ctx context.Context) ([]store.NodeSummary, error) {
	nodes, err := s.DB.Nodes(ctx)
	all := make([]store.NodeSummary, len(nodes))
	for i, n := range nodes {
		all[i] = store.NodeSummary{Dwelling: n.Dwelling, Node: n.Node, Conflicts: n.Conflicts, Last: n.Last}
	}
	return all, err
}

// Erase removes a dwelling and its results.
func (s *ServerStore) Erase(ctx context.Context, dwelling string) error {
	return s.DB.Erase(ctx, dwelling, MeasurementEvent, MeasurementFinding)
}
