package influx

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"

	"greywatt"
	"greywatt/ingest"
)

// Append stores readings and returns once the server has confirmed them. It may
// be given the same readings again and readings of any age in any order, and
// after an error it is to be given them again: some may be stored already.
//
// Of two values for one channel of one node at one instant the first stays, as
// in the embedded store. The server itself would keep the last, so Append looks
// for what is there before it writes, and of what it finds writes nothing. Two
// processes that within the same moment give different values for one instant
// do not see each other: then the last to write wins, and no conflict is noted.
// A message that is delivered twice, to whichever process, has the same values
// and does no harm.
//
// Values must be finite, channels known, instants from 1970 to 2262; every value
// comes back with the very bits it had, but for -0, which is 0.
func (db *DB) Append(ctx context.Context, rs []greywatt.Reading) (ingest.Counts, error) {
	rows, err := gather(rs)
	if err != nil {
		return ingest.Counts{}, fmt.Errorf("%s: %w", db, err)
	}
	db.appending.Lock()
	defer db.appending.Unlock()
	if torn := db.torn.Load(); torn != nil {
		return ingest.Counts{}, torn // also of what it has: it may have that in memory only
	}
	found, err := db.look(ctx, rows)
	if err != nil {
		return ingest.Counts{}, err
	}
	counts, conflicts := sift(rows, found)
	rows = slices.DeleteFunc(rows, func(r Row) bool { return countValues(&r.Value) == 0 })
	if err := db.writeConflicts(ctx, conflicts); err != nil {
		return ingest.Counts{}, err
	}
	rejected, err := db.Put(ctx, rows)
	if err != nil {
		return ingest.Counts{}, err
	}
	if len(rejected) > 0 {
		counts.New -= len(rejected)
		counts.Rejected = len(rejected)
		if err := db.AppendRejected(ctx, rejected); err != nil {
			return ingest.Counts{}, err
		}
	}
	return counts, nil
}

// A rowKey identifies a point on the server.
type rowKey struct {
	nodeKey
	at greywatt.Instant
}

type nodeKey struct{ dwelling, node string }

func (r *Row) key() rowKey { return rowKey{nodeKey{r.Dwelling, r.Node}, r.At} }

// gather makes rows of readings, in order of time: one for all that a node
// reported for an instant, and more where it gave one channel several values,
// in the order in which they came.
func gather(rs []greywatt.Reading) ([]Row, error) {
	var rows []Row
	places := make(map[rowKey]int, len(rs)/4)
	names := make(map[string]error)
	for i := range rs {
		r := &rs[i]
		for _, name := range [...]string{r.Dwelling, r.Node} {
			if _, known := names[name]; !known {
				names[name] = checkTag(name)
			}
		}
		err := cmp.Or(names[r.Dwelling], names[r.Node])
		if r.Channel >= greywatt.NumChannels || r.At < firstInstant || r.At >= lastInstant || math.IsNaN(r.Value) || math.IsInf(r.Value, 0) || r.Dwelling == "" {
			err = errors.New("want a dwelling, a known channel, an instant from 1970 to 2262 and a finite value")
		}
		if err != nil {
			return nil, fmt.Errorf("reading %d of %d cannot be stored: dwelling %q, node %q, %s, instant %d, value %v: %w",
				i+1, len(rs), r.Dwelling, r.Node, r.Channel, r.At, r.Value, err)
		}
		k := rowKey{nodeKey{r.Dwelling, r.Node}, r.At}
		place, known := places[k]
		if !known || !math.IsNaN(rows[place].Value[r.Channel]) {
			place = len(rows)
			places[k] = place
			rows = append(rows, Row{r.Dwelling, greywatt.Frame{At: r.At, Node: r.Node, Value: greywatt.NoValues()}})
		}
		rows[place].Value[r.Channel] = r.Value + 0 // -0 becomes 0
	}
	slices.SortStableFunc(rows, func(r, s Row) int {
		return cmp.Or(cmp.Compare(r.At, s.At), cmp.Compare(r.Dwelling, s.Dwelling), cmp.Compare(r.Node, s.Node))
	})
	return rows, nil
}

// sift leaves in rows what is new, adds it to found, and counts the rest as
// duplicates and conflicts.
func sift(rows []Row, found map[rowKey]*greywatt.Values) (counts ingest.Counts, conflicts []ingest.Conflict) {
	for i := range rows {
		r := &rows[i]
		have := found[r.key()]
		if have == nil {
			have = new(greywatt.NoValues())
			found[r.key()] = have
		}
		for c, v := range r.Value {
			switch kept := have[c]; {
			case math.IsNaN(v):
				continue
			case math.IsNaN(kept):
				have[c] = v
				counts.New++
				continue
			case kept == v:
				counts.Duplicate++
			default:
				counts.Conflict++
				conflicts = append(conflicts, ingest.Conflict{
					Reading: greywatt.Reading{Dwelling: r.Dwelling, Node: r.Node, Channel: greywatt.Channel(c), At: r.At, Value: v},
					Kept:    kept,
				})
			}
			r.Value[c] = math.NaN()
		}
	}
	return counts, conflicts
}

// How much one query looks at: rows without a gap of lookGap between them, of
// lookSpan at most and of at most lookDwellings. A query costs the server some
// milliseconds, a frame found some microseconds; a resting node has a frame a
// minute, so that looking across an hour without any is about as dear as a
// second query.
const (
	lookGap       = 3600 * 1_000_000
	lookSpan      = 24 * 3600 * 1_000_000
	lookDwellings = 256
)

// look returns what the server has for the instants of rows, which are in order
// of time.
func (db *DB) look(ctx context.Context, rows []Row) (map[rowKey]*greywatt.Values, error) {
	wanted := make(map[rowKey]bool, len(rows))
	found := make(map[rowKey]*greywatt.Values)
	for len(rows) > 0 {
		dwellings := make(map[string]bool)
		n := 0
		for ; n < len(rows); n++ {
			r := &rows[n]
			if n > 0 && (r.At-rows[n-1].At > lookGap || r.At-rows[0].At > lookSpan) ||
				!dwellings[r.Dwelling] && len(dwellings) == lookDwellings {
				break
			}
			dwellings[r.Dwelling] = true
			wanted[r.key()] = true
		}
		flux := db.from(measurementReading, rows[0].At, rows[n-1].At+1) +
			" |> filter(fn: (r) => r.dwelling =~ " + fluxAnyOf(slices.Sorted(maps.Keys(dwellings))) + ")" +
			pivot + keepFrame
		err := db.query(ctx, flux, func(rec *record) error {
			r, err := readRow(rec)
			if err != nil {
				return err
			}
			if wanted[r.key()] {
				found[r.key()] = &r.Value
			}
			return nil
		})
		if err != nil {
			return nil, fmt.Errorf("look for what is stored: %w", err)
		}
		rows = rows[n:]
	}
	return found, nil
}
