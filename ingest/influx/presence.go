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
