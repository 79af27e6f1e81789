package store

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"

	"greywatt"
	"greywatt/ingest"
)

// Salvage adds to s all readings that a damaged store still has. It reads that
// store's file, and its log, page by page without SQLite, so that no page needs
// another: what stands on intact pages comes back, whatever else is lost, the
// first page and the file's end too. Blocks carry a checksum; a row counts if
// its page and its fields make sense. The damaged folder is left as it is.
//
// It returns the parts that are known to be lost. Where the names of a node are
// lost, its readings are kept under dwelling "salvaged" and its number. The
// error is for a salvage that came to an end early; [LockedError] where a
// process writes to the damaged store.
func (s *Store) Salvage(ctx context.Context, dir string) (counts ingest.Counts, damage []*ingest.CorruptError, err error) {
	release, err := lockIfThere(dir)
	if err != nil {
		return counts, nil, err
	}
	defer release()
	path := filepath.Join(dir, FileName)
	p, err := openPages(path)
	if errors.Is(err, os.ErrNotExist) {
		return counts, nil, fmt.Errorf("%s: %w: check the data folder's name", path, ErrNoStore)
	}
	if err != nil {
		return counts, nil, fmt.Errorf("%s: %w", path, err)
	}
	defer p.close()
	v := salvager{
		pages: p, path: path, ctx: ctx, to: s, unpack: newBlockDecoder(),
		names: make(map[int64]nodeKey), stated: make(map[int64]int64), listed: make(map[int64]lostBlock), saved: make(map[int64]bool),
		rows: make(map[int64][]greywatt.Frame),
	}
	defer v.unpack.z.Close()
	err = v.run()
	return v.counts, v.damage, err
}

// lockIfThere holds a store's lock against a logger, but makes no file.
func lockIfThere(dir string) (release func(), err error) {
	f, err := os.OpenFile(filepath.Join(dir, lockName), os.O_RDWR, 0)
	if err != nil {
		return func() {}, nil // no lock, or a folder that cannot be written: nobody writes there
	}
	held, err := tryLock(f)
	if err == nil && !held {
		f.Close()
		_, err = lockDir(dir) // says who has it
	}
	if err != nil {
		return nil, err
	}
	return func() { f.Close() }, nil
}

type salvager struct {
	*pages
	path   string
	ctx    context.Context
	to     *Store
	unpack *blockDecoder

	names  map[int64]nodeKey          // of nodes, by their number
	stated map[int64]int64            // frames that a node should have
	listed map[int64]lostBlock        // blocks that the index has, by their number
	saved  map[int64]bool             // blocks that came back
	rows   map[int64][]greywatt.Frame // waiting, by node; of small blocks too

	counts ingest.Counts
	damage []*ingest.CorruptError
}

type lostBlock struct {
	node int64
	ref  blockRef
	err  error
}

func (v *salvager) run() error {
	if err := v.readNames(); err != nil {
		return err
	}
	bad := 0
	var fs []field
	var record, frames = []byte(nil), []greywatt.Frame(nil)
	err := v.scan(func(index bool, c cell, page []byte) (err error) {
		if fs = fields(c.local, fs); fs == nil {
			bad++
			return nil
		}
		switch {
		case index && isRow(fs):
			return v.row(fs)
		case !index && isBlock(fs):
			b := lostBlock{node: fs[1].int, ref: blockRef{id: c.rowid, first: greywatt.Instant(fs[2].int), last: greywatt.Instant(fs[3].int), frames: int(fs[4].int)}}
			if record, b.err = v.record(c, record, page); b.err == nil {
				fs = fields(record, fs)
				frames, b.err = v.unpack.block(frames[:0], fs[5].bytes, b.ref, v.name(b.node).node)
			}
			if b.err != nil {
				v.listed[c.rowid] = b
				return nil
			}
			v.saved[c.rowid] = true
			if len(frames) < directFrames { // many together are stored as quickly as one
				return v.gather(b.node, frames...)
			}
			return v.keep(batch{nodeKey: v.name(b.node), frames: frames, sorted: true})
		case !index && isQuarantined(fs):
			if record, err = v.record(c, record, page); err != nil {
				v.damage = append(v.damage, &ingest.CorruptError{File: v.path, Err: fmt.Errorf("a message that was kept whole: %w", err)})
				return nil
			}
			return v.keepWhole(fields(record, fs))
		}
		return nil
	}, &bad)
	if err != nil {
		return err
	}
	for _, id := range slices.Sorted(maps.Keys(v.rows)) {
		if err := v.flush(id); err != nil {
			return err
		}
	}
	v.report(bad)
	return nil
}

// scan calls f with each cell of each page. page is a buffer for f.
func (v *salvager) scan(f func(index bool, c cell, page []byte) error, bad *int) error {
	page, spare := make([]byte, v.size), make([]byte, v.size)
	for n := uint32(1); n <= v.n; n++ {
		if err := v.ctx.Err(); err != nil {
			return err
		}
		have, err := v.read(n, page)
		if err != nil {
			*bad++ // a sector that the disk cannot read: the next may be well
			continue
		}
		wrong, err := v.cells(n, page, have, func(index bool, c cell) error { return f(index, c, spare) })
		if err != nil {
			return err
		}
		*bad += wrong
	}
	return nil
}

// readNames finds the names of nodes and the list of blocks. Names stand twice
// in the file, in the tables and in their indexes.
func (v *salvager) readNames() error {
	dwellings := make(map[int64]string)
	type device struct {
		dwelling int64
		name     string
	}
	nodes := make(map[int64]device)
	var fs []field
	ignored := 0
	err := v.scan(func(index bool, c cell, _ []byte) error {
		if fs = fields(c.local, fs); fs == nil || c.overflow != 0 {
			return nil
		}
		switch shape := kinds(fs); {
		case !index && shape == "nt":
			dwellings[c.rowid] = string(fs[1].bytes)
		case index && shape == "ti" && len(fs[0].bytes) > 0:
			if _, ok := dwellings[fs[1].int]; !ok {
				dwellings[fs[1].int] = string(fs[0].bytes)
			}
		case !index && len(fs) == 10 && shape[:5] == "nitii":
			nodes[c.rowid] = device{fs[1].int, string(fs[2].bytes)}
			v.stated[c.rowid] = fs[3].int
		case index && shape == "iti":
			if _, ok := nodes[fs[2].int]; !ok {
				nodes[fs[2].int] = device{fs[0].int, string(fs[1].bytes)}
			}
		case index && shape == "iiiii" && plausible(fs[1].int) && fs[1].int <= fs[2].int && fs[3].int >= 1 && fs[3].int <= maxBlockFrames:
			v.listed[fs[4].int] = lostBlock{
				node: fs[0].int, ref: blockRef{id: fs[4].int, first: greywatt.Instant(fs[1].int), last: greywatt.Instant(fs[2].int), frames: int(fs[3].int)},
				err: errors.New("the block is gone"),
			}
		}
		return nil
	}, &ignored)
	for id, d := range nodes {
		if dwelling, ok := dwellings[d.dwelling]; ok {
			v.names[id] = nodeKey{dwelling, d.name}
		}
	}
	return err
}

// kinds returns the kinds of a record's fields, a letter each.
func kinds(fs []field) string {
	b := make([]byte, len(fs))
	for i := range fs {
		b[i] = fs[i].kind
	}
	return string(b)
}

// latest bounds the instants that salvaged rows may have: the year 2200.
const latest = 7_258_118_400_000_000

func plausible(at int64) bool { return at > 0 && at < latest }

// isRow reports whether an index's entry is a row of table frame, which has no
// rowid and so is its own index.
func isRow(fs []field) bool {
	if len(fs) != 2+greywatt.NumChannels || fs[0].kind != 'i' || fs[0].int <= 0 || fs[1].kind != 'i' || !plausible(fs[1].int) {
		return false
	}
	for _, f := range fs[2:] {
		if f.kind == 't' || f.kind == 'b' || f.kind == 'f' && (math.IsNaN(f.float) || math.IsInf(f.float, 0)) {
			return false
		}
	}
	return true
}

func isBlock(fs []field) bool {
	return len(fs) == 6 && kinds(fs) == "niiiib" && fs[1].int > 0 && fs[4].int >= 1 && fs[4].int <= maxBlockFrames
}

// isQuarantined reports whether a record is a row of table quarantine.
func isQuarantined(fs []field) bool {
	return len(fs) == 10 && kinds(fs) == "nitttitiib" && plausible(fs[7].int)
}

func (v *salvager) keepWhole(fs []field) error {
	if !isQuarantined(fs) {
		return nil
	}
	m := ingest.Quarantined{
		Dwelling: string(fs[2].bytes), Node: string(fs[3].bytes), Reason: ingest.Reason(fs[4].bytes), Records: fs[5].int,
		Topic: string(fs[6].bytes), At: greywatt.Instant(fs[7].int), Body: slices.Clone(fs[9].bytes),
		Retained: fs[8].int&flagRetained != 0, OwnNames: fs[8].int&flagOwnNames != 0,
	}
	return v.to.AppendQuarantined(v.ctx, []ingest.Quarantined{m})
}

func (v *salvager) row(fs []field) error {
	id := fs[0].int
	f := greywatt.Frame{At: greywatt.Instant(fs[1].int), Node: v.name(id).node, Value: greywatt.NoValues()}
	for ch, x := range fs[2:] {
		switch x.kind {
		case 'i':
			f.Value[ch] = float64(x.int) / rowScale
		case 'f':
			f.Value[ch] = x.float
		}
	}
	return v.gather(id, f)
}

// gather keeps frames of a node together with others.
func (v *salvager) gather(id int64, frames ...greywatt.Frame) error {
	v.rows[id] = append(v.rows[id], frames...)
	if len(v.rows[id]) < scanRows {
		return nil
	}
	return v.flush(id)
}

func (v *salvager) flush(id int64) error {
	frames := v.rows[id]
	if len(frames) == 0 {
		return nil
	}
	sortFrames(frames)
	err := v.keep(batch{nodeKey: v.name(id), frames: frames})
	v.rows[id] = frames[:0]
	return err
}

// salvagedDwelling is where readings go whose dwelling's name is lost.
const salvagedDwelling = "salvaged"

func (v *salvager) name(id int64) nodeKey {
	k, ok := v.names[id]
	if !ok {
		k = nodeKey{salvagedDwelling, fmt.Sprintf("node-%d", id)}
		v.names[id] = k
		v.damage = append(v.damage, &ingest.CorruptError{File: v.path, Dwelling: k.dwelling, Node: k.node, Err: errors.New("the names of this node are gone")})
	}
	return k
}

func (v *salvager) keep(b batch) error {
	v.to.mu.Lock()
	defer v.to.mu.Unlock()
	counts, err := v.to.appendBatches(v.ctx, []*batch{&b})
	v.counts.Add(counts)
	return err
}

func (s *Store) framesOf(k nodeKey) int64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	if n := s.nodes[k]; n != nil {
		return n.frames
	}
	return 0
}

// report says what is lost: blocks that the index lists, damaged cells, and
// nodes that have fewer frames than their row says.
func (v *salvager) report(bad int) {
	lost := make(map[int64]int64) // frames, by node
	for _, id := range slices.Sorted(maps.Keys(v.listed)) {
		if b := v.listed[id]; !v.saved[id] {
			k := v.name(b.node)
			lost[b.node] += int64(b.ref.frames)
			v.damage = append(v.damage, &ingest.CorruptError{File: v.path, Dwelling: k.dwelling, Node: k.node, From: b.ref.first, To: b.ref.last, Err: b.err})
		}
	}
	for _, id := range slices.Sorted(maps.Keys(v.stated)) {
		k := v.name(id)
		got := v.to.framesOf(k)
		if missing := v.stated[id] - got - lost[id]; missing > 0 {
			v.damage = append(v.damage, &ingest.CorruptError{File: v.path, Dwelling: k.dwelling, Node: k.node, Err: fmt.Errorf("of its %d frames %d more are gone", v.stated[id], missing)})
		}
	}
	if bad > 0 {
		v.damage = append(v.damage, &ingest.CorruptError{File: v.path, Err: fmt.Errorf("%d entries make no sense", bad)})
	}
	slices.SortStableFunc(v.damage, func(a, b *ingest.CorruptError) int {
		return cmp.Or(cmp.Compare(a.Dwelling, b.Dwelling), cmp.Compare(a.Node, b.Node), cmp.Compare(a.From, b.From))
	})
}
