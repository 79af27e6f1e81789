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

// Seal packs what is before an instant into blocks of some thousand frames: rows,
// merged into blocks that cover or adjoin them, and the small blocks that Append
// makes of a node's pack. It takes the store in turns with Append, each in a
// transaction of its own, so it may run, be cancelled or be killed at any time;
// what it has not come to stays as it is. A logger calls it at quiet moments for
// what is some hours old: packing a span while its readings still come in means
// packing it again.
//
// It returns how many frames it packed.
func (s *Store) Seal(ctx context.Context, before greywatt.Instant) (frames int64, err error) {
	if s.opts.ReadOnly {
		return 0, fmt.Errorf("%s: %w", s.path, ErrReadOnly)
	}
	s.mu.Lock()
	keys := slices.SortedFunc(maps.Keys(s.nodes), compareKeys)
	s.mu.Unlock()
	for at := greywatt.Instant(0); len(keys) > 0; {
		var n int64
		if n, keys, at, err = s.sealSome(ctx, keys, at, before); err != nil {
			return frames, err
		}
		frames += n
	}
	return frames, nil
}

// sealNode is what a look at a node counts for, in frames.
const sealNode = 64

// sealSome packs frames of nodes, of the first from from on, in one transaction:
// what nodes sent in turns stands on the same pages, so that these are written
// once. It returns how many frames it packed, and where to go on.
func (s *Store) sealSome(ctx context.Context, keys []nodeKey, from, before greywatt.Instant) (packed int64, rest []nodeKey, next greywatt.Instant, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	err = s.write(ctx, func(c *sqlite.Conn) error {
		for work := 0; len(keys) > 0 && work < sealBatch; work += sealNode {
			n := s.nodes[keys[0]]
			if n == nil {
				keys, from = keys[1:], 0
				continue
			}
			joined, err := s.join(c, n, keys[0], before, sealBatch-work)
			if err != nil {
				return err
			}
			packed += int64(joined)
			for work += joined; work < sealBatch && from < before; {
				frames, removed, last, err := s.sealRun(c, n, keys[0], from, before)
				if err != nil {
					return err
				}
				work += frames
				packed += int64(removed)
				from = last + 1
				if last == 0 {
					from = before
				}
			}
			if from >= before && n.joined >= before {
				keys, from = keys[1:], 0
			}
		}
		return nil
	})
	if err != nil {
		return 0, nil, 0, err
	}
	return packed, keys, from, nil
}

// join makes larger blocks of small ones that follow each other and end before an
// instant, with the rows between and over them: about so many frames, or until
// n.joined is before. It returns how many frames it packed.
func (s *Store) join(c *sqlite.Conn, n *node, k nodeKey, before greywatt.Instant, limit int) (frames int, err error) {
	if n.joined >= before {
		return 0, nil
	}
	var runs [][]blockRef
	var run []blockRef
	size := 0
	end := func() {
		if len(run) > 1 {
			runs = append(runs, run)
		}
		run, size = nil, 0
	}
	err = query(c, selectRefs+`FROM block WHERE node = ?1
		AND first_us >= ifnull((SELECT max(first_us) FROM block WHERE node = ?1 AND first_us < ?2), 0) AND last_us < ?3 ORDER BY first_us`,
		func(r *sqlite.Stmt) error {
			ref := readRef(r)
			if ref.frames >= smallBlock || size+ref.frames > sealBatch/4 {
				end()
			}
			if ref.frames < smallBlock {
				run, size = append(run, ref), size+ref.frames
			}
			return nil
		}, n.id, n.joined, before)
	if err != nil {
		return 0, err
	}
	end()
	for _, run := range runs {
		if frames >= limit {
			n.joined = run[0].first
			return frames, nil
		}
		packed, err := s.joinRun(c, n, k, run)
		if err != nil {
			return frames, err
		}
		frames += packed
	}
	n.joined = before
	return frames, nil
}

// joinRun packs neighbouring blocks together, but for those that are damaged.
func (s *Store) joinRun(c *sqlite.Conn, n *node, k nodeKey, run []blockRef) (frames int, err error) {
	if len(run) < 2 {
		return 0, nil
	}
	from, to := run[0].first, run[len(run)-1].last
	for _, r := range run {
		frames += r.frames
	}
	all, err := s.load(c, n.id, k, from, to, to, frames)
	var damage *ingest.CorruptError
	if errors.As(err, &damage) {
		i := slices.IndexFunc(run, func(r blockRef) bool { return r.first == damage.From })
		if i < 0 {
			return 0, err
		}
		left, err := s.joinRun(c, n, k, run[:i])
		if err != nil {
			return 0, err
		}
		right, err := s.joinRun(c, n, k, run[i+1:])
		return left + right, err
	}
	if err != nil {
		return 0, err
	}
	return len(all), s.replace(c, n, run, from, to, all)
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
