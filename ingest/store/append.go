package store

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"

	"greywatt"

	"zombiezen.com/go/sqlite"
)

// Counts says what became of readings.
type Counts struct {
	New       int // stored now
	Duplicate int // stored before with the same value
	Conflict  int // stored before with another value, which stays; see [Store.Conflicts]
}

// Add adds d to c.
func (c *Counts) Add(d Counts) {
	c.New += d.New
	c.Duplicate += d.Duplicate
	c.Conflict += d.Conflict
}

// Append stores readings and returns once they are on disk: all of them, or, on
// error, none. It may be given the same readings again and readings of any age
// in any order; of two values for one channel of one node at one instant the
// first stays. An error that wraps [ErrFull] calls for the same Append later.
// Values must be finite, channels known and instants after 1970.
//
// The price of a call is one flush to disk, so readings are better given by the
// thousand than one by one.
func (s *Store) Append(ctx context.Context, rs []greywatt.Reading) (Counts, error) {
	if len(rs) == 0 {
		return Counts{}, nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.pend.add(rs); err != nil {
		s.pend.reset()
		return Counts{}, fmt.Errorf("%s: %w", s.path, err)
	}
	defer s.pend.reset()
	var counts Counts
	err := s.write(ctx, func(c *sqlite.Conn) error {
		a := appender{s: s, c: c}
		for _, b := range s.pend.batches {
			if err := a.append(b); err != nil {
				return err
			}
		}
		counts = a.counts
		return nil
	})
	if err != nil {
		return Counts{}, err
	}
	return counts, nil
}

// pending sorts the readings of one Append into frames by node and time.
type pending struct {
	byNode  map[nodeKey]*batch
	batches []*batch
}

type batch struct {
	nodeKey
	frames []greywatt.Frame // two of one instant where readings repeat; in order of arrival then
	sorted bool
}

const maxInstant = greywatt.Instant(math.MaxInt64)

func (p *pending) add(rs []greywatt.Reading) error {
	if p.byNode == nil {
		p.byNode = make(map[nodeKey]*batch)
	}
	var b *batch
	for i := range rs {
		r := &rs[i]
		if r.Channel >= greywatt.NumChannels || r.At <= 0 || r.At == maxInstant || math.IsNaN(r.Value) || math.IsInf(r.Value, 0) || r.Dwelling == "" {
			return fmt.Errorf("reading %d of %d cannot be stored: dwelling %q, node %q, %s, instant %d, value %v: want a dwelling, a known channel, an instant after 1970 and a finite value",
				i+1, len(rs), r.Dwelling, r.Node, r.Channel, r.At, r.Value)
		}
		if b == nil || b.node != r.Node || b.dwelling != r.Dwelling {
			b = p.batch(nodeKey{r.Dwelling, r.Node})
		}
		n := len(b.frames)
		if n == 0 || b.frames[n-1].At != r.At || !math.IsNaN(b.frames[n-1].Value[r.Channel]) {
			b.sorted = b.sorted && (n == 0 || b.frames[n-1].At <= r.At)
			b.frames = append(b.frames, greywatt.Frame{At: r.At, Node: b.node, Value: greywatt.NoValues()})
			n++
		}
		b.frames[n-1].Value[r.Channel] = r.Value
	}
	for _, b := range p.batches {
		if !b.sorted {
			slices.SortStableFunc(b.frames, func(f, g greywatt.Frame) int { return cmp.Compare(f.At, g.At) })
		}
	}
	return nil
}

func (p *pending) batch(k nodeKey) *batch {
	b := p.byNode[k]
	if b == nil {
		b = &batch{nodeKey: k, sorted: true}
		p.byNode[k] = b
		p.batches = append(p.batches, b)
	}
	return b
}

func (p *pending) reset() { *p = pending{} }

// appender is one Append's work inside its transaction.
type appender struct {
	s      *Store
	c      *sqlite.Conn
	counts Counts
}

func (a *appender) append(b *batch) error {
	n, err := a.s.node(a.c, b.nodeKey)
	if err != nil {
		return err
	}
	before := *n
	for i := range b.frames {
		if err := a.row(n, &b.frames[i]); err != nil {
			return err
		}
	}
	if *n == before {
		return nil
	}
	return run(a.c, "UPDATE node SET frames = ?, readings = ?, first_us = ?, last_us = ? WHERE id = ?",
		n.frames, n.readings, n.first, n.last, n.id)
}

const (
	insertFrame = "INSERT INTO frame VALUES (?,?,?,?,?,?,?,?,?) ON CONFLICT DO NOTHING"
	selectFrame = "SELECT waste_in, waste_out, cold_in, preheat_out, flow, ambient, waste_flow FROM frame WHERE node = ? AND at_us = ?"
	updateFrame = "UPDATE frame SET waste_in = ?3, waste_out = ?4, cold_in = ?5, preheat_out = ?6, flow = ?7, ambient = ?8, waste_flow = ?9 WHERE node = ?1 AND at_us = ?2"
)

// row stores one frame as a row, or adds to the row of that instant.
func (a *appender) row(n *node, f *greywatt.Frame) error {
	ins, err := a.c.Prepare(insertFrame)
	if err != nil {
		return err
	}
	bindFrame(ins, n.id, f)
	if _, err := ins.Step(); err != nil {
		return err
	}
	if a.c.Changes() == 1 {
		fresh := present(&f.Value)
		a.counts.New += fresh
		n.grew(f.At, 1, fresh)
		return nil
	}
	sel, err := a.c.Prepare(selectFrame)
	if err != nil {
		return err
	}
	sel.BindInt64(1, n.id)
	sel.BindInt64(2, int64(f.At))
	if _, err := sel.Step(); err != nil {
		return err
	}
	have := greywatt.Frame{At: f.At}
	readValues(sel, 0, &have.Value)
	if err := sel.Reset(); err != nil {
		return err
	}
	fresh, err := a.take(n, f.At, &have.Value, &f.Value)
	if err != nil || fresh == 0 {
		return err
	}
	upd, err := a.c.Prepare(updateFrame)
	if err != nil {
		return err
	}
	bindFrame(upd, n.id, &have)
	n.grew(f.At, 0, fresh)
	_, err = upd.Step()
	return err
}

// take adds to have what in brings that have lacks, leaves in with just that,
// and returns how many values it was. The rest are duplicates and conflicts.
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
		}
		in[ch] = math.NaN()
	}
	a.counts.New += fresh
	return fresh, nil
}

func (n *node) grew(at greywatt.Instant, frames, readings int) {
	if n.frames == 0 {
		n.first, n.last = at, at
	}
	n.first, n.last = min(n.first, at), max(n.last, at)
	n.frames += int64(frames)
	n.readings += int64(readings)
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

func present(v *greywatt.Values) (n int) {
	for _, x := range v {
		if !math.IsNaN(x) {
			n++
		}
	}
	return n
}

// rowScale is the step of values stored as integers: 0.0001 °C or l/s. It holds
// every decimal of up to four digits and, as 0.0625 = 625 · 0.0001, the
// sixteenths of common digital sensors.
const rowScale = 1e4

func bindFrame(stmt *sqlite.Stmt, node int64, f *greywatt.Frame) {
	stmt.BindInt64(1, node)
	stmt.BindInt64(2, int64(f.At))
	for i, v := range f.Value {
		k := math.RoundToEven(v * rowScale)
		switch {
		case v != v:
			stmt.BindNull(3 + i)
		case math.Float64bits(k/rowScale) == math.Float64bits(v) && math.Abs(k) < 1<<53:
			stmt.BindInt64(3+i, int64(k))
		default:
			stmt.BindFloat(3+i, v)
		}
	}
}

func readValues(r *sqlite.Stmt, col int, v *greywatt.Values) {
	for i := range v {
		switch r.ColumnType(col + i) {
		case sqlite.TypeNull:
			v[i] = math.NaN()
		case sqlite.TypeInteger:
			v[i] = float64(r.ColumnInt64(col+i)) / rowScale
		default:
			v[i] = r.ColumnFloat(col + i)
		}
	}
}
