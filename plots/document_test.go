package plots

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
)

func longDocument(rows int) Document {
	table := DocTable{Caption: "Every dwelling", Head: []string{"Dwelling", "Measured / expected", "Finding"}, Right: []bool{false, true}}
	for i := range rows {
		table.Rows = append(table.Rows, []string{fmt.Sprintf("Home %03d", i), "0.981 ± 0.030", strings.Repeat("a finding with many words ", i%4)})
	}
	return Document{Title: "A study", Subject: "what it says", Footer: "A study", Blocks: []Block{
		DocHeading{1, "A study"}, DocText{Text: strings.Repeat("A sentence of some length. ", 30)},
		DocKeys{{"Ratio", "0.98 ± 0.02", "median"}, {"Heat", "1234567890.12 ± 345.67 kWh", "a value too long for its cell"}},
		DocChart{DistributionChart{Rows: []DistributionRow{{Name: "Home 1", Median: 0.9, Lo: 0.8, Hi: 1}}}, 300},
		DocHeading{2, "Every dwelling"}, table, DocBreak{}, DocBreak{}, DocText{Text: "end", Small: true},
	}}
}

func pagesOf(t *testing.T, d Document) ([]byte, int) {
	t.Helper()
	var b bytes.Buffer
	if err := Write(&b, Output{Format: PDF}, d); err != nil {
		t.Fatal(err)
	}
	return b.Bytes(), bytes.Count(b.Bytes(), []byte("/Type /Page\n"))
}

// A document takes the pages that it needs, no empty one among them, and is the same
// for the same content.
func TestDocument(t *testing.T) {
	first, short := pagesOf(t, longDocument(5))
	if again, _ := pagesOf(t, longDocument(5)); !bytes.Equal(first, again) {
		t.Error("the same document gave other bytes")
	}
	// a page with the table, and one after the break, which two breaks do not leave empty
	if short != 2 {
		t.Errorf("%d pages, want 2", short)
	}
	if _, long := pagesOf(t, longDocument(200)); long < 5 || long > 8 {
		t.Errorf("%d pages for 200 rows", long)
	}
	for _, format := range []Format{SVG, PNG} {
		if err := Write(&bytes.Buffer{}, Output{Format: format}, longDocument(1)); err == nil {
			t.Errorf("a document as %s", format)
		}
	}
}

// Columns share the page; the widest give way.
func TestDocTableWidths(t *testing.T) {
	st := style{size: 8}
	table := DocTable{Head: []string{"a", "b"}, Rows: [][]string{{"short", strings.Repeat("long ", 100)}}}
	w := table.widths(400, st)
	if s := w[0] + w[1]; s > 400.01 || w[0] < st.measure("short") || w[1] < 300 {
		t.Errorf("widths %.1f of 400", w)
	}
}
