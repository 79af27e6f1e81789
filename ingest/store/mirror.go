package store

import (
	"context"
	"fmt"
	"slices"

	"greywatt"
	"greywatt/ingest"

	"zombiezen.com/go/sqlite"
)

// Mirror has the store keep what is stored from now on until the named mirror,
// a copy of the readings somewhere else, has confirmed it; see [Store.Changes].
// What was stored before is to be had from [Store.Frames], afterwards, so that
// nothing falls between. A name that is known stays where it is.
//
// What waits is a second, compressed copy of the readings: some 5 to 20 bytes a
// frame, less where more of a node's frames are appended together.
func (s *Store) Mirror(ctx context.Context, name string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	err := s.write(ctx, func(c *sqlite.Conn) error {
		return run(c, `INSERT INTO mirror (name, seq)
			SELECT ?, ifnull((SELECT seq FROM sqlite_sequence WHERE name = 'change'), 0) WHERE true ON CONFLICT DO NOTHING`, name)
	})
	if err == nil {
		s.mirrored = true
	}
	return err
}

// Unmirror forgets a mirror and what waits for it alone.
func (s *Store) Unmirror(ctx context.Context, name string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	err := s.write(ctx, func(c *sqlite.Conn) error {
		if err := run(c, "DELETE FROM mirror WHERE name = ?", name); err != nil {
			return err
		}
		return dropConfirmed(c)
	})
	if err != nil {
		return err
	}
	return s.explain(s.loadMirrored())
}

// A MirrorSummary says what waits for a mirror.
type MirrorSummary struct {
	Name    string
	Waiting int64 // runs of one node's readings not confirmed
}

// Mirrors returns the mirrors that readings are kept for, sorted by name.
func (s *Store) Mirrors(ctx context.Context) ([]MirrorSummary, error) {
	var mirrors []MirrorSummary
	err := s.read(ctx, func(c *sqlite.Conn) error {
		return query(c, "SELECT name, (SELECT count(*) FROM change WHERE change.seq > mirror.seq) FROM mirror ORDER BY name", func(r *sqlite.Stmt) error {
			mirrors = append(mirrors, MirrorSummary{r.ColumnText(0), r.ColumnInt64(1)})
			return nil
		})
	})
	return mirrors, err
}

func (s *Store) loadMirrored() error {
	return query(s.w, "SELECT EXISTS (SELECT 1 FROM mirror)", func(r *sqlite.Stmt) error {
		s.mirrored = r.ColumnBool(0)
		return nil
	})
}

// Changes returns what the named mirror has not confirmed, oldest first: about
// limit frames, or none if it has everything. Once they are safe where they
// belong, give next to [Store.Confirm]; until then Changes returns them again,
// also after a restart. Readings of any age are among them, each once.
//
// A [*ingest.CorruptError] stands for a change that cannot be unpacked; confirming
// next goes past it.
func (s *Store) Changes(ctx context.Context, name string, limit int) (changes []ingest.Change, next int64, err error) {
	err = s.read(ctx, func(c *sqlite.Conn) error {
		seq := int64(-1)
		err := query(c, "SELECT seq FROM mirror WHERE name = ?", func(r *sqlite.Stmt) error { seq = r.ColumnInt64(0); return nil }, name)
		if err != nil {
			return err
		}
		if seq < 0 {
			return fmt.Errorf("no mirror %q", name)
		}
		next = seq
		dec := newBlockDecoder()
		defer dec.z.Close()
		stmt, err := c.Prepare("SELECT seq, d.name, n.name, data FROM change JOIN node n ON n.id = change.node JOIN dwelling d ON d.id = n.dwelling WHERE seq > ? ORDER BY seq")
		if err != nil {
			return err
		}
		defer stmt.Reset()
		stmt.BindInt64(1, seq)
		for frames := 0; frames < limit; {
			more, err := stmt.Step()
			if err != nil || !more {
				return err
			}
			data := make([]byte, stmt.ColumnLen(3))
			stmt.ColumnBytes(3, data)
			ch := ingest.Change{Dwelling: stmt.ColumnText(1)}
			node := stmt.ColumnText(2)
			if ch.Frames, err = dec.decode(nil, data, node); err != nil {
				if len(changes) > 0 {
					return nil // it comes first the next time
				}
				next = stmt.ColumnInt64(0)
				return &ingest.CorruptError{File: s.path, Dwelling: ch.Dwelling, Node: node, Err: fmt.Errorf("change %d: %w", next, err)}
			}
			next = stmt.ColumnInt64(0)
			frames += len(ch.Frames)
			changes = append(changes, ch)
		}
		return nil
	})
	return changes, next, err
}

// Confirm notes that the named mirror has everything up to next, which
// [Store.Changes] returned.
func (s *Store) Confirm(ctx context.Context, name string, next int64) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.write(ctx, func(c *sqlite.Conn) error {
		if err := run(c, "UPDATE mirror SET seq = max(seq, ?) WHERE name = ?", next, name); err != nil {
			return err
		}
		return dropConfirmed(c)
	})
}

func dropConfirmed(c *sqlite.Conn) error {
	return run(c, "DELETE FROM change WHERE seq <= ifnull((SELECT min(seq) FROM mirror), (SELECT max(seq) FROM change))")
}

// enqueue keeps what is new of a node for the mirrors.
func (s *Store) enqueue(c *sqlite.Conn, n *node, fresh []greywatt.Frame) error {
	for chunk := range slices.Chunk(fresh, blockFrames) {
		if err := run(c, "INSERT INTO change (node, data) VALUES (?, ?)", n.id, s.pack.encode(nil, chunk)); err != nil {
			return err
		}
	}
	return nil
}
