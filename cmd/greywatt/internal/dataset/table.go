package dataset

import (
	"cmp"
	"slices"
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
	rows        []row
}

// A row is a table's row, whose it is, and its place in time where it has one.
type row struct {
	dwelling string
	at       greywatt.Instant
	cells    string // joined by separator
}

// separator is a character that no cell holds.
const separator = "\x1f"

func newTable[R any](name, description string, key []string, columns []column[R]) *table {
	t := &table{name: name, description: description, key: key}
	for i := range columns {
		t.fields = append(t.fields, columns[i].field())
	}
	return t
}

// add appends a row made from r.
func add[R any](t *table, columns []column[R], dwelling string, at greywatt.Instant, r R) {
	var cells strings.Builder
	for i := range columns {
		if i > 0 {
			cells.WriteString(separator)
		}
		cells.WriteString(strings.ReplaceAll(columns[i].cell(r), separator, " "))
	}
	t.rows = append(t.rows, row{dwelling, at, cells.String()})
}

// sort puts the rows in the order of time, those of one instant in the order
// of their cells.
func (t *table) sort() {
	slices.SortFunc(t.rows, func(a, b row) int {
		return cmp.Or(cmp.Compare(a.at, b.at), cmp.Compare(a.cells, b.cells))
	})
}

// each calls f with the cells of each row, in a slice that it reuses.
func (t *table) each(f func(cells []string) error) error {
	cells := make([]string, len(t.fields))
	for _, r := range t.rows {
		rest := r.cells
		for i := range cells {
			cells[i], rest, _ = strings.Cut(rest, separator)
		}
		if err := f(cells); err != nil {
			return err
		}
	}
	return nil
}
