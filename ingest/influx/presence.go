package influx

import (
	"cmp"
	"context"
	"maps"
	"slices"

	"greywatt/ingest"
)

// SetPresences stores what nodes said of themselves and returns once the server
// has confirmed it. What this process said last it does not say again.
func (db *DB) SetPresences(ctx context.Context, ps []ingest.Presence) error {
	db.appending.Lock()
	defer db.appending.Unlock()
	known := maps.Clone(db.presence)
	var points []Point
	for _, p := range ps {
		k := nodeKey{p.Dwelling, p.Node}
		if old, ok := known[k]; ok && old.Up == p.Up {
			continue
		}
		known[k] = p
		points = append(points, Point{
			Measurement: measurementPresence,
			Tags:        []Tag{{"dwelling", p.Dwelling}, {"node", p.Node}},
			At:          p.Since,
			Fields:      []Field{{"up", p.Up}},
		})
	}
	if err := db.writePoints(ctx, points); err != nil {
		return err
	}
	db.presence = known
	return nil
}

// Presences returns what each node that ever reported its presence said last,
// sorted by dwelling and node.
func (db *DB) Presences(ctx context.Context) ([]ingest.Presence, error) {
	var all []ingest.Presence
	err := db.query(ctx, db.from(measurementPresence, firstInstant, lastInstant)+" |> last()", func(rec *record) error {
		since, err := rec.instant("_time")
		all = append(all, ingest.Presence{Dwelling: rec.text("dwelling"), Node: rec.text("node"), Up: rec.text("_value") == "true", Since: since})
		return err
	})
	slices.SortFunc(all, func(p, q ingest.Presence) int {
		return cmp.Or(cmp.Compare(p.Dwelling, q.Dwelling), cmp.Compare(p.Node, q.Node))
	})
	return all, err
}

// Nodes returns a summary of every node that reported readings or its presence,
// sorted by dwelling and node.
func (db *DB) Nodes(ctx context.Context) ([]ingest.NodeSummary, error) {
	nodes := make(map[nodeKey]*ingest.NodeSummary)
	node := func(rec *record) *ingest.NodeSummary {
		k := nodeKey{rec.text("dwelling"), rec.text("node")}
		if nodes[k] == nil {
			nodes[k] = &ingest.NodeSummary{Dwelling: k.dwelling, Node: k.node}
		}
		return nodes[k]
	}
	everything := func(measurement string) string { return db.from(measurement, firstInstant, lastInstant) }
	queries := []struct {
		flux string
		each func(*record) error
	}{
		{everything(measurementReading) + ` |> last()`, func(rec *record) error {
			at, err := rec.instant("_time")
			n := node(rec)
			n.Last = max(n.Last, at)
			return err
		}},
		{everything(measurementConflict) + ` |> filter(fn: (r) => r._field == "kept") |> count()`, func(rec *record) error {
			count, err := rec.int("_value")
			node(rec).Conflicts += count
			return err
		}},
		{everything(measurementPresence) + ` |> last()`, func(rec *record) error { node(rec); return nil }},
	}
	for _, q := range queries {
		if err := db.query(ctx, q.flux, q.each); err != nil {
			return nil, err
		}
	}
	all := make([]ingest.NodeSummary, 0, len(nodes))
	for _, n := range nodes {
		all = append(all, *n)
	}
	slices.SortFunc(all, func(m, n ingest.NodeSummary) int {
		return cmp.Or(cmp.Compare(m.Dwelling, n.Dwelling), cmp.Compare(m.Node, n.Node))
	})
	return all, nil
}
