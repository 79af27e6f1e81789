package store

import (
	"context"
	"errors"
	"fmt"

	"greywatt"
	"greywatt/ingest"

	"zombiezen.com/go/sqlite"
)

// Check reads the whole store and returns what is damaged, nothing if all is
// well: pages and indexes that SQLite finds wrong, blocks that cannot be
// unpacked or overlap, and nodes whose count of readings is not what is stored.
// The error is for a check that could not be carried out.
func (s *Store) Check(ctx context.Context) ([]*ingest.CorruptError, error) {
	var damage []*ingest.CorruptError
	add := func(d ingest.CorruptError, format string, args ...any) {
		d.File, d.Err = s.path, fmt.Errorf(format, args...)
		damage = append(damage, &d)
	}
	err := s.read(ctx, func(c *sqlite.Conn) error {
		err := query(c, "PRAGMA integrity_check", func(r *sqlite.Stmt) error {
			if text := r.ColumnText(0); text != "ok" {
				add(ingest.CorruptError{}, "%s", text)
			}
			return nil
		})
		if err != nil {
			return err
		}
		for _, table := range []string{"frame", "block", "conflict", "change"} {
			err := query(c, "SELECT count(*) FROM "+table+" WHERE node NOT IN (SELECT n.id FROM node n JOIN dwelling d ON d.id = n.dwelling)", func(r *sqlite.Stmt) error {
				if n := r.ColumnInt(0); n > 0 {
					add(ingest.CorruptError{}, "%d rows of table %s belong to no node", n, table)
				}
				return nil
			})
			if err != nil {
				return err
			}
		}
		dec := newBlockDecoder()
		defer dec.z.Close()
		return query(c, "SELECT n.id, d.name, n.name, n.frames, n.readings, n.first_us, n.last_us FROM node n JOIN dwelling d ON d.id = n.dwelling ORDER BY 2, 3",
			func(r *sqlite.Stmt) error {
				want := ingest.NodeSummary{
					Dwelling: r.ColumnText(1), Node: r.ColumnText(2),
					Frames: r.ColumnInt64(3), Readings: r.ColumnInt64(4), First: instant(r, 5), Last: instant(r, 6),
				}
				found, err := s.checkNode(c, dec, r.ColumnInt64(0), want)
				damage = append(damage, found...)
				return err
			})
	})
	var page *ingest.CorruptError
	if errors.As(err, &page) {
		return append(damage, page), nil
	}
	return damage, err
}

// checkNode reads all frames of a node.
func (s *Store) checkNode(c *sqlite.Conn, dec *blockDecoder, id int64, want ingest.NodeSummary) (damage []*ingest.CorruptError, err error) {
	cur, err := s.openCursor(c, dec, id, nodeKey{want.Dwelling, want.Node}, 0, maxInstant, maxInstant)
	defer cur.close()
	if err != nil {
		return nil, err
	}
	found := ingest.NodeSummary{Dwelling: want.Dwelling, Node: want.Node}
	add := func(from, to greywatt.Instant, format string, args ...any) {
		damage = append(damage, &ingest.CorruptError{
			File: s.path, Dwelling: want.Dwelling, Node: want.Node, From: from, To: to, Err: fmt.Errorf(format, args...),
		})
	}
	for {
		frames, err := cur.next()
		var d *ingest.CorruptError
		if errors.As(err, &d) {
			damage = append(damage, d)
			continue
		}
		if err != nil {
			return damage, err
		}
		if len(frames) == 0 {
			break
		}
		for i := range frames {
			f := &frames[i]
			if found.Frames == 0 {
				found.First = f.At
			} else if f.At <= found.Last {
				add(f.At, found.Last, "blocks overlap")
			}
			found.Last = f.At
			found.Frames++
			found.Readings += int64(present(&f.Value))
		}
	}
	if len(damage) == 0 && found != want {
		add(want.First, want.Last, "there are %d frames of %d readings from %s to %s, its row says %d of %d from %s to %s",
			found.Frames, found.Readings, found.First, found.Last, want.Frames, want.Readings, want.First, want.Last)
	}
	return damage, nil
}
