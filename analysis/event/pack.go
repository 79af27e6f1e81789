package event

import (
	"math"
	"slices"

	"greywatt"
	"greywatt/analysis/uncert"
	"greywatt/analysis/wire"
)

// A budgetRow remembers an input's uncertainty: most are the same from one budget
// and event to the next.
type budgetRow struct {
	name string
	u    float64
}

// A packer holds the tables to which packed events refer.
type packer struct {
	kinds       []Kind
	connections []greywatt.Connection
	flags       []Flag
	rows        []budgetRow
}

// What of a budget's row is written.
const (
	rowHasValue        = 1 << iota // it is not 0
	rowHasU                        // it differs from that of the input's row before
	rowHasSensitivity              // it is not 0
	rowHasContribution             // it is not sensitivity times uncertainty
	rowHasShare                    // it is not 0
)

// Pack writes events of one dwelling with their budgets, lossless. Models and the
// dwelling's id are not in it.
func Pack(w *wire.Writer, events []Event) {
	var p packer
	w.Count(len(events))
	for i := range events {
		e := &events[i]
		w.At(e.Start)
		w.At(e.End)
		index(w, &p.kinds, e.Kind, func(k Kind) { w.String(string(k)) })
		index(w, &p.connections, e.Connection, func(c greywatt.Connection) { w.Byte(byte(c)) })
		w.Count(len(e.Flags))
		for _, f := range e.Flags {
			index(w, &p.flags, f, func(f Flag) { w.String(string(f)) })
		}
		packNumbers(w, e.numbers())
		w.Count(len(e.Steady))
		for _, s := range e.Steady {
			w.At(s.From)
			w.At(s.To)
		}
		w.Count(len(e.Parts))
		for k := range e.Parts {
			q := &e.Parts[k]
			w.At(q.Span.From)
			w.At(q.Span.To)
			w.Bool(q.Overlap)
			packNumbers(w, q.numbers())
		}
		for _, b := range e.Budgets.all() {
			p.budget(w, b)
		}
	}
}

// Unpack reads events of a dwelling that Pack wrote. On an error of r they are of
// no use.
func Unpack(r *wire.Reader, dwelling string) []Event {
	var p packer
	n := r.Count(16)
	events := make([]Event, 0, min(n, 1024))
	for range n {
		e := Event{Dwelling: dwelling, Start: r.At(), End: r.At()}
		e.ID = eventID(dwelling, e.Start)
		e.Kind = lookUp(r, &p.kinds, func() Kind { return Kind(r.String()) })
		e.Connection = lookUp(r, &p.connections, func() greywatt.Connection { return greywatt.Connection(r.Byte()) })
		if k := r.Count(1); k > 0 {
			e.Flags = make([]Flag, k)
		}
		for k := range e.Flags {
			e.Flags[k] = lookUp(r, &p.flags, func() Flag { return Flag(r.String()) })
		}
		unpackNumbers(r, e.numbers())
		if k := r.Count(2); k > 0 {
			e.Steady = make([]Span, k)
		}
		for k := range e.Steady {
			e.Steady[k] = Span{r.At(), r.At()}
		}
		if k := r.Count(11); k > 0 {
			e.Parts = make([]Part, k)
		}
		for k := range e.Parts {
			q := &e.Parts[k]
			q.Span = Span{r.At(), r.At()}
			q.Overlap = r.Bool()
			unpackNumbers(r, q.numbers())
		}
		for _, b := range e.Budgets.all() {
			p.takeBudget(r, b)
		}
		if r.Err() != nil {
			return nil
		}
		events = append(events, e)
	}
	return events
}

func (b *Budgets) all() [5]*uncert.Budget {
	return [5]*uncert.Budget{&b.Heat, &b.Effectiveness, &b.Whole, &b.Ratio, &b.UA}
}

func (p *packer) budget(w *wire.Writer, b *uncert.Budget) {
	if len(b.Rows) == 0 {
		w.Count(0)
		packNumbers(w, []*float64{&b.Value, &b.U})
		return
	}
	w.Count(len(b.Rows))
	packNumbers(w, []*float64{&b.Value, &b.U})
	for i := range b.Rows {
		row := &b.Rows[i]
		k := p.row(w, row.Name)
		was := &p.rows[k]
		fields := [...]struct {
			v     float64
			plain bool
		}{
			{row.Value, sameBits(row.Value, 0)},
			{row.U, sameBits(row.U, was.u)},
			{row.Sensitivity, sameBits(row.Sensitivity, 0)},
			{row.Contribution, sameBits(row.Contribution, row.Sensitivity*row.U)},
			{row.Share, sameBits(row.Share, 0)},
		}
		var has byte
		for bit, f := range fields {
			if !f.plain {
				has |= 1 << bit
			}
		}
		w.Byte(has)
		for _, f := range fields {
			if !f.plain {
				w.Float(f.v)
			}
		}
		was.u = row.U
	}
}

func (p *packer) takeBudget(r *wire.Reader, b *uncert.Budget) {
	n := r.Count(2)
	unpackNumbers(r, []*float64{&b.Value, &b.U})
	if n == 0 {
		return
	}
	b.Rows = make([]uncert.Row, n)
	for i := range b.Rows {
		k := p.takeRow(r)
		if r.Err() != nil {
			return
		}
		row, was := &b.Rows[i], &p.rows[k]
		row.Name, row.U = was.name, was.u
		has := r.Byte()
		if has&rowHasValue != 0 {
			row.Value = r.Float()
		}
		if has&rowHasU != 0 {
			row.U = r.Float()
		}
		if has&rowHasSensitivity != 0 {
			row.Sensitivity = r.Float()
		}
		row.Contribution = row.Sensitivity * row.U
		if has&rowHasContribution != 0 {
			row.Contribution = r.Float()
		}
		if has&rowHasShare != 0 {
			row.Share = r.Float()
		}
		was.u = row.U
	}
}

// sameBits tells numbers by their bits: 0 has a sign.
func sameBits(a, b float64) bool { return math.Float64bits(a) == math.Float64bits(b) }

func (p *packer) row(w *wire.Writer, name string) int {
	k := slices.IndexFunc(p.rows, func(r budgetRow) bool { return r.name == name })
	if k < 0 {
		k = len(p.rows)
		w.Count(k)
		w.String(name)
		p.rows = append(p.rows, budgetRow{name: name})
		return k
	}
	w.Count(k)
	return k
}

func (p *packer) takeRow(r *wire.Reader) int {
	k := r.Index(len(p.rows) + 1)
	if k == len(p.rows) {
		p.rows = append(p.rows, budgetRow{name: r.String()})
	}
	return k
}

// index writes the place of v in a table, and v itself where the table, which then
// gets it, has not.
func index[T comparable](w *wire.Writer, table *[]T, v T, put func(T)) {
	i := slices.Index(*table, v)
	if i >= 0 {
		w.Count(i)
		return
	}
	w.Count(len(*table))
	put(v)
	*table = append(*table, v)
}

func lookUp[T comparable](r *wire.Reader, table *[]T, take func() T) T {
	i := r.Index(len(*table) + 1)
	if i == len(*table) {
		*table = append(*table, take())
	}
	return (*table)[i]
}

// packNumbers writes which of the numbers, 64 at most, are known and not 0, and
// those.
func packNumbers(w *wire.Writer, of []*float64) {
	var known, zero uint64
	for i, v := range of {
		switch {
		case math.IsNaN(*v):
		case sameBits(*v, 0):
			zero |= 1 << i
		default:
			known |= 1 << i
		}
	}
	w.Int(int64(known))
	w.Int(int64(zero))
	for i, v := range of {
		if known&(1<<i) != 0 {
			w.Float(*v)
		}
	}
}

func unpackNumbers(r *wire.Reader, of []*float64) {
	known, zero := uint64(r.Int()), uint64(r.Int())
	for i, v := range of {
		switch {
		case known&(1<<i) != 0:
			*v = r.Float()
		case zero&(1<<i) != 0:
			*v = 0
		default:
			*v = math.NaN()
		}
	}
}
