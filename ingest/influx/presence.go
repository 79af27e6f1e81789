package influx

import (
	"cmp"
	"context"
	"maps"
	"slices"

	"greywatt"
)

// A Presence says whether a node is connected.
type Presence struct {
	Dwelling, Node string
	Up             bool
	Since          greywatt.Instant // when that was heard
}

// SetPresences stores what nodes said of themselves and returns once the server
// has confirmed it. What this process said last it does not say again.
func (db *DB) SetPresences(ctx context.Context, ps []Presence) error {
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
func (db *DB) Presences(ctx context.Context) ([]Presence, error) {
	var all []Presence
	err := db.query(ctx, db.from(measurementPresence, firstInstant, lastInstant)+" |> last()", func(rec *record) error {
		since, err := rec.instant("_time")
		all = append(all, Presence{rec.text("dwelling"), rec.text("node"), rec.text("_value") == "true", since})
		return err
	})
	slices.SortFunc(all, func(p, q Presence) int {
		return cmp.Or(cmp.Compare(p.Dwelling, q.Dwelling), cmp.Compare(p.Node, q.Node))
	})
	return all, err
}

// A NodeSummary says what there is of one node.
type NodeSummary struct {
	Dwelling, Node string
	Conflicts      int64            // readings refused because another value came first
	Last           greywatt.Instant // zero without readings
}

// Nodes returns a summary of every node that reported readings or its presence,
// sorted by dwelling and node.
func (db *DB) Nodes(ctx context.Context) ([]NodeSummary, error) {
	nodes := make(map[nodeKey]*NodeSummary)
	node := func(rec *record) *NodeSummary {
		k := nodeKey{rec.text("dwelling"), rec.text("node")}
		if nodes[k] == nil {
			nodes[k] = &NodeSummary{Dwelling: k.dwelling, Node: k.node}
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
	all := make([]NodeSummary, 0, len(nodes))
	for _, n := range nodes {
		all = append(all, *n)
	}
	slices.SortFunc(all, func(m, n NodeSummary) int {
		return cmp.Or(cmp.Compare(m.Dwelling, n.Dwelling), cmp.Compare(m.Node, n.Node))
	})
	return all, nil
}
