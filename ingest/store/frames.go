package store

import (
	"context"
	"errors"
	"iter"
	"slices"

	"greywatt"

	"zombiezen.com/go/sqlite"
)

// scanRows is how many rows one step of a scan gathers.
const scanRows = 4096

var errStop = errors.New("the caller has seen enough")

// Frames returns the frames of a dwelling from from (inclusive) to to
// (exclusive), zero meaning no bound, in order of time and, within an instant,
// of node. All channels that a node reported for an instant are one frame, NaN
// where it reported none. A batch is valid until the next step.
//
// The scan sees the store as it was at its first step, whatever is appended or
// sealed meanwhile, and needs memory for a few thousand frames a node.
func (s *Store) Frames(ctx context.Context, dwelling string, from, to greywatt.Instant) iter.Seq2[[]greywatt.Frame, error] {
	if to == 0 {
		to = maxInstant
	}
	return func(yield func([]greywatt.Frame, error) bool) {
		err := s.read(ctx, func(c *sqlite.Conn) error {
			var m merger
			defer m.close()
			err := query(c, "SELECT n.id, n.name FROM node n JOIN dwelling d ON d.id = n.dwelling WHERE d.name = ? AND n.frames > 0 ORDER BY n.name",
				func(r *sqlite.Stmt) error {
					cur, err := openCursor(c, r.ColumnInt64(0), r.ColumnText(1), from, to)
					m.cursors = append(m.cursors, cur)
					return err
				}, dwelling)
			if err != nil {
				return err
			}
			for {
				batch, err := m.next()
				if err != nil || len(batch) == 0 {
					return err
				}
				if !yield(batch, nil) {
					return errStop
				}
			}
		})
		if err != nil && !errors.Is(err, errStop) {
			yield(nil, err)
		}
	}
}

// merger brings the frames of several nodes into order of time.
type merger struct {
	cursors []*cursor
	buf     []greywatt.Frame
}

func (m *merger) close() {
	for _, cur := range m.cursors {
		cur.close()
	}
}

// next returns the next frames in order, none at the end.
func (m *merger) next() ([]greywatt.Frame, error) {
	m.buf = m.buf[:0]
	for {
		live := m.cursors[:0]
		for _, cur := range m.cursors {
			if len(cur.head) == 0 {
				// What is gathered already may stem from a slice that refilling reuses,
				// but merged frames are copies.
				var err error
				if cur.head, err = cur.next(); err != nil {
					return nil, err
				}
			}
			if len(cur.head) > 0 {
				live = append(live, cur)
			} else {
				cur.close()
			}
		}
		m.cursors = live
		switch {
		case len(live) == 0:
			return m.buf, nil
		case len(live) == 1 && len(m.buf) == 0:
			batch := live[0].head
			live[0].head = nil
			return batch, nil
		}
		m.gather()
		if len(m.buf) >= scanRows {
			return m.buf, nil
		}
	}
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

// cursor reads the frames of one node in order of time.
type cursor struct {
	node string
	rows *sqlite.Stmt
	buf  []greywatt.Frame
	head []greywatt.Frame // read and not yet merged
}

func openCursor(c *sqlite.Conn, id int64, node string, from, to greywatt.Instant) (*cursor, error) {
	cur := &cursor{node: node}
	var err error
	// Not Prepare, which gives every cursor of the connection the same statement.
	cur.rows, _, err = c.PrepareTransient("SELECT at_us, waste_in, waste_out, cold_in, preheat_out, flow, ambient, waste_flow FROM frame WHERE node = ? AND at_us >= ? AND at_us < ? ORDER BY at_us")
	if err != nil {
		return cur, err
	}
	cur.rows.BindInt64(1, id)
	cur.rows.BindInt64(2, int64(from))
	cur.rows.BindInt64(3, int64(to))
	return cur, nil
}

func (cur *cursor) close() {
	if cur.rows != nil {
		cur.rows.Finalize()
		cur.rows = nil
	}
}

func (cur *cursor) next() ([]greywatt.Frame, error) {
	cur.buf = cur.buf[:0]
	for len(cur.buf) < scanRows && cur.rows != nil {
		more, err := cur.rows.Step()
		if err != nil {
			return nil, err
		}
		if !more {
			cur.close()
			break
		}
		n := len(cur.buf)
		cur.buf = slices.Grow(cur.buf, 1)[:n+1]
		f := &cur.buf[n]
		f.At, f.Node = greywatt.Instant(cur.rows.ColumnInt64(0)), cur.node
		readValues(cur.rows, 1, &f.Value)
	}
	return cur.buf, nil
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

// A NodeSummary says what there is of one node.
type NodeSummary struct {
	Dwelling, Node   string
	Frames, Readings int64
	First, Last      greywatt.Instant // zero without frames
}

// Nodes returns a summary of every node that reported readings or its
// presence, sorted by dwelling and node. It costs little: nothing is counted
// anew.
func (s *Store) Nodes(ctx context.Context) ([]NodeSummary, error) {
	var all []NodeSummary
	err := s.read(ctx, func(c *sqlite.Conn) error {
		return query(c, "SELECT d.name, n.name, n.frames, n.readings, n.first_us, n.last_us FROM node n JOIN dwelling d ON d.id = n.dwelling ORDER BY 1, 2",
			func(r *sqlite.Stmt) error {
				all = append(all, NodeSummary{r.ColumnText(0), r.ColumnText(1), r.ColumnInt64(2), r.ColumnInt64(3), instant(r, 4), instant(r, 5)})
				return nil
			})
	})
	return all, err
}
