package plots

import (
	"fmt"
	"io"
	"math"
	"slices"

	"greywatt/plots/wording"
)

// A Sheet is the page left on site after a commissioning check: A4, on paper
// always dark on white. Texts are the caller's; empty ones are left out.
type Sheet struct {
	Title      string      // "Commissioning check, larch-04"
	Facts      [][2]string // label and value, in two columns: place, date, unit, connection
	Outcome    Outcome
	Verdict    string // one or two sentences: what was found
	Rows       []SheetRow
	Chart      *EventChart // the run that was judged; nil: none
	Checks     []string    // what to look at, first things first
	Cautions   []string
	Signatures []Signature
	Footer     string // where the figures come from

	// The second page, left out where it has nothing: what the handover found, and
	// the record behind the figures.
	Handover []HandoverRow
	Sections []SheetSection
	Photos   []Photo // on a third page, at most twelve

	checksGone, cautionsGone int // items that had no room
}

// A HandoverRow is one check of a handover.
type HandoverRow struct {
	Check  string
	Answer string // "yes", "no", "not seen"; empty: a box to fill in on paper
	Remark string
}

// A SheetSection is a titled list of the second page.
type SheetSection struct {
	Title string
	Items []string
}

// A Signature is who signs: a name that was typed, and the strokes of a finger on
// the screen, both empty where it is signed on paper. The strokes' points are
// shares of the signature's width and height.
type Signature struct {
	Role, Name, Date string
	Strokes          [][][2]float64
}

// An Outcome is the verdict of a commissioning check.
type Outcome string

// The outcomes.
const (
	Pass       Outcome = "pass"
	Fail       Outcome = "fail"
	CannotTell Outcome = "cannot tell"
)

// A SheetRow is one line of the sheet's table. A Measured of NaN is shown as
// not known, a Rated of NaN as a dash; a U95 of NaN or 0 shows the value alone.
type SheetRow struct {
	Quantity    string
	Measured    float64
	MeasuredU95 float64
	Rated       float64
	RatedU95    float64
	Unit        string
	Remark      string
}

// A4 in points.
const (
	sheetWidth  = 595
	sheetHeight = 842
)

// write writes the pages. A zero size is A4 upright, a px to the point; other
// sizes, of a page, must have room for it. Formats without pages have each page
// below the one before.
func (s Sheet) write(w io.Writer, o Output) error {
	if o.Width == 0 && o.Height == 0 {
		o.Width, o.Height = sheetWidth, sheetHeight
	}
	o.Dark = false
	m := meta{title: s.Title, description: s.Verdict}
	page := o.Height
	var more []func(*canvas, box)
	if s.second() {
		more = append(more, s.paintSecond)
	}
	if len(s.Photos) > 0 {
		more = append(more, s.paintPhotos)
	}
	if o.Format != PDF {
		o.Height *= 1 + len(more)
	}
	return o.paint(w, "a commissioning sheet", [2]int{sheetWidth, sheetHeight}, m, func(c *canvas) {
		b := box{0, 0, c.w, float64(page)}
		s.paint(c, b.inset(42))
		for _, next := range more {
			if p, ok := c.pen.(*pdf); ok {
				p.doc.AddPage()
				c.rect(b, c.theme.paper)
			} else {
				b.y0, b.y1 = b.y1, b.y1+float64(page)
			}
			next(c, b.inset(42))
		}
	})
}

func (s *Sheet) paint(c *canvas, b box) {
	body := style{size: 10, color: c.theme.ink}
	top := s.head(c, b, body)
	top = s.verdict(c, box{b.x0, top, b.x1, b.y1}, body)
	top = s.table(c, box{b.x0, top, b.x1, b.y1}, body)

	// From the foot up: signatures, then the two lists, and the chart takes
	// what is left. Lists too long are set smaller, then end early and say so.
	foot := s.foot(c, b)
	most := foot - top - 24
	list := body
	for list.size > 7 && s.lists(c, box{b.x0, 0, b.x1, foot}, list, false) > most {
		list.size -= 0.5
	}
	for s.lists(c, box{b.x0, 0, b.x1, foot}, list, false) > most && s.shorten() {
	}
	lists := s.lists(c, box{b.x0, 0, b.x1, foot}, list, false)
	s.lists(c, box{b.x0, foot - lists, b.x1, foot}, list, true)
	if s.Chart == nil {
		return
	}
	room := box{b.x0, top + 8, b.x1, foot - lists - 10}
	if room.height() < 200 {
		c.text(point{b.x0, room.y0 + 8}, "The chart of the run did not fit on this page.", body)
		return
	}
	part := c.part(room, 0.76) // its text as small as the page's
	s.Chart.withDefaults().paint(part, part.bounds(), false)
}

// head writes title and facts and returns the lower edge.
func (s Sheet) head(c *canvas, b box, body style) float64 {
	y := c.heading(b, s.Title) + 8
	c.hline(stroke{color: c.theme.ink, width: 1.2}, b.x0, b.x1, y)
	label := style{size: body.size, color: c.theme.soft}
	half := b.width() / 2
	labels := 0.0
	for _, f := range s.Facts {
		labels = math.Max(labels, label.measure(f[0]))
	}
	labels = math.Min(labels, half*0.4) + 10
	y += 2
	for i := 0; i < len(s.Facts); i += 2 {
		tallest := 0
		for j, f := range s.Facts[i:min(i+2, len(s.Facts))] {
			x := b.x0 + float64(j)*half
			c.text(point{x, y + 14}, label.fit(f[0], labels-6), label)
			lines := body.wrap(f[1], half-labels-10, 3)
			for k, l := range lines {
				c.text(point{x + labels, y + 14 + 12*float64(k)}, l, body)
			}
			tallest = max(tallest, len(lines)-1)
		}
		y += 14 + 12*float64(tallest)
	}
	return y + 8
}

// verdict writes the outcome large beside what it means.
func (s Sheet) verdict(c *canvas, b box, body style) float64 {
	if s.Outcome == "" && s.Verdict == "" {
		return b.y0
	}
	ink := map[Outcome]stroke{
		Pass: {color: c.theme.good, width: 5},
		Fail: {color: c.theme.bad, width: 5},
	}[s.Outcome]
	if ink.width == 0 {
		ink = stroke{color: c.theme.soft, width: 5, dash: []float64{4, 2}}
	}
	big := style{size: 19, bold: true, color: ink.color}
	text := style{size: 11, color: c.theme.ink}
	left := b.x0 + 14
	word := wording.Sentence(wording.Plain(s.Outcome))
	if n := len(word); n > 0 {
		word = word[:n-1]
	}
	beside := left + big.measure(word) + 18
	lines := text.wrap(s.Verdict, b.x1-beside, 4)
	height := math.Max(30, 15*float64(len(lines))+6)
	c.vline(ink, b.x0+3, b.y0+6, b.y0+6+height)
	c.text(point{left, b.y0 + 6 + 21}, word, big)
	for i, l := range lines {
		c.text(point{beside, b.y0 + 6 + 15 + 15*float64(i)}, l, text)
	}
	return b.y0 + height + 16
}

// table writes measured against rated.
func (s Sheet) table(c *canvas, b box, body style) float64 {
	if len(s.Rows) == 0 {
		return b.y0
	}
	head := style{size: 9.5, color: c.theme.soft}
	w := b.width()
	cols := []float64{b.x0, b.x0 + 0.32*w, b.x0 + 0.54*w, b.x0 + 0.74*w}
	y := b.y0 + 12
	for i, t := range []string{"", "measured", "rated or expected", "remark"} {
		c.text(point{cols[i], y}, t, head)
	}
	y += 5
	c.hline(stroke{color: c.theme.soft, width: 0.8}, b.x0, b.x1, y)
	bold := body
	bold.bold = true
	for _, r := range s.Rows {
		y += 14
		c.text(point{cols[0], y}, body.fit(r.Quantity, cols[1]-cols[0]-8), body)
		c.text(point{cols[1], y}, bold.fit(withUnit(plusMinus(r.Measured, r.MeasuredU95, 2), r.Unit), cols[2]-cols[1]-8), bold)
		rated := withUnit(plusMinus(r.Rated, r.RatedU95, 2), r.Unit)
		if !finite(r.Rated) {
			rated = "–"
		}
		c.text(point{cols[2], y}, body.fit(rated, cols[3]-cols[2]-8), body)
		remark := style{size: 9, color: c.theme.ink}
		for k, l := range remark.wrap(r.Remark, b.x1-cols[3], 3) {
			if k > 0 {
				y += 11
			}
			c.text(point{cols[3], y}, l, remark)
		}
		y += 4
		c.hline(stroke{color: c.theme.hair, width: 0.7}, b.x0, b.x1, y)
	}
	y += 12
	c.text(point{b.x0, y}, u95Note, style{size: 8.5, color: c.theme.soft})
	return y
}

// lists writes checks and cautions side by side, or only measures them, and
// returns their height.
func (s Sheet) lists(c *canvas, b box, body style, write bool) float64 {
	half := b.width()/2 - 10
	tallest := 0.0
	for i, list := range []struct {
		title string
		items []string
	}{{"What to check", s.Checks}, {"Cautions", s.Cautions}} {
		if len(list.items) == 0 {
			continue
		}
		x := b.x0 + float64(i)*(half+20)
		y := b.y0 + 12
		if write {
			c.text(point{x, y}, list.title, style{size: 11, bold: true, color: c.theme.ink})
		}
		for _, item := range list.items {
			for k, line := range body.wrap(item, half-12, 20) {
				y += 1.3 * body.size
				if !write {
					continue
				}
				if k == 0 {
					c.dots([]point{{x + 3, y - 3.4}}, 1.6, c.theme.soft)
				}
				c.text(point{x + 12, y}, line, body)
			}
			y += 2
		}
		tallest = math.Max(tallest, y-b.y0)
	}
	return tallest
}

// shorten takes the last item off the longer list, leaving a note of how many
// went, and reports whether there was one to take.
func (s *Sheet) shorten() bool {
	list, gone := &s.Checks, &s.checksGone
	if len(s.Cautions) > len(s.Checks) {
		list, gone = &s.Cautions, &s.cautionsGone
	}
	kept := len(*list)
	if *gone > 0 {
		kept-- // the note
	}
	if kept < 1 {
		return false
	}
	*gone++
	*list = append(slices.Clone((*list)[:kept-1]), fmt.Sprintf("%d more had no room on this page.", *gone))
	return true
}

// foot writes signature lines and footer, and returns the upper edge.
func (s Sheet) foot(c *canvas, b box) float64 {
	y := b.y1
	small := style{size: 8.5, color: c.theme.soft}
	lines := small.wrap(s.Footer, b.width(), 3)
	for i := range lines {
		c.text(point{b.x0, y - 11*float64(len(lines)-1-i)}, lines[i], small)
	}
	y -= 11*float64(len(lines)) + 4
	if n := len(s.Signatures); n > 0 {
		width := (b.width() - 20*float64(n-1)) / float64(n)
		y -= 14
		for i, who := range s.Signatures {
			x := b.x0 + float64(i)*(width+20)
			c.hline(stroke{color: c.theme.ink, width: 0.8}, x, x+width, y)
			c.text(point{x, y + 11}, small.fit(who.Role+": name, date, signature", width), small)
			if who.Name != "" {
				name := style{size: 10, color: c.theme.ink}
				c.text(point{x, y - 4}, name.fit(who.Name+", "+who.Date, width*0.55), name)
			}
			who.sign(c, box{x + 0.58*width, y - 34, x + width, y - 2})
		}
		y -= 38
	}
	return y
}
