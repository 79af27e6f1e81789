package plots

import (
	"fmt"
	"io"
	"math"
	"strings"
)

// A Document is text, figures, tables and charts on as many A4 pages as they take.
// It is PDF only: the other formats have no pages.
type Document struct {
	Title   string
	Subject string // a sentence on what it says
	Footer  string // on each page, with its number
	Blocks  []Block
}

// A Block is a part of a document: a [DocHeading], [DocText], [DocKeys], [DocTable],
// [DocChart] or [DocBreak].
type Block interface{ place(l *layout) }

// A DocHeading is a heading of level 1, 2 or 3.
type DocHeading struct {
	Level int
	Text  string
}

// A DocText is a paragraph. Small is for notes.
type DocText struct {
	Text  string
	Small bool
}

// A DocKeys is figures side by side.
type DocKeys []DocKey

// A DocKey is a figure with its name above and what belongs to it below.
type DocKey struct{ Label, Value, Note string }

// A DocTable is a table; its head is repeated on each page.
type DocTable struct {
	Caption string
	Head    []string
	Right   []bool // columns whose text stands at the right; may be shorter than Head
	Rows    [][]string
}

// A DocChart is a chart over the width of the page, of a width of 720 px and the
// given height before it is scaled to it.
type DocChart struct {
	Chart  Chart
	Height int // px; at most 960
}

// A DocBreak begins a new page.
type DocBreak struct{}

// An embedded chart paints all of a canvas, without a picture of its own.
type embedded interface{ paintIn(c *canvas) }

func (d DistributionChart) paintIn(c *canvas) { d.withDefaults().paint(c, c.bounds()) }
func (s SeasonChart) paintIn(c *canvas)       { s.sorted().paint(c, c.bounds()) }
func (t TrendChart) paintIn(c *canvas)        { t.withDefaults().paint(c, c.bounds()) }

const (
	docMargin  = 45.0
	chartWidth = 720.0 // px, for which charts are made
)

func (d Document) write(w io.Writer, o Output) error {
	if o.Format != PDF {
		return fmt.Errorf("plots: a document has pages: its format is pdf, not %q", o.Format)
	}
	o.Width, o.Height, o.Dark = sheetWidth, sheetHeight, false
	m := meta{title: d.Title, description: d.Subject}
	return o.paint(w, "a document", [2]int{sheetWidth, sheetHeight}, m, func(c *canvas) {
		l := &layout{canvas: c, body: c.bounds().inset(docMargin), footer: d.Footer, fresh: true}
		l.body.y1 -= 16
		l.y = l.body.y0
		for i, b := range d.Blocks {
			if h, ok := b.(DocHeading); ok && i+1 < len(d.Blocks) {
				l.keep(h.height(l) + 120) // a heading goes with what it is of
			}
			b.place(l)
		}
		l.foot()
	})
}

// A layout puts blocks one below the other.
type layout struct {
	*canvas
	body   box
	y      float64 // lower edge of what stands
	page   int
	fresh  bool // nothing stands on the page
	footer string
}

// foot ends a page.
func (l *layout) foot() {
	l.page++
	st := style{size: 8, color: l.theme.soft}
	l.text(point{l.body.x0, l.h - 30}, st.fit(l.footer, l.body.width()-40), st)
	st.align = 1
	l.text(point{l.body.x1, l.h - 30}, fmt.Sprint(l.page), st)
}

// turn begins a new page.
func (l *layout) turn() {
	l.foot()
	if p, ok := l.pen.(*pdf); ok {
		p.doc.AddPage()
	}
	l.rect(l.bounds(), l.theme.paper)
	l.y, l.fresh = l.body.y0, true
}

// keep begins a new page where fewer than px are left on this one.
func (l *layout) keep(px float64) {
	if l.y+px > l.body.y1 && !l.fresh {
		l.turn()
	}
}

// down moves the lower edge; at the top of a page nothing is left free.
func (l *layout) down(px float64) { l.y, l.fresh = l.y+px, false }

func (l *layout) space(px float64) {
	if !l.fresh {
		l.y += px
	}
}

// lines writes a text, line by line, over pages.
func (l *layout) paragraph(text string, st style, x, width float64) {
	step := 1.35 * st.size
	for _, line := range st.wrap(text, width, 1000) {
		l.keep(step)
		l.down(step)
		l.text(point{x, l.y - 0.3*st.size}, line, st)
	}
}

func (h DocHeading) style(l *layout) style {
	return style{size: [...]float64{20, 14, 11}[min(max(h.Level, 1), 3)-1], bold: true, color: l.theme.ink}
}

func (h DocHeading) height(l *layout) float64 { return 1.9 * h.style(l).size }

func (h DocHeading) place(l *layout) {
	st := h.style(l)
	l.space(0.7 * st.size)
	l.paragraph(h.Text, st, l.body.x0, l.body.width())
	l.down(0.25 * st.size)
}

func (t DocText) place(l *layout) {
	st := style{size: 10, color: l.theme.ink}
	if t.Small {
		st.size, st.color = 8.5, l.theme.soft
	}
	l.paragraph(t.Text, st, l.body.x0, l.body.width())
	l.down(0.45 * st.size)
}

func (DocBreak) place(l *layout) {
	if !l.fresh {
		l.turn()
	}
}

func (k DocKeys) place(l *layout) {
	const columns = 3
	label, note := style{size: 8.5, color: l.theme.soft}, style{size: 8, color: l.theme.soft}
	width := l.body.width() / columns
	hair := stroke{color: l.theme.hair, width: 0.8}
	for i := 0; i < len(k); i += columns {
		row := k[i:min(i+columns, len(k))]
		height := 0.0
		for _, f := range row {
			height = math.Max(height, 38+10*float64(len(note.wrap(f.Note, width-16, 3))))
		}
		l.keep(height + 2)
		top := l.y
		for j, f := range row {
			b := box{l.body.x0 + float64(j)*width, top, l.body.x0 + float64(j+1)*width, top + height}
			l.lines(hair, []point{{b.x0, b.y0}, {b.x1, b.y0}, {b.x1, b.y1}, {b.x0, b.y1}, {b.x0, b.y0}})
			l.text(point{b.x0 + 8, top + 13}, label.fit(f.Label, width-16), label)
			value := style{size: 14, bold: true, color: l.theme.ink}
			for value.size > 8 && value.measure(f.Value) > width-16 {
				value.size -= 0.5
			}
			l.text(point{b.x0 + 8, top + 29}, value.fit(f.Value, width-16), value)
			for n, line := range note.wrap(f.Note, width-16, 3) {
				l.text(point{b.x0 + 8, top + 40 + 10*float64(n)}, line, note)
			}
		}
		l.down(height)
	}
	l.down(8)
}

func (d DocChart) place(l *layout) {
	zoom := l.body.width() / chartWidth
	height := float64(min(d.Height, 960)) * zoom
	l.space(6)
	l.keep(height)
	if p, ok := d.Chart.(embedded); ok {
		p.paintIn(l.part(box{l.body.x0, l.y, l.body.x1, l.y + height}, zoom))
	}
	l.down(height + 8)
}

func (t DocTable) place(l *layout) {
	body, head := style{size: 8, color: l.theme.ink}, style{size: 8, color: l.theme.soft}
	widths := t.widths(l.body.width(), head)
	if t.Caption != "" {
		caption := style{size: 8.5, color: l.theme.soft}
		l.keep(11.5*float64(len(caption.wrap(t.Caption, l.body.width(), 1000))) + 60)
		l.paragraph(t.Caption, caption, l.body.x0, l.body.width())
		l.down(3)
	}
	height := t.row(l, t.Head, widths, head, false)
	l.keep(height + 24)
	t.header(l, widths, head)
	for _, cells := range t.Rows {
		height := t.row(l, cells, widths, body, false)
		if l.y+height > l.body.y1 {
			l.turn()
			t.header(l, widths, head)
		}
		t.row(l, cells, widths, body, true)
		l.hline(stroke{color: l.theme.hair, width: 0.5}, l.body.x0, l.body.x0+sum(widths), l.y)
	}
	l.down(8)
}

func (t DocTable) header(l *layout, widths []float64, st style) {
	t.row(l, t.Head, widths, st, true)
	l.hline(stroke{color: l.theme.ink, width: 0.8}, l.body.x0, l.body.x0+sum(widths), l.y)
}

const cellPad = 4.0

// widths shares the page among the columns: each has what its longest cell wants,
// and where that is too much the widest give way.
func (t DocTable) widths(page float64, st style) []float64 {
	want := make([]float64, len(t.Head))
	measure := func(cells []string) {
		for i, c := range cells[:min(len(cells), len(want))] {
			want[i] = math.Max(want[i], st.measure(c)+2*cellPad)
		}
	}
	for i, h := range t.Head { // a head may break between words
		for _, word := range strings.Fields(h) {
			want[i] = math.Max(want[i], st.measure(word)+2*cellPad)
		}
	}
	for _, r := range t.Rows {
		measure(r)
	}
	for range 200 {
		over := sum(want) - page
		if over <= 0 {
			break
		}
		widest := 0
		for i := range want {
			if want[i] > want[widest] {
				widest = i
			}
		}
		want[widest] -= math.Min(over, 0.1*want[widest])
	}
	return want
}

// row writes a row, or only measures it, and returns its height.
func (t DocTable) row(l *layout, cells []string, widths []float64, st style, write bool) float64 {
	step := 1.25 * st.size
	most := 1
	for i, c := range cells[:min(len(cells), len(widths))] {
		most = max(most, len(st.wrap(c, widths[i]-2*cellPad+0.5, 20)))
	}
	height := step*float64(most) + 4
	if !write {
		return height
	}
	x := l.body.x0
	for i, c := range cells[:min(len(cells), len(widths))] {
		for n, line := range st.wrap(c, widths[i]-2*cellPad+0.5, 20) {
			at, cell := point{x + cellPad, l.y + step*float64(n+1) - 0.5}, st
			if i == 0 {
				at.x = x
			}
			if i < len(t.Right) && t.Right[i] {
				at.x, cell.align = x+widths[i]-cellPad, 1
			}
			l.text(at, line, cell)
		}
		x += widths[i]
	}
	l.down(height)
	return height
}

func sum(x []float64) float64 {
	var s float64
	for _, v := range x {
		s += v
	}
	return s
}
