package dataset

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"errors"
	"iter"
	"slices"
	"sort"
	"strings"

	"greywatt"
)

// A table is what goes into one CSV file. Its rows are held as text, so that
// what they were made from need not be kept.
type table struct {
	name        string // of the resource; the file is name.csv
	description string
	key         []string // the columns that identify a row
	fields      []field
	rows        rows
	text        *spool               // the rows' cells
	dwellings   []string             // whose rows there are
	line        []byte               // for add
	edit        func(cells []string) // of each row as it is written; nil: none
}

// A row is a table's row: its place in time where it has one, whose it is, and
// its cells, joined by separator.
type row struct {
	at       greywatt.Instant
	head     uint64 // the first of the cells' bytes, which order as they do
	cells    int64  // where they are in the spool
	length   int32
	dwelling int32
}

// rows are in blocks, so that as they grow in number none is copied.
type rows struct{ blocks [][]row }

const rowsPerBlock = 4096

func (rs *rows) add(r row) {
	last := len(rs.blocks) - 1
	if last < 0 || len(rs.blocks[last]) == rowsPerBlock {
		rs.blocks = append(rs.blocks, make([]row, 0, rowsPerBlock))
		last++
	}
	rs.blocks[last] = append(rs.blocks[last], r)
}

func (rs *rows) len() int {
	last := len(rs.blocks) - 1
	if last < 0 {
		return 0
	}
	return last*rowsPerBlock + len(rs.blocks[last])
}

func (rs *rows) at(i int) *row { return &rs.blocks[i/rowsPerBlock][i%rowsPerBlock] }

// all yields the rows, which may be changed.
func (rs *rows) all() iter.Seq[*row] {
	return func(yield func(*row) bool) {
		for i := range rs.len() {
			if !yield(rs.at(i)) {
				return
			}
		}
	}
}

// drop leaves out the rows that are so.
func (rs *rows) drop(so func(*row) bool) {
	var left rows
	for r := range rs.all() {
		if !so(r) {
			left.add(*r)
		}
	}
	*rs = left
}

// ordered sorts rows in place.
type ordered struct {
	*rows
	compare func(a, b *row) int
}

func (o ordered) Len() int           { return o.len() }
func (o ordered) Less(i, j int) bool { return o.compare(o.at(i), o.at(j)) < 0 }
func (o ordered) Swap(i, j int)      { *o.at(i), *o.at(j) = *o.at(j), *o.at(i) }

// separator is a character that no cell holds.
const separator = "\x1f"

func newTable[R any](text *spool, name, description string, key []string, columns []column[R]) *table {
	t := &table{name: name, description: description, key: key, text: text}
	for i := range columns {
		t.fields = append(t.fields, columns[i].field())
	}
	return t
}

// add appends a row made from r.
func add[R any](t *table, columns []column[R], dwelling string, at greywatt.Instant, r R) error {
	t.line = t.line[:0]
	for i := range columns {
		if i > 0 {
			t.line = append(t.line, separator...)
		}
		t.line = append(t.line, strings.ReplaceAll(columns[i].cell(r), separator, " ")...)
	}
	where, err := t.text.add(t.line)
	if err != nil {
		return err
	}
	var head [8]byte
	copy(head[:], t.line)
	t.rows.add(row{at, binary.BigEndian.Uint64(head[:]), where, int32(len(t.line)), t.whose(dwelling)})
	return nil
}

// whose returns the number of a dwelling, whose rows come one after the other.
func (t *table) whose(dwelling string) int32 {
	i := len(t.dwellings) - 1
	if i < 0 || t.dwellings[i] != dwelling {
		if i = slices.Index(t.dwellings, dwelling); i < 0 {
			i = len(t.dwellings)
			t.dwellings = append(t.dwellings, dwelling)
		}
	}
	return int32(i)
}

// dwelling returns whose a row is.
func (t *table) dwelling(r *row) string { return t.dwellings[r.dwelling] }

// sort puts the rows in the order of time, those of one instant in the order of
// their cells.
func (t *table) sort() error {
	return t.sortBy(func(a, b *row) int { return 0 })
}

// sortByDwelling does the same for the rows of each dwelling.
func (t *table) sortByDwelling() error {
	return t.sortBy(func(a, b *row) int { return cmp.Compare(t.dwelling(a), t.dwelling(b)) })
}

func (t *table) sortBy(first func(a, b *row) int) (err error) {
	var bufs [2][]byte
	cells := func(r *row, buf *[]byte) []byte {
		text, e := t.text.cells(r.cells, int(r.length), buf)
		err = errors.Join(err, e)
		return text
	}
	sort.Sort(ordered{&t.rows, func(a, b *row) int {
		by := cmp.Or(first(a, b), cmp.Compare(a.at, b.at), cmp.Compare(a.head, b.head))
		if by != 0 || err != nil {
			return by
		}
		return bytes.Compare(cells(a, &bufs[0]), cells(b, &bufs[1]))
	}})
	return err
}

// each calls f with the cells of each row, in a slice that it reuses.
func (t *table) each(f func(cells []string) error) error {
	cells := make([]string, len(t.fields))
	var buf []byte
	for r := range t.rows.all() {
		text, err := t.text.cells(r.cells, int(r.length), &buf)
		if err != nil {
			return err
		}
		rest := string(text)
		for i := range cells {
			cells[i], rest, _ = strings.Cut(rest, separator)
		}
		if t.edit != nil {
			t.edit(cells)
		}
		if err := f(cells); err != nil {
			return err
		}
	}
	return nil
}
