package store

import (
	"errors"
	"math"
	"slices"

	"greywatt"
	"greywatt/ingest"

	"zombiezen.com/go/sqlite"
)

const (
	// blockFrames is the size that blocks are given, and smallBlock the one below
	// which a block grows when its neighbourhood is written. Larger blocks save
	// next to nothing on disk; see the benchmarks.
	blockFrames = 4096
	smallBlock  = blockFrames / 2
	// directFrames is the run of one node's frames from which Append packs blocks
	// at once, and directCost how many stored frames it may have to repack for
	// each one that comes.
	directFrames = 512
	directCost   = 4
	// shortRun is the run from which Append makes a small block, and leaves its
	// neighbours to Seal. As rows it would take several times the room, in pages
	// that other nodes' rows share.
	shortRun = 8
)

// An appender is the work of one transaction that stores frames.
type appender struct {
	s      *Store
	c      *sqlite.Conn
	counts ingest.Counts
	fresh  []greywatt.Frame // what was new, for mirrors; only if there are any
}

func (a *appender) append(b *batch) error {
	n, err := a.s.node(a.c, b.nodeKey)
	if err != nil {
		return err
	}
	before := *n
	a.fresh = a.fresh[:0]
	direct, err := a.direct(n, b)
	if err != nil {
		return err
	}
	for i := range b.frames {
		if direct {
			break
		}
		if err := a.row(n, b.node, &b.frames[i]); err != nil {
			return err
		}
	}
	if *n == before {
		return nil
	}
	if err := a.s.enqueue(a.c, n, a.fresh); err != nil {
		return err
	}
	return run(a.c, "UPDATE node SET frames = ?, readings = ?, conflicts = ?, first_us = ?, last_us = ? WHERE id = ?",
		n.frames, n.readings, n.conflicts, n.first, n.last, n.id)
}

// row stores one frame as a row, or adds to the row of that instant, whatever
// of it is not in a block.
func (a *appender) row(n *node, name string, f *greywatt.Frame) error {
	isNew := 1
	if f.At <= n.sealed {
		sealed, err := a.s.sealedAt(a.c, n, name, f.At)
		if err != nil {
			return err
		}
		if sealed != nil {
			isNew = 0
			have := sealed.Value
			if fresh, err := a.take(n, f.At, &have, &f.Value); err != nil || fresh == 0 {
				return err
			}
		}
	}
	fresh := present(&f.Value)
	ins, err := a.c.Prepare(insertFrame)
	if err != nil {
		return err
	}
	bindFrame(ins, n.id, f)
	if _, err := ins.Step(); err != nil {
		return err
	}
	if a.c.Changes() == 0 {
		isNew = 0
		if fresh, err = a.addToRow(n, f); err != nil {
			return err
		}
	}
	a.stored(n, f, isNew, fresh)
	return nil
}

// addToRow adds f to the row of its instant and returns how many values were new.
func (a *appender) addToRow(n *node, f *greywatt.Frame) (fresh int, err error) {
	sel, err := a.c.Prepare(selectFrame)
	if err != nil {
		return 0, err
	}
	sel.BindInt64(1, n.id)
	sel.BindInt64(2, int64(f.At))
	if _, err := sel.Step(); err != nil {
		return 0, err
	}
	have := greywatt.Frame{At: f.At}
	readValues(sel, 0, &have.Value)
	if err := sel.Reset(); err != nil {
		return 0, err
	}
	fresh, err = a.take(n, f.At, &have.Value, &f.Value)
	if err != nil || fresh == 0 {
		return 0, err
	}
	upd, err := a.c.Prepare(updateFrame)
	if err != nil {
		return 0, err
	}
	bindFrame(upd, n.id, &have)
	_, err = upd.Step()
	return fresh, err
}

// take adds to have what in brings that have lacks, leaves in with just that,
// and returns how many values it was. The rest it counts as duplicates and
// conflicts.
func (a *appender) take(n *node, at greywatt.Instant, have, in *greywatt.Values) (fresh int, err error) {
	for ch, v := range in {
		switch kept := have[ch]; {
		case math.IsNaN(v):
			continue
		case math.IsNaN(kept):
			have[ch] = v
			fresh++
			continue
		case kept == v:
			a.counts.Duplicate++
		default:
			a.counts.Conflict++
			err = run(a.c, "INSERT INTO conflict (node, at_us, channel, kept, refused) VALUES (?,?,?,?,?) ON CONFLICT DO NOTHING", n.id, at, ch, kept, v)
			if err != nil {
				return fresh, err
			}
			n.conflicts += int64(a.c.Changes())
		}
		in[ch] = math.NaN()
	}
	return fresh, nil
}

// stored notes that the values left in f were new.
func (a *appender) stored(n *node, f *greywatt.Frame, frames, fresh int) {
	if fresh == 0 {
		return
	}
	a.counts.New += fresh
	if n.frames == 0 {
		n.first, n.last = f.At, f.At
	}
	n.first, n.last = min(n.first, f.At), max(n.last, f.At)
	n.frames += int64(frames)
	n.readings += int64(fresh)
	if !a.s.mirrored {
		return
	}
	if k := len(a.fresh) - 1; k >= 0 && a.fresh[k].At == f.At {
		overlay(&a.fresh[k].Value, &f.Value)
		return
	}
	a.fresh = append(a.fresh, *f)
}

// direct packs a long run of frames into blocks at once, without rows between,
// and reports whether it did.
func (a *appender) direct(n *node, b *batch) (bool, error) {
	if len(b.frames) < shortRun {
		return false, nil
	}
	from, to := b.frames[0].At, b.frames[len(b.frames)-1].At
	find := a.s.around
	if len(b.frames) < directFrames {
		find = a.s.over
	}
	refs, err := find(a.c, n, from, to)
	if err != nil {
		return false, err
	}
	limit := directCost * len(b.frames)
	for _, r := range refs {
		from, to = min(from, r.first), max(to, r.last)
		limit -= r.frames
	}
	if limit < 0 {
		return false, nil
	}
	err = query(a.c, "SELECT count(*) FROM (SELECT 1 FROM frame WHERE node = ? AND at_us BETWEEN ? AND ? LIMIT ?)",
		func(r *sqlite.Stmt) error { limit -= r.ColumnInt(0); return nil }, n.id, from, to, limit+1)
	if err != nil || limit < 0 {
		return false, err
	}
	old, err := a.s.load(a.c, n.id, b.nodeKey, from, to, to, directCost*len(b.frames)-limit)
	var damage *ingest.CorruptError
	if errors.As(err, &damage) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	merged, err := a.merge(n, old, b.frames)
	if err != nil || merged == nil {
		return true, err
	}
	return true, a.s.replace(a.c, n, refs, from, to, merged)
}

// merge merges frames into old, both in order of time, and returns nil if
// that brings nothing new.
func (a *appender) merge(n *node, old, frames []greywatt.Frame) ([]greywatt.Frame, error) {
	if len(old) == 0 && ascend(frames) {
		for i := range frames {
			a.stored(n, &frames[i], 1, present(&frames[i].Value))
		}
		return frames, nil
	}
	merged := make([]greywatt.Frame, 0, len(old)+len(frames))
	grew := false
	for i := range frames {
		f := &frames[i]
		for len(old) > 0 && old[0].At <= f.At {
			merged = append(merged, old[0])
			old = old[1:]
		}
		if k := len(merged) - 1; k >= 0 && merged[k].At == f.At {
			fresh, err := a.take(n, f.At, &merged[k].Value, &f.Value)
			if err != nil {
				return nil, err
			}
			grew = grew || fresh > 0
			a.stored(n, f, 0, fresh)
			continue
		}
		merged = append(merged, *f)
		grew = true
		a.stored(n, f, 1, present(&f.Value))
	}
	if !grew {
		return nil, nil
	}
	return append(merged, old...), nil
}

// ascend reports whether no two frames are of one instant, in order of time.
func ascend(frames []greywatt.Frame) bool {
	for i := 1; i < len(frames); i++ {
		if frames[i-1].At >= frames[i].At {
			return false
		}
	}
	return true
}

const selectRefs = "SELECT id, first_us, last_us, frames "

// over returns the blocks that overlap from to to.
func (s *Store) over(c *sqlite.Conn, n *node, from, to greywatt.Instant) (refs []blockRef, err error) {
	if from > n.sealed {
		return nil, nil
	}
	err = query(c, selectRefs+selectBlocks, func(r *sqlite.Stmt) error {
		refs = append(refs, readRef(r))
		return nil
	}, n.id, from, to)
	return refs, err
}

// around returns the blocks that overlap from to to, and the neighbours that
// are small enough to be packed with them.
func (s *Store) around(c *sqlite.Conn, n *node, from, to greywatt.Instant) ([]blockRef, error) {
	refs, err := s.over(c, n, from, to)
	if err != nil {
		return nil, err
	}
	take := func(r *sqlite.Stmt) error {
		refs = append(refs, readRef(r))
		return nil
	}
	for _, r := range refs {
		from, to = min(from, r.first), max(to, r.last)
	}
	err = query(c, "SELECT * FROM ("+selectRefs+"FROM block WHERE node = ? AND first_us < ? ORDER BY first_us DESC LIMIT 1) WHERE frames < ?", take, n.id, from, smallBlock)
	if err != nil {
		return nil, err
	}
	err = query(c, "SELECT * FROM ("+selectRefs+"FROM block WHERE node = ? AND first_us > ? ORDER BY first_us LIMIT 1) WHERE frames < ?", take, n.id, to, smallBlock)
	return refs, err
}

// load returns what blocks hold of a node from from to to, and rows from from
// to rowsTo, all inclusive; about n frames.
func (s *Store) load(c *sqlite.Conn, id int64, k nodeKey, from, to, rowsTo greywatt.Instant, n int) ([]greywatt.Frame, error) {
	cur, err := s.openCursor(c, s.unpack, id, k, from, to, rowsTo)
	defer cur.close()
	if err != nil {
		return nil, err
	}
	all := make([]greywatt.Frame, 0, n)
	for {
		frames, err := cur.next()
		if err != nil || len(frames) == 0 {
			return all, err
		}
		all = append(all, frames...)
	}
}

// replace puts frames, packed into blocks, in the place of the given blocks and
// of all rows from from to to.
func (s *Store) replace(c *sqlite.Conn, n *node, refs []blockRef, from, to greywatt.Instant, frames []greywatt.Frame) error {
	for i := range s.known {
		if s.known[i].node == n.id {
			s.known[i] = span{}
		}
	}
	for _, r := range refs {
		if err := run(c, "DELETE FROM block WHERE id = ?", r.id); err != nil {
			return err
		}
	}
	if err := run(c, deleteFrames, n.id, from, to); err != nil {
		return err
	}
	n.joined = min(n.joined, from)
	chunks := max(1, (len(frames)+blockFrames/2)/blockFrames)
	size := (len(frames) + chunks - 1) / chunks
	var data []byte
	for chunk := range slices.Chunk(frames, size) {
		data = s.pack.encode(data[:0], chunk)
		first, last := chunk[0].At, chunk[len(chunk)-1].At
		id, err := nextBlockID(c, data)
		if err != nil {
			return err
		}
		if err := run(c, "INSERT INTO block (id, node, first_us, last_us, frames, data) VALUES (?,?,?,?,?,?)", id, n.id, first, last, len(chunk), data); err != nil {
			return err
		}
		n.sealed = max(n.sealed, last)
	}
	return nil
}

// A span is what blocks hold of a node from first to last.
type span struct {
	node        int64
	first, last greywatt.Instant
	frames      []greywatt.Frame // none for a gap between blocks, and for a damaged block
}

// sealedAt returns the frame that a block holds for an instant, nil if none
// does. A block that cannot be unpacked holds nothing: logging goes on beside it.
func (s *Store) sealedAt(c *sqlite.Conn, n *node, name string, at greywatt.Instant) (*greywatt.Frame, error) {
	var sp *span
	for i := range s.known {
		if k := &s.known[i]; k.node == n.id && k.first <= at && at <= k.last {
			sp = k
			break
		}
	}
	if sp == nil {
		sp = &s.known[s.nextKnown%len(s.known)]
		s.nextKnown++
		if err := s.look(c, sp, n, name, at); err != nil {
			*sp = span{}
			return nil, err
		}
	}
	i, ok := slices.BinarySearchFunc(sp.frames, at, func(f greywatt.Frame, at greywatt.Instant) int { return int(min(1, max(-1, f.At-at))) })
	if !ok {
		return nil, nil
	}
	return &sp.frames[i], nil
}

// look fills sp with the block that covers at, or with the gap around it.
func (s *Store) look(c *sqlite.Conn, sp *span, n *node, name string, at greywatt.Instant) error {
	*sp = span{node: n.id, first: 0, last: maxInstant, frames: sp.frames[:0]}
	err := query(c, "SELECT id, first_us, last_us, frames, data FROM block WHERE node = ? AND first_us <= ? ORDER BY first_us DESC LIMIT 1",
		func(r *sqlite.Stmt) error {
			ref := readRef(r)
			if ref.last < at {
				sp.first = ref.last + 1
				return nil
			}
			sp.first, sp.last = ref.first, ref.last
			data := make([]byte, r.ColumnLen(4))
			r.ColumnBytes(4, data)
			var err error
			if sp.frames, err = s.unpack.block(sp.frames, data, ref, name); err != nil {
				sp.frames = sp.frames[:0]
			}
			return nil
		}, n.id, at)
	if err != nil || sp.last < maxInstant {
		return err
	}
	return query(c, "SELECT first_us - 1 FROM block WHERE node = ? AND first_us > ? ORDER BY first_us LIMIT 1",
		func(r *sqlite.Stmt) error { sp.last = instant(r, 0); return nil }, n.id, at)
}

// node returns the node of that name, which it creates if it is new.
func (s *Store) node(c *sqlite.Conn, k nodeKey) (*node, error) {
	if n := s.nodes[k]; n != nil {
		return n, nil
	}
	if err := run(c, "INSERT INTO dwelling (name) VALUES (?) ON CONFLICT DO NOTHING", k.dwelling); err != nil {
		return nil, err
	}
	n := new(node)
	err := query(c, "INSERT INTO node (dwelling, name) SELECT id, ? FROM dwelling WHERE name = ? RETURNING id",
		func(r *sqlite.Stmt) error { n.id = r.ColumnInt64(0); return nil }, k.node, k.dwelling)
	if err != nil {
		return nil, err
	}
	s.nodes[k] = n
	return n, nil
}
