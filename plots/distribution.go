package plots

import (
	"fmt"
	"io"
	"math"
	"slices"

	"greywatt/analysis"
	"greywatt/plots/wording"
)

// A DistributionRow is one dwelling's median ratio with its interval.
type DistributionRow struct {
	Name           string
	Median, Lo, Hi float64 // NaN where not known
	Events         int
	Finding        analysis.Code // its strongest; empty: none
}

// A DistributionChart is the spread of a ratio over a study's dwellings, a row
// each, the lowest on top.
type DistributionChart struct {
	Title     string            // default "Measured against rated, dwelling by dwelling"
	Quantity  string            // what the axis shows; default "measured / expected effectiveness"
	Interval  string            // what the bars are; default "95 % interval of the median"
	Rows      []DistributionRow // in any order
	Threshold float64           // 0 or NaN: none drawn
}

// Heights of a row of a distribution, px: the usual one, and the least at
// which it can be named.
const (
	distributionRow   = 17
	distributionNamed = 10
)

// DistributionHeight returns the height, in px, that a distribution of n rows
// wants.
func DistributionHeight(n int) int { return 150 + distributionRow*max(n, 1) }

// Distribution draws the spread over dwellings. A zero Height takes
// [DistributionHeight].
func Distribution(w io.Writer, o Output, d DistributionChart) error {
	d = d.withDefaults()
	if o.Width == 0 {
		o.Width = 720
	}
	if o.Height == 0 {
		o.Height = DistributionHeight(len(d.Rows))
	}
	m := meta{title: d.Title, description: d.summary()}
	return o.draw(w, "a distribution", [2]int{320, 150 + 3*len(d.Rows)}, m, func(c *canvas) {
		d.paint(c, c.bounds().inset(margin(c.w)))
	})
}

func (d DistributionChart) withDefaults() DistributionChart {
	if d.Title == "" {
		d.Title = "Measured against rated, dwelling by dwelling"
	}
	if d.Quantity == "" {
		d.Quantity = "measured / expected effectiveness"
	}
	if d.Interval == "" {
		d.Interval = "95 % interval of the median"
	}
	if !finite(d.Threshold) || d.Threshold <= 0 {
		d.Threshold = math.NaN()
	}
	d.Rows = slices.Clone(d.Rows)
	slices.SortStableFunc(d.Rows, func(a, b DistributionRow) int {
		switch {
		case a.Median < b.Median || finite(a.Median) && !finite(b.Median):
			return -1
		case b.Median < a.Median || finite(b.Median) && !finite(a.Median):
			return 1
		}
		return 0
	})
	return d
}

func (d DistributionChart) summary() string {
	var known []float64
	below := 0
	for _, r := range d.Rows {
		if finite(r.Median) {
			known = append(known, r.Median)
			if r.Median < d.Threshold {
				below++
			}
		}
	}
	if len(known) == 0 {
		return "No dwelling has a figure yet."
	}
	s := fmt.Sprintf("%s, median over dwellings %s", wording.Count(len(known), "dwelling"), fixed(median(known), 2))
	if finite(d.Threshold) {
		s += fmt.Sprintf(", %d below %s", below, fixed(d.Threshold, 2))
	}
	if silent := len(d.Rows) - len(known); silent > 0 {
		s += fmt.Sprintf(", %d more without a figure", silent)
	}
	return s + "."
}

func (d DistributionChart) paint(c *canvas, b box) {
	y := c.heading(b, d.Title, d.summary())
	small := style{size: 11, color: c.theme.soft}
	p := box{b.x0, y + 34, b.x1, b.y1 - 36}
	row := p.height() / math.Max(float64(len(d.Rows)), 1)
	name := style{size: math.Min(12, row), color: c.theme.ink}
	named := row >= distributionNamed
	for _, r := range d.Rows {
		if named {
			p.x0 = math.Max(p.x0, b.x0+math.Min(name.measure(r.Name), 0.3*b.width())+12)
			p.x1 = math.Min(p.x1, b.x1-math.Min(name.measure(d.tail(r)), 0.3*b.width())-12)
		}
	}
	xs := d.scale(p)
	for _, t := range numberTicks(xs.lo, xs.hi, int(p.width()/70)) {
		x := xs.px(t.at)
		c.vline(stroke{color: c.theme.hair, width: 0.8}, x, p.y0, p.y1)
		c.text(point{x, p.y1 + 14}, t.label, style{size: 11, color: c.theme.soft, align: 0.5})
	}
	c.hline(stroke{color: c.theme.soft, width: 1}, p.x0, p.x1, p.y1)
	note, from := d.Quantity+"; bar: "+d.Interval, p.x0
	if small.measure(note) > b.x1-from {
		from = b.x0 // under the names there is room
	}
	c.text(point{from, p.y1 + 30}, small.fit(note, b.x1-from), small)

	d.references(c, p, xs)
	for i, r := range d.Rows {
		y := p.y0 + (float64(i)+0.5)*row
		if named {
			base := y + name.size*0.35
			c.text(point{b.x0, base}, name.fit(r.Name, p.x0-b.x0-12), name)
			tail := style{size: math.Min(11, row), color: c.theme.soft}
			c.text(point{p.x1 + 12, base}, tail.fit(d.tail(r), b.x1-p.x1-12), tail)
		}
		d.dot(c, r, xs, y, math.Min(3.5, row*0.3))
	}
}

// tail is what stands behind a row.
func (d DistributionChart) tail(r DistributionRow) string {
	s := wording.Count(r.Events, "event")
	if r.Finding != "" {
		s = wording.Plain(r.Finding) + ", " + s
	}
	return s
}

// scale spans the intervals within 0 to 2, the rated level and the threshold.
func (d DistributionChart) scale(p box) axis {
	lo, hi := 0.95, 1.05
	for _, r := range d.Rows {
		for _, v := range []float64{r.Median, r.Lo, r.Hi} {
			if finite(v) {
				lo, hi = math.Min(lo, math.Max(v, 0)), math.Max(hi, math.Min(v, 2))
			}
		}
	}
	if finite(d.Threshold) {
		lo = math.Min(lo, d.Threshold-0.02)
	}
	pad := 0.03 * (hi - lo)
	return axis{lo - pad, hi + pad, p.x0, p.x1}
}

// references draws the rated level and the threshold, named above the rows.
func (d DistributionChart) references(c *canvas, p box, xs axis) {
	st := style{size: 11, color: c.theme.soft}
	type reference struct {
		at    float64
		label string
		look  stroke
	}
	refs := []reference{{1, "as rated", ratedLine(c.theme)}}
	if finite(d.Threshold) {
		refs = append(refs, reference{d.Threshold, "threshold " + fixed(d.Threshold, 2) + ", this project's choice", thresholdLine(c.theme)})
	}
	spans := make([][2]float64, len(refs))
	for i, r := range refs {
		w := st.measure(r.label)
		x := math.Min(math.Max(xs.px(r.at)-w/2, p.x0), p.x1-w)
		spans[i] = [2]float64{x, x + w}
	}
	for i, row := range rows(spans, 8, len(refs)) {
		y := p.y0 - 6 - 13*float64(row)
		c.vline(refs[i].look, xs.px(refs[i].at), y+3, p.y1)
		c.text(point{spans[i][0], y}, refs[i].label, st)
	}
}

// dot draws a row's median and interval; what the scale does not reach is cut.
func (d DistributionChart) dot(c *canvas, r DistributionRow, xs axis, y, radius float64) {
	if !finite(r.Median) {
		c.text(point{xs.from + 4, y + 3.5}, "no figure", style{size: math.Min(10, 3*radius), color: c.theme.soft})
		return
	}
	ink := c.theme.point
	if r.Median < d.Threshold {
		ink = c.theme.bad
	}
	cut := func(v float64) float64 { return math.Min(math.Max(xs.px(v), xs.from), xs.to) }
	if finite(r.Lo) && finite(r.Hi) {
		c.hline(stroke{color: over(ink, c.theme.paper, 0.55), width: math.Max(1, radius*0.6)}, cut(r.Lo), cut(r.Hi), y)
	}
	c.dots([]point{{cut(r.Median), y}}, radius, ink)
}
