package cli

import (
	"io"
	"strings"
	"unicode/utf8"
)

// A Table is a table for people to read, its columns two blanks apart.
// A column whose heading begins with ">" stands to the right.
type Table struct {
	headings []string
	Rows     [][]string
}

func NewTable(headings ...string) *Table { return &Table{headings: headings} }

func (t *Table) Add(cells ...string) { t.Rows = append(t.Rows, cells) }

func (t *Table) Write(w io.Writer) error {
	right := make([]bool, len(t.headings))
	width := make([]int, len(t.headings))
	all := append([][]string{make([]string, len(t.headings))}, t.Rows...)
	for i, h := range t.headings {
		all[0][i], right[i] = strings.CutPrefix(h, ">")
	}
	for _, row := range all {
		for i, cell := range row {
			width[i] = max(width[i], utf8.RuneCountInString(cell))
		}
	}
	var text strings.Builder
	for _, row := range all {
		var line strings.Builder
		for i, cell := range row {
			if i > 0 {
				line.WriteString("  ")
			}
			pad := strings.Repeat(" ", width[i]-utf8.RuneCountInString(cell))
			if right[i] {
				line.WriteString(pad + cell)
			} else {
				line.WriteString(cell + pad)
			}
		}
		text.WriteString(strings.TrimRight(line.String(), " ") + "\n")
	}
	_, err := io.WriteString(w, text.String())
	return err
}
