package store

import (
	"context"

	"greywatt"
	"greywatt/ingest"

	"zombiezen.com/go/sqlite"
)

// Salvage adds to s all readings that can still be read from a damaged store,
// which is left as it is; open that one with [Options.ReadOnly]. It gets past
// blocks that cannot be unpacked and past pages that cannot be read, which it
// returns as damage: of the rows of a node it finds those before the first bad
// page and those behind the last one. The error is for a salvage that came to
// an end early.
func (s *Store) Salvage(ctx context.Context, damaged *Store) (counts ingest.Counts, damage []*ingest.CorruptError, err error) {
	keep := func(b batch) error {
		s.mu.Lock()
		defer s.mu.Unlock()
		got, err := s.appendBatches(ctx, []*batch{&b})
		counts.Add(got)
		return err
	}
	err = damaged.read(ctx, func(c *sqlite.Conn) error {
		nodes := make(map[int64]nodeKey)
		err := query(c, "SELECT n.id, d.name, n.name FROM node n JOIN dwelling d ON d.id = n.dwelling", func(r *sqlite.Stmt) error {
			nodes[r.ColumnInt64(0)] = nodeKey{r.ColumnText(1), r.ColumnText(2)}
			return nil
		})
		if err != nil {
			return err
		}
		v := salvager{Store: damaged, c: c, nodes: nodes, keep: keep}
		if err := v.blocks(); err != nil {
			return err
		}
		for id := range nodes {
			if err := v.rows(id); err != nil {
				return err
			}
		}
		damage = v.damage
		return nil
	})
	return counts, damage, err
}

type salvager struct {
	*Store // the damaged one
	c      *sqlite.Conn
	nodes  map[int64]nodeKey
	keep   func(batch) error
	damage []*ingest.CorruptError
}

// lost notes an error that is damage, and returns one that is not.
func (v *salvager) lost(k nodeKey, ref blockRef, err error) error {
	if err == nil {
		return nil
	}
	code := sqlite.ErrCode(err).ToPrimary()
	if code != sqlite.ResultCorrupt && code != sqlite.ResultIOErr {
		return err
	}
	v.damage = append(v.damage, &ingest.CorruptError{File: v.path, Dwelling: k.dwelling, Node: k.node, From: ref.first, To: ref.last, Err: err})
	return nil
}

// blocks reads the blocks one by one by their id, so that a bad page or index
// hides no other block.
func (v *salvager) blocks() error {
	highest := int64(0)
	err := query(v.c, "SELECT id FROM block ORDER BY id DESC LIMIT 1", func(r *sqlite.Stmt) error { highest = r.ColumnInt64(0); return nil })
	if err := v.lost(nodeKey{}, blockRef{}, err); err != nil {
		return err
	}
	dec := newBlockDecoder()
	defer dec.z.Close()
	for id := range highest {
		var k nodeKey
		var ref blockRef
		var frames []greywatt.Frame
		var bad error
		err := query(v.c, "SELECT id, first_us, last_us, frames, node, data FROM block WHERE id = ?", func(r *sqlite.Stmt) error {
			ref, k = readRef(r), v.nodes[r.ColumnInt64(4)]
			data := make([]byte, r.ColumnLen(5))
			r.ColumnBytes(5, data)
			frames, bad = dec.block(frames, data, ref, k.node)
			return nil
		}, id+1)
		if err := v.lost(k, ref, err); err != nil {
			return err
		}
		if bad != nil {
			v.damage = append(v.damage, &ingest.CorruptError{File: v.path, Dwelling: k.dwelling, Node: k.node, From: ref.first, To: ref.last, Err: bad})
			continue
		}
		if len(frames) > 0 && k.dwelling != "" {
			if err := v.keep(batch{nodeKey: k, frames: frames, sorted: true}); err != nil {
				return err
			}
		}
	}
	return nil
}

// rows reads the rows of a node forwards up to a bad page, and then backwards
// from the end up to one.
func (v *salvager) rows(id int64) error {
	k := v.nodes[id]
	frames := make([]greywatt.Frame, 0, scanRows)
	flush := func() error {
		if len(frames) == 0 {
			return nil
		}
		sortFrames(frames)
		err := v.keep(batch{nodeKey: k, frames: frames})
		frames = frames[:0]
		return err
	}
	for _, order := range []string{"ASC", "DESC"} {
		var full error
		err := query(v.c, "SELECT at_us, waste_in, waste_out, cold_in, preheat_out, flow, ambient, waste_flow FROM frame WHERE node = ? ORDER BY at_us "+order,
			func(r *sqlite.Stmt) error {
				f := greywatt.Frame{At: instant(r, 0), Node: k.node}
				readValues(r, 1, &f.Value)
				if frames = append(frames, f); len(frames) == scanRows {
					full = flush()
				}
				return full
			}, id)
		if full != nil {
			return full
		}
		if err := flush(); err != nil {
			return err
		}
		if err == nil {
			return nil
		}
		if err := v.lost(k, blockRef{}, err); err != nil {
			return err
		}
	}
	return nil
}
