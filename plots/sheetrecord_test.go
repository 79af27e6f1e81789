package plots

import (
	"bytes"
	"fmt"
	"io"
	"strings"
	"testing"
)

// wholeSheet is one with both pages.
func wholeSheet() Sheet {
	s := sheet()
	s.Handover = []HandoverRow{
		{"The unit is upright, and fixed top and bottom", "yes", ""},
		{"The preheated pipe is labelled and insulated all the way", "no", "the last metre in the cupboard is bare"},
		{"The cold feed has a shut-off valve", "not seen", ""},
		{"The resident knows how and when to clean", "", ""},
	}
	s.Sections = []SheetSection{
		{"Sensors", []string{"waste-in: offset +0.12 K, ± 0.30 K", "flow: scale 1.02, ± 3.0 %"}},
		{"Journal", []string{"2 March 2026: unit cleaned, by kim"}},
		{"Remarks", nil},
	}
	s.Signatures = []Signature{{Role: "Engineer", Name: "Kim", Date: "2 March 2026", Strokes: [][][2]float64{{{0, 0.5}, {0.5, 0.2}, {1, 0.9}}}}, {Role: "Resident"}}
	return s
}

// Every answer and every item of the record is on the sheet, and a PDF has two
// pages of A4.
func TestSheetHasItsRecord(t *testing.T) {
	var pdf bytes.Buffer
	p := readSVG(t, render(t, func(w io.Writer, o Output) error { return Write(w, o, wholeSheet()) }, Output{}))
	text := p.words()
	for _, want := range []string{"Handover (common practice of the trade", "not seen", "yes / no", "the last metre in the", "waste-in: offset +0.12 K, ± 0.30 K", "unit cleaned, by kim", "Kim, 2 March 2026"} {
		if !strings.Contains(text, want) {
			t.Errorf("the sheet does not say %q:\n%s", want, text)
		}
	}
	if strings.Contains(text, "Remarks") {
		t.Error("a section without items is there")
	}
	if p.h != 2*sheetHeight {
		t.Error("the second page is not below the first")
	}
	if err := Write(&pdf, Output{Format: PDF}, wholeSheet()); err != nil {
		t.Fatal(err)
	}
	if n := bytes.Count(pdf.Bytes(), []byte("/Type /Page\n")); n != 2 {
		t.Errorf("%d pages, want 2", n)
	}
	pdf.Reset()
	if err := Write(&pdf, Output{Format: PDF}, sheet()); err != nil || bytes.Count(pdf.Bytes(), []byte("/Type /Page\n")) != 1 {
		t.Errorf("a sheet without a record: %v", err)
	}
}

// A record far too long for the page is set smaller and stays above the footer.
func TestLongRecord(t *testing.T) {
	s := wholeSheet()
	for i := range 60 {
		s.Sections[1].Items = append(s.Sections[1].Items, fmt.Sprintf("entry %d of a long journal, with a remark of some words", i))
	}
	p := readSVG(t, render(t, func(w io.Writer, o Output) error { return Write(w, o, s) }, Output{}))
	if text := p.words(); !strings.Contains(text, "entry 59 of") {
		t.Error("the last entry is lost")
	}
}
