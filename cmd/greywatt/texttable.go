package main

import (
	"io"
	"strings"
	"unicode/utf8"
)

// A textTable is a table for people to read, its columns two blanks apart.
// A column whose heading begins with ">" stands to the right.
type textTable struct {
	headings []string
	rows     [][]string
}

func newTextTable(headings ...string) *textTable { return &textTable{headings: headings} }

func (t *textTable) add(cells ...string) { t.rows = append(t.rows, cells) }

func (t *textTable) write(w io.Writer) error {
	right := make([]bool, len(t.headings))
	width := make([]int, len(t.headings))
	all := append([][]string{make([]string, len(t.headings))}, t.rows...)
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
