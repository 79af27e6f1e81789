package store

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"

	"greywatt"
	"greywatt/ingest"

	"zombiezen.com/go/sqlite"
)

// sealBatch is about how many frames one transaction of Seal packs: enough to
// be worth its flush, few enough that an Append waits for a tenth of a second.
const sealBatch = 1 << 16

// Seal packs the rows of frames before an instant into blocks, merging them
// into blocks that cover or adjoin them. It takes the store in turns with
// Append, each in a transaction of its own, so it may run, be cancelled or be
// killed at any time; what it has not come to stays a row. A logger calls it at
// quiet moments for what is some hours old: packing a span while its readings
// still come in means packing it again.
//
// It returns how many rows it packed.
func (s *Store) Seal(ctx context.Context, before greywatt.Instant) (rows int64, err error) {
	if s.opts.ReadOnly {
		return 0, fmt.Errorf("%s: %w", s.path, ErrReadOnly)
	}
	s.mu.Lock()
	keys := slices.SortedFunc(maps.Keys(s.nodes), compareKeys)
	s.mu.Unlock()
	for _, k := range keys {
		for at := greywatt.Instant(0); at < before; {
			var n int64
			if n, at, err = s.sealSome(ctx, k, at, before); err != nil {
				return rows, err
			}
			rows += n
		}
	}
	return rows, nil
}

// sealSome packs rows of one node from from on and returns how many it packed
// and where to go on; before if there is nothing left.
func (s *Store) sealSome(ctx context.Context, k nodeKey, from, before greywatt.Instant) (rows int64, next greywatt.Instant, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	n := s.nodes[k]
	if n == nil {
		return 0, before, nil
	}
	err = s.write(ctx, func(c *sqlite.Conn) error {
		for packed := 0; packed < sealBatch && from < before; {
			frames, removed, last, err := s.sealRun(c, n, k, from, before)
			if err != nil {
				return err
			}
			if last == 0 {
				from = before
				break
			}
			packed += frames
			rows += int64(removed)
			from = last + 1
		}
		return nil
	})
	if err != nil {
		return 0, before, err
	}
	return rows, from, nil
}

// sealRun packs the first rows between from and before up to the next block,
// together with the block that covers or precedes them. It returns how many
// frames it packed, how many rows are gone, and the last instant it dealt with,
// 0 if there is no row.
func (s *Store) sealRun(c *sqlite.Conn, n *node, k nodeKey, from, before greywatt.Instant) (frames, removed int, last greywatt.Instant, err error) {
	first := greywatt.Instant(0)
	err = query(c, "SELECT at_us FROM frame WHERE node = ? AND at_us >= ? AND at_us < ? ORDER BY at_us LIMIT 1",
		func(r *sqlite.Stmt) error { first = instant(r, 0); return nil }, n.id, from, before)
	if err != nil || first == 0 {
		return 0, 0, 0, err
	}
	// The block that covers the row, or a small one before it, joins in; the
	// next block ends the run.
	refs, err := s.around(c, n, first, first)
	if err != nil {
		return 0, 0, 0, err
	}
	end := before - 1
	err = query(c, "SELECT first_us - 1 FROM block WHERE node = ? AND first_us > ? ORDER BY first_us LIMIT 1",
		func(r *sqlite.Stmt) error { end = min(end, instant(r, 0)); return nil }, n.id, first)
	if err != nil {
		return 0, 0, 0, err
	}
	refs = slices.DeleteFunc(refs, func(r blockRef) bool { return r.first > first })
	lo, sealed := first, 0
	for _, r := range refs {
		lo, sealed = min(lo, r.first), sealed+r.frames
	}
	err = query(c, "SELECT count(*), max(at_us) FROM (SELECT at_us FROM frame WHERE node = ? AND at_us BETWEEN ? AND ? ORDER BY at_us LIMIT ?)",
		func(r *sqlite.Stmt) error { removed, last = r.ColumnInt(0), instant(r, 1); return nil }, n.id, first, end, sealBatch/4)
	if err != nil {
		return 0, 0, 0, err
	}
	hi := last
	for _, r := range refs {
		hi = max(hi, r.last)
	}
	all, err := s.load(c, n.id, k, lo, hi, last, sealed+removed)
	var damage *ingest.CorruptError
	if errors.As(err, &damage) {
		// The rows over a damaged block stay rows.
		return 0, 0, damage.To, nil
	}
	if err != nil {
		return 0, 0, 0, err
	}
	return len(all), removed, last, s.replace(c, n, refs, lo, last, all)
}

func compareKeys(a, b nodeKey) int {
	return cmp.Or(cmp.Compare(a.dwelling, b.dwelling), cmp.Compare(a.node, b.node))
}
