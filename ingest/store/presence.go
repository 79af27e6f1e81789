package store

import (
	"context"
	"slices"

	"greywatt/ingest"

	"zombiezen.com/go/sqlite"
)

// SetPresences stores which nodes are up or down, and since when, in one
// transaction. A state that is stored already costs nothing, and one older than
// what is stored changes nothing.
func (s *Store) SetPresences(ctx context.Context, ps []ingest.Presence) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !slices.ContainsFunc(ps, s.isNews) {
		return nil
	}
	return s.write(ctx, func(c *sqlite.Conn) error {
		for _, p := range ps {
			if !s.isNews(p) {
				continue
			}
			n, err := s.node(c, nodeKey{p.Dwelling, p.Node})
			if err != nil {
				return err
			}
			n.heard, n.up, n.since = true, p.Up, p.Since
			if err := run(c, "UPDATE node SET up = ?, up_us = ? WHERE id = ?", p.Up, p.Since, n.id); err != nil {
				return err
			}
		}
		return nil
	})
}

func (s *Store) isNews(p ingest.Presence) bool {
	n := s.nodes[nodeKey{p.Dwelling, p.Node}]
	return n == nil || !n.heard || n.up != p.Up && p.Since >= n.since
}

// Presences returns what is known of every node that ever reported its
// presence, sorted by dwelling and node.
func (s *Store) Presences(ctx context.Context) ([]ingest.Presence, error) {
	var all []ingest.Presence
	err := s.read(ctx, func(c *sqlite.Conn) error {
		return query(c, "SELECT d.name, n.name, n.up, n.up_us FROM node n JOIN dwelling d ON d.id = n.dwelling WHERE n.up IS NOT NULL ORDER BY 1, 2",
			func(r *sqlite.Stmt) error {
				all = append(all, ingest.Presence{Dwelling: r.ColumnText(0), Node: r.ColumnText(1), Up: r.ColumnBool(2), Since: instant(r, 3)})
				return nil
			})
	})
	return all, err
}

// A Note is a small value that the program remembers under a key, for a dwelling
// or, with an empty one, for the whole store.
type Note struct {
	Dwelling, Key string
	Value         []byte // nil: no such note
}

// SetNote stores a note; nil removes it. [Store.Erase] removes a dwelling's
// notes too.
func (s *Store) SetNote(ctx context.Context, dwelling, key string, value []byte) error {
	return s.SetNotes(ctx, []Note{{dwelling, key, value}})
}

// SetNotes is SetNote for many notes at the price of one, all or none.
func (s *Store) SetNotes(ctx context.Context, notes []Note) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.write(ctx, func(c *sqlite.Conn) error {
		for _, n := range notes {
			if err := setNote(c, n); err != nil {
				return err
			}
		}
		return nil
	})
}

func setNote(c *sqlite.Conn, n Note) error {
	if n.Value == nil {
		return run(c, "DELETE FROM note WHERE dwelling = ? AND key = ?", n.Dwelling, n.Key)
	}
	return run(c, "INSERT INTO note VALUES (?, ?, ?) ON CONFLICT DO UPDATE SET value = excluded.value", n.Dwelling, n.Key, n.Value)
}

// NoteNext stores a note with the next commit, so that it costs none of its own
// and is there if and only if that commit's readings are, or later.
func (s *Store) NoteNext(dwelling, key string, value []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	n := Note{dwelling, key, value}
	if i := slices.IndexFunc(s.next, func(o Note) bool { return o.Dwelling == dwelling && o.Key == key }); i >= 0 {
		s.next[i] = n
		return
	}
	s.next = append(s.next, n)
}

// NotesOf returns the notes whose key begins with a text, by dwelling and key.
func (s *Store) NotesOf(ctx context.Context, prefix string) ([]Note, error) {
	var all []Note
	err := s.read(ctx, func(c *sqlite.Conn) error {
		return query(c, "SELECT dwelling, key, value FROM note WHERE substr(key, 1, length(?1)) = ?1 ORDER BY 1, 2", func(r *sqlite.Stmt) error {
			n := Note{r.ColumnText(0), r.ColumnText(1), make([]byte, r.ColumnLen(2))}
			r.ColumnBytes(2, n.Value)
			all = append(all, n)
			return nil
		}, prefix)
	})
	return all, err
}

// Notes returns the notes that there are under a key, by dwelling.
func (s *Store) Notes(ctx context.Context, key string) ([]Note, error) {
	var all []Note
	err := s.read(ctx, func(c *sqlite.Conn) error {
		return query(c, "SELECT dwelling, value FROM note WHERE key = ? ORDER BY dwelling", func(r *sqlite.Stmt) error {
			n := Note{r.ColumnText(0), key, make([]byte, r.ColumnLen(1))}
			r.ColumnBytes(1, n.Value)
			all = append(all, n)
			return nil
		}, key)
	})
	return all, err
}

// Note returns the value of a note, nil if there is none.
func (s *Store) Note(ctx context.Context, dwelling, key string) ([]byte, error) {
	var value []byte
	err := s.read(ctx, func(c *sqlite.Conn) error {
		return query(c, "SELECT value FROM note WHERE dwelling = ? AND key = ?", func(r *sqlite.Stmt) error {
			value = make([]byte, r.ColumnLen(0))
			r.ColumnBytes(0, value)
			return nil
		}, dwelling, key)
	})
	return value, err
}
