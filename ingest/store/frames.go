package store

import (
	"context"
	"errors"
	"iter"
	"slices"
	"sync"

	"greywatt"
	"greywatt/ingest"

	"zombiezen.com/go/sqlite"
)

// scanRows is how many rows one step of a scan gathers.
const scanRows = 4096

// Frames returns the frames of a dwelling from from (inclusive) to to
// (exclusive), zero meaning no bound, in order of time and, within an instant,
// of node. All channels that a node reported for an instant are one frame, NaN
// where it reported none. A batch is valid until the next step.
//
// A [*ingest.CorruptError] that names a node stands for one damaged block: a caller that
// goes on ranging gets what comes after it. After any other error, such as a page
// of the file that cannot be read, there is nothing more; see [Store.Salvage].
//
// The scan sees the store as it was at its first step, whatever is appended or
// sealed meanwhile, and needs memory for a few thousand frames a node.
func (s *Store) Frames(ctx context.Context, dwelling string, from, to greywatt.Instant) iter.Seq2[[]greywatt.Frame, error] {
	if to == 0 {
		to = maxInstant
	}
	return func(yield func([]greywatt.Frame, error) bool) {
		stopped, reached := false, from
		err := s.read(ctx, func(c *sqlite.Conn) error {
			m, err := s.openMerger(c, dwelling, from, to-1)
			defer m.close()
			if err != nil {
				return err
			}
			for {
				batch, err := m.next()
				var damage *ingest.CorruptError
				switch {
				case errors.As(err, &damage) && damage.Node != "":
					// One block is lost, not the rest.
				case err != nil || len(batch) == 0:
					return err
				default:
					reached = batch[len(batch)-1].At
				}
				if stopped = !yield(batch, err); stopped {
					return nil
				}
			}
		})
		if err == nil || stopped {
			return
		}
		var damage *ingest.CorruptError
		if errors.As(err, &damage) {
			damage.Dwelling, damage.From = dwelling, reached
		}
		yield(nil, err)
	}
}

// decoders are those of scans that are over, for the next: each has a megabyte, and
// who reads a record day by day opens many.
var decoders = sync.Pool{New: func() any { return newBlockDecoder() }}

// merger brings the frames of several nodes into order of time.
type merger struct {
	unpack  *blockDecoder
	cursors []*cursor
	buf     []greywatt.Frame
	err     error // to be returned once buf is
}

// openMerger opens a merger of the nodes of a dwelling, from from to to, both
// inclusive. It must be closed whether or not there is an error.
func (s *Store) openMerger(c *sqlite.Conn, dwelling string, from, to greywatt.Instant) (*merger, error) {
	m := &merger{unpack: decoders.Get().(*blockDecoder)}
	err := query(c, "SELECT n.id, n.name FROM node n JOIN dwelling d ON d.id = n.dwelling WHERE d.name = ? AND n.frames > 0 ORDER BY n.name",
		func(r *sqlite.Stmt) error {
			cur, err := s.openCursor(c, m.unpack, r.ColumnInt64(0), nodeKey{dwelling, r.ColumnText(1)}, from, to, to)
			m.cursors = append(m.cursors, cur)
			return err
		}, dwelling)
	return m, err
}

func (m *merger) close() {
	decoders.Put(m.unpack)
	for _, cur := range m.cursors {
		cur.close()
	}
}

// next returns the next frames in order, none at the end. After an error that
// is a cursor's it can go on.
func (m *merger) next() ([]greywatt.Frame, error) {
	if err := m.err; err != nil {
		m.err = nil
		return nil, err
	}
	m.buf = m.buf[:0]
	for len(m.buf) < scanRows {
		if err := m.fill(); err != nil {
			if len(m.buf) == 0 {
				return nil, err
			}
			m.err = err
			break
		}
		if len(m.cursors) == 0 {
			break
		}
		if len(m.cursors) == 1 && len(m.buf) == 0 {
			batch := m.cursors[0].head
			m.cursors[0].head = nil
			return batch, nil
		}
		m.gather()
	}
	return m.buf, nil
}

// fill gives every cursor a head, and drops those that have come to their end.
func (m *merger) fill() error {
	for _, cur := range m.cursors {
		if len(cur.head) == 0 {
			var err error
			if cur.head, err = cur.next(); err != nil {
				return err
			}
		}
	}
	m.cursors = slices.DeleteFunc(m.cursors, func(cur *cursor) bool {
		if len(cur.head) > 0 {
			return false
		}
		cur.close()
		return true
	})
	return nil
}

// gather moves frames into buf until a cursor must be refilled.
func (m *merger) gather() {
	for len(m.buf) < scanRows {
		first, bound := m.cursors[0], maxInstant
		for _, cur := range m.cursors[1:] {
			at := cur.head[0].At
			if at < first.head[0].At {
				bound = min(bound, first.head[0].At-1)
				first = cur
			} else {
				// A node earlier in the list goes first within an instant.
				bound = min(bound, at)
			}
		}
		n := 1
		for n < len(first.head) && first.head[n].At <= bound {
			n++
		}
		m.buf = append(m.buf, first.head[:n]...)
		first.head = first.head[n:]
		if len(first.head) == 0 {
			return
		}
	}
}

// Dwellings returns the ids of the dwellings of which there are frames, sorted.
func (s *Store) Dwellings(ctx context.Context) ([]string, error) {
	var ids []string
	err := s.read(ctx, func(c *sqlite.Conn) error {
		return query(c, "SELECT name FROM dwelling d WHERE EXISTS (SELECT 1 FROM node WHERE dwelling = d.id AND frames > 0) ORDER BY name",
			func(r *sqlite.Stmt) error { ids = append(ids, r.ColumnText(0)); return nil })
	})
	return ids, err
}

// Nodes returns a summary of every node that reported readings or its
// presence, sorted by dwelling and node. It costs little: nothing is
// counted again.
func (s *Store) Nodes(ctx context.Context) ([]ingest.NodeSummary, error) {
	var all []ingest.NodeSummary
	err := s.read(ctx, func(c *sqlite.Conn) error {
		return query(c, "SELECT d.name, n.name, n.frames, n.readings, n.conflicts, n.first_us, n.last_us FROM node n JOIN dwelling d ON d.id = n.dwelling ORDER BY 1, 2",
			func(r *sqlite.Stmt) error {
				all = append(all, ingest.NodeSummary{
					Dwelling: r.ColumnText(0), Node: r.ColumnText(1), Frames: r.ColumnInt64(2), Readings: r.ColumnInt64(3),
					Conflicts: r.ColumnInt64(4), First: instant(r, 5), Last: instant(r, 6),
				})
				return nil
			})
	})
	return all, err
}

// Newest returns the newest frame of each node of a dwelling, sorted by node.
func (s *Store) Newest(ctx context.Context, dwelling string) ([]greywatt.Frame, error) {
	var newest []greywatt.Frame
	err := s.read(ctx, func(c *sqlite.Conn) error {
		dec := newBlockDecoder()
		defer dec.z.Close()
		return query(c, "SELECT n.id, n.name, n.last_us FROM node n JOIN dwelling d ON d.id = n.dwelling WHERE d.name = ? AND n.frames > 0 ORDER BY n.name",
			func(r *sqlite.Stmt) error {
				last := instant(r, 2)
				cur, err := s.openCursor(c, dec, r.ColumnInt64(0), nodeKey{dwelling, r.ColumnText(1)}, last, last, last)
				defer cur.close()
				if err != nil {
					return err
				}
				frames, err := cur.next()
				newest = append(newest, frames...)
				return err
			}, dwelling)
	})
	return newest, err
}
