package plots

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"

	"greywatt/analysis/finding"
	"greywatt/plots/wording"
)

// A DistributionRow is one dwelling's median ratio with its interval.
type DistributionRow struct {
	Name           string
	Median, Lo, Hi float64 // NaN where not known
	Events         int
	Finding        finding.Code // its strongest; empty: none
}

// A DistributionChart is the spread of a ratio over a study's dwellings, a row
// each, in order of severity: those with a fault found, the undecided, the
// others, and in each group the lowest ratio first. Dwellings without a figure
// come last.
type DistributionChart struct {
	Title     string            // default "Measured against rated, dwelling by dwelling"
	Quantity  string            // what the axis shows; default "measured / expected effectiveness"
	Interval  string            // what the bars are; default "95 % interval of the median"
	Rows      []DistributionRow // in any order
	Threshold float64           // 0 or NaN: none drawn
	Summary   string            // default how many dwellings and their median
}

// Heights of a row of a distribution, px: the usual one, the least at which it
// can be named, and both on a phone, where the name stands above the bar.
const (
	distributionRow   = 17
	distributionNamed = 10
	distributionPhone = 28
	distributionAbove = 23
)

// DistributionHeight returns the height, in px, that a distribution of n rows
// wants at the given width.
func DistributionHeight(width, n int) int {
	row := distributionRow
	if w := float64(width); narrow(box{x1: w - 2*margin(w)}) {
		row = distributionPhone
	}
	return 150 + row*max(n, 1)
}

// write writes the spread over dwellings. A zero Height takes
// [DistributionHeight].
func (d DistributionChart) write(w io.Writer, o Output) error {
	d = d.withDefaults()
	if o.Width == 0 {
		o.Width = 720
	}
	if o.Height == 0 {
		o.Height = DistributionHeight(o.Width, len(d.Rows))
	}
	m := meta{title: d.Title, description: d.summary()}
	return o.paint(w, "a distribution", [2]int{320, 150 + 3*len(d.Rows)}, m, func(c *canvas) {
		d.paint(c, c.bounds().inset(margin(c.w)))
	})
}

// A severity orders dwellings, the worst first.
type severity int

const (
	faultFound severity = iota
	undecided
	nothingFound
)

func (s severity) String() string {
	return [...]string{"fault found", "undecided", "no fault"}[s]
}

// severityOf returns the severity of a dwelling's strongest finding.
func severityOf(c finding.Code) severity {
	switch c {
	case finding.Undecided:
		return undecided
	case finding.Healthy, "":
		return nothingFound
	}
	return faultFound
}

// worse orders dwellings by severity and then by level, the lowest first; those
// whose level is not known come last.
func worse(a, b finding.Code, la, lb float64) int {
	switch {
	case finite(la) != finite(lb):
		if finite(la) {
			return -1
		}
		return 1
	case !finite(la):
		return cmp.Compare(severityOf(a), severityOf(b))
	}
	return cmp.Or(cmp.Compare(severityOf(a), severityOf(b)), cmp.Compare(la, lb))
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
	slices.SortStableFunc(d.Rows, func(a, b DistributionRow) int { return worse(a.Finding, b.Finding, a.Median, b.Median) })
	return d
}

func (d DistributionChart) summary() string {
	if d.Summary != "" {
		return d.Summary
	}
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
	above := narrow(b) && row >= distributionAbove
	named := !narrow(b) && row >= distributionNamed
	name := style{size: math.Min(12, row), color: c.theme.ink}
	tail := style{size: math.Min(11, row), color: c.theme.soft}
	if above {
		name.size, tail.size = 12, 11
	}
	for _, r := range d.Rows {
		switch {
		case named:
			p.x0 = math.Max(p.x0, b.x0+math.Min(name.measure(r.Name), 0.2*b.width())+12)
			p.x1 = math.Min(p.x1, b.x1-math.Min(tail.measure(d.tail(r)), 0.35*b.width())-12)
		case !above:
			p.x0 = math.Max(p.x0, b.x0+small.measure(r.group())+10)
		}
	}
	p.x1 -= 4 // the last tick's label
	value := style{size: 10, color: c.theme.ink}
	xs, low, high := d.scale(p, value, named || above)
	for _, t := range numberTicks(xs.lo, xs.hi, int(math.Max(2, (xs.to-xs.from)/70))) {
		x := xs.px(t.at)
		c.vline(stroke{color: c.theme.hair, width: 0.8}, x, p.y0, p.y1)
		c.text(point{x, p.y1 + 14}, t.label, style{size: 11, color: c.theme.soft, align: 0.5})
	}
	c.hline(stroke{color: c.theme.soft, width: 1}, p.x0, p.x1, p.y1)
	if low {
		c.axisBreak(point{xs.from - 4, p.y1}, p.y0)
	}
	if high {
		c.axisBreak(point{xs.to + 4, p.y1}, p.y0)
	}
	note, from := d.Quantity+"; bar: "+d.Interval, p.x0
	if small.measure(note) > b.x1-from {
		from = b.x0 // under the names there is room
	}
	c.text(point{from, p.y1 + 30}, small.fit(note, b.x1-from), small)

	d.references(c, p, xs)
	for i, r := range d.Rows {
		y := p.y0 + (float64(i)+0.5)*row
		switch {
		case named:
			base := y + name.size*0.35
			c.text(point{b.x0, base}, name.fit(r.Name, p.x0-b.x0-12), name)
			c.text(point{p.x1 + 16, base}, tail.fit(d.tail(r), b.x1-p.x1-16), tail)
		case above:
			base := y - 1
			w := name.measure(r.Name)
			t := tail
			t.align = 1
			words := t.fit(d.tail(r), b.width()-math.Min(w, 0.4*b.width())-10)
			// Clear of the lines that run down the panel.
			c.rect(box{b.x1 - t.measure(words) - 3, base - 10, b.x1, base + 3}, c.theme.paper)
			c.rect(box{b.x0, base - 10, b.x0 + math.Min(w, 0.4*b.width()) + 3, base + 3}, c.theme.paper)
			c.text(point{b.x0, base}, name.fit(r.Name, 0.4*b.width()), name)
			c.text(point{b.x1, base}, words, t)
			y += 0.5*row - 7
		}
		d.dot(c, r, p, xs, y, math.Min(3.5, row*0.3))
		if v := d.values(r); (named || above) && r.beyond(xs) != 0 {
			c.edgeValue(p, xs, r.beyond(xs), y, v, value)
		}
	}
	if !named && !above {
		d.groups(c, b, p, row, small)
		d.edgeValues(c, p, xs, row, value)
	}
}

// values writes a row's ratio with its u95.
func (d DistributionChart) values(r DistributionRow) string {
	return plusMinus(r.Median, (r.Hi-r.Lo)/2, 2)
}

// tail is what stands behind a row.
func (d DistributionChart) tail(r DistributionRow) string {
	s := wording.Count(r.Events, "event")
	if r.Finding != "" {
		s = wording.Plain(r.Finding) + ", " + s
	}
	if finite(r.Median) {
		s = d.values(r) + ", " + s
	}
	return s
}

// beyond returns -1 where a row's ratio lies below the scale, 1 above it, else 0.
func (r DistributionRow) beyond(xs axis) int {
	switch {
	case r.Median < xs.lo:
		return -1
	case r.Median > xs.hi:
		return 1
	}
	return 0
}

// fences returns the ratios between which the scale lies: three interquartile
// ranges beyond the quartiles (J. W. Tukey, Exploratory Data Analysis, 1977,
// calls what is further out far out), at least 0.1 beyond them, and never
// within the middle four fifths of the rows; no fences for fewer than eight.
func (d DistributionChart) fences() (lo, hi float64) {
	var vs []float64
	for _, r := range d.Rows {
		if finite(r.Median) {
			vs = append(vs, r.Median)
		}
	}
	n := len(vs)
	if n < 8 {
		return 0, 2
	}
	slices.Sort(vs)
	q1, q3 := vs[n/4], vs[n-1-n/4]
	reach := math.Max(3*(q3-q1), 0.1)
	return math.Min(q1-reach, vs[n/10]), math.Max(q3+reach, vs[n-1-n/10])
}

// scale spans the rows within the fences with their intervals, the rated level
// and the threshold. Where a row lies beyond, an edge of the panel is kept for
// its value, and low or high is true.
func (d DistributionChart) scale(p box, value style, each bool) (xs axis, low, high bool) {
	least, greatest := d.fences()
	lo, hi := 0.95, 1.05
	for _, r := range d.Rows {
		if !finite(r.Median) {
			continue
		}
		if r.Median < least || r.Median > greatest {
			continue
		}
		for _, v := range []float64{r.Median, r.Lo, r.Hi} {
			if finite(v) {
				lo, hi = math.Min(lo, math.Max(v, least)), math.Max(hi, math.Min(v, greatest))
			}
		}
	}
	if finite(d.Threshold) {
		lo = math.Min(lo, d.Threshold-0.02)
	}
	pad := 0.02 * (hi - lo)
	xs = axis{lo - pad, hi + pad, p.x0, p.x1}
	room := func(side int) float64 {
		w := 0.0
		for _, r := range d.edgeRuns(xs, side, each) {
			w = math.Max(w, value.measure(r.words)+16)
		}
		return w
	}
	below, above := room(-1), room(1)
	xs.from += below
	xs.to -= above
	return xs, below > 0, above > 0
}

// axisBreak marks a break of the value axis at a point of it, and parts the
// panel there.
func (c *canvas) axisBreak(at point, top float64) {
	s := stroke{color: c.theme.soft, width: 1.2}
	c.lines(s, []point{{at.x - 4, at.y + 4}, {at.x, at.y - 4}}, []point{{at.x, at.y + 4}, {at.x + 4, at.y - 4}})
	c.vline(stroke{color: c.theme.soft, width: 0.8, dash: []float64{1.5, 3}}, at.x, top, at.y)
}

// edgeValue writes the value of what lies beyond the scale beside its wedge at
// the panel's edge.
func (c *canvas) edgeValue(p box, xs axis, side int, y float64, s string, st style) {
	base := y + st.size*0.35
	if side < 0 {
		c.text(point{p.x0 + 9, base}, st.fit(s, xs.from-p.x0-15), st)
		return
	}
	st.align = 1
	c.text(point{p.x1 - 9, base}, st.fit(s, p.x1-xs.to-15), st)
}

// An edgeRun is consecutive rows beyond the scale and what is written of them.
type edgeRun struct {
	first, end int
	words      string
}

// edgeRuns returns the rows beyond the scale on one side: each, or where rows
// are too low for a text each, run by run.
func (d DistributionChart) edgeRuns(xs axis, side int, each bool) []edgeRun {
	var out []edgeRun
	for i := 0; i < len(d.Rows); {
		first := i
		for i < len(d.Rows) && d.Rows[i].beyond(xs) == side && !(each && i > first) {
			i++
		}
		if i == first {
			i++
			continue
		}
		s := d.values(d.Rows[first])
		if n := i - first; n > 1 {
			s = fmt.Sprintf("%d: %s to %s", n, fixed(d.Rows[first].Median, 2), fixed(d.Rows[i-1].Median, 2))
		}
		out = append(out, edgeRun{first, i, s})
	}
	return out
}

// edgeValues writes the values beyond the scale, rows being row px high.
func (d DistributionChart) edgeValues(c *canvas, p box, xs axis, row float64, st style) {
	for _, side := range []int{-1, 1} {
		runs := d.edgeRuns(xs, side, false)
		ys := make([]float64, len(runs))
		for i, r := range runs {
			ys[i] = p.y0 + row*float64(r.first+r.end)/2
		}
		for i, y := range spread(ys, st.size+2, p.y0+st.size/2, p.y1-st.size/2) {
			c.edgeValue(p, xs, side, y, runs[i].words, st)
		}
	}
}

// group names the group that a row belongs to.
func (r DistributionRow) group() string {
	if !finite(r.Median) {
		return "no figure"
	}
	return severityOf(r.Finding).String()
}

// groups names the groups of severity beside rows too low for names of their
// own, and parts them.
func (d DistributionChart) groups(c *canvas, b, p box, row float64, st style) {
	var ys []float64
	var words []string
	for i := 0; i < len(d.Rows); {
		first, group := i, d.Rows[i].group()
		for i < len(d.Rows) && d.Rows[i].group() == group {
			i++
		}
		if first > 0 {
			c.hline(stroke{color: c.theme.hair, width: 0.8}, b.x0, p.x1, p.y0+row*float64(first))
		}
		ys, words = append(ys, p.y0+row*float64(first+i)/2, p.y0+row*float64(first+i)/2+12), append(words, group, fmt.Sprint(i-first))
	}
	for k, y := range spread(ys, st.size+1, p.y0+st.size/2, p.y1-st.size/2) {
		c.text(point{b.x0, y + st.size*0.35}, words[k], st)
	}
}

// references paints the rated level and the threshold, named above the rows.
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

// dot paints a row's median and interval, or a wedge at the edge of p where the
// median lies beyond the scale.
func (d DistributionChart) dot(c *canvas, r DistributionRow, p box, xs axis, y, radius float64) {
	if !finite(r.Median) {
		if radius >= 3 {
			c.text(point{xs.from + 4, y + 3.5}, "no figure", style{size: 10, color: c.theme.soft})
		}
		return
	}
	ink := c.theme.point
	if r.Median < d.Threshold {
		ink = c.theme.bad
	}
	h := math.Min(radius, 3)
	switch r.beyond(xs) {
	case -1:
		c.area(ink, []point{{p.x0, y}, {p.x0 + 5, y - h}, {p.x0 + 5, y + h}})
		return
	case 1:
		c.area(ink, []point{{p.x1, y}, {p.x1 - 5, y - h}, {p.x1 - 5, y + h}})
		return
	}
	cut := func(v float64) float64 { return math.Min(math.Max(xs.px(v), xs.from), xs.to) }
	if finite(r.Lo) && finite(r.Hi) {
		c.hline(stroke{color: over(ink, c.theme.paper, 0.55), width: math.Max(1, radius*0.6)}, cut(r.Lo), cut(r.Hi), y)
	}
	c.dots([]point{{cut(r.Median), y}}, radius, ink)
}
