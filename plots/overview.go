package plots

import (
	"fmt"
	"io"
	"math"
	"slices"
	"time"

	"greywatt/analysis/finding"
	"greywatt/plots/wording"
)

// OverviewMost is how many dwellings one overview shows.
const OverviewMost = 60

// An OverviewChart is a study at a glance: a small trend of each dwelling, all
// on the same axes, the worst first: those with a fault found, the undecided, the
// others, and in each group the lowest latest UA ratio first. Dwellings without
// events come last.
type OverviewChart struct {
	Study     string
	Dwellings []TrendChart // in any order; their Threshold and Location give way to those below
	Threshold float64      // UA ratio; 0 or NaN: none drawn
	Location  *time.Location
	First     int // index, worst being 0, of the first dwelling to show: 60 for the second page
}

// Sizes of the overview's panels, px.
const (
	panelWidth  = 150 // at least
	panelHeight = 104
	panelGap    = 14
	panelHead   = 30 // name and finding
)

// OverviewHeight returns the height, in px, that an overview of n dwellings
// wants at the given width.
func OverviewHeight(width, n int) int {
	n = min(max(n, 1), OverviewMost)
	w := float64(width)
	cols := overviewColumns(w-2*margin(w), n)
	rows := (n + cols - 1) / cols
	return int(2*margin(w)) + 62 + rows*(panelHeight+panelGap) + 22
}

func overviewColumns(width float64, n int) int {
	return min(max(int((width-34+panelGap)/(panelWidth+panelGap)), 1), n)
}

// write writes a study at a glance. A zero Height takes [OverviewHeight].
func (v OverviewChart) write(w io.Writer, o Output) error {
	v = v.withDefaults()
	shown := v.shown()
	if o.Width == 0 {
		o.Width = 1200
	}
	if o.Height == 0 {
		o.Height = OverviewHeight(o.Width, len(shown))
	}
	least := [2]int{320, OverviewHeight(o.Width, len(shown)) * 3 / 4}
	m := meta{title: v.title(), description: v.summary(shown)}
	return o.paint(w, "an overview of "+wording.Count(len(shown), "dwelling"), least, m, func(c *canvas) {
		v.paint(c, c.bounds().inset(margin(c.w)), shown)
	})
}

func (v OverviewChart) withDefaults() OverviewChart {
	if v.Location == nil {
		v.Location = time.UTC
	}
	v.Dwellings = slices.Clone(v.Dwellings)
	for i, t := range v.Dwellings {
		t.Location, t.Threshold = v.Location, v.Threshold
		v.Dwellings[i] = t.withDefaults()
	}
	if !(v.Threshold > 0) {
		v.Threshold = math.NaN()
	}
	slices.SortStableFunc(v.Dwellings, func(a, b TrendChart) int {
		return worse(a.strongest(), b.strongest(), a.level(), b.level())
	})
	return v
}

func (v OverviewChart) shown() []TrendChart {
	first := min(max(v.First, 0), len(v.Dwellings))
	return v.Dwellings[first:min(first+OverviewMost, len(v.Dwellings))]
}

func (v OverviewChart) title() string {
	name := v.Study
	if name == "" {
		name = "Study"
	}
	return name + ": every dwelling, worst first"
}

func (v OverviewChart) summary(shown []TrendChart) string {
	s := v.extent(shown) + "."
	for _, t := range shown[:min(5, len(shown))] {
		s += " " + t.Name + " " + t.levelWords() + "."
	}
	return s
}

// levelWords writes the latest level with the u95 of the trend there, that which
// all events share included.
func (t TrendChart) levelWords() string {
	u := math.NaN()
	if i := t.latestFit(); i >= 0 {
		q := t.Points[i]
		u = (q.FitHi - q.FitLo) / 2
		if lo, hi, ok := t.sharedInterval(i); ok {
			u = (hi - lo) / 2
		}
	}
	return plusMinus(t.level(), u, 2)
}

// strongest returns the code of the strongest finding, empty without one.
func (t TrendChart) strongest() finding.Code {
	if len(t.Findings) == 0 {
		return ""
	}
	return t.Findings[0].Code
}

// extent says which dwellings and which days are shown.
func (v OverviewChart) extent(shown []TrendChart) string {
	if len(shown) == 0 {
		return "no dwelling"
	}
	s := wording.Count(len(v.Dwellings), "dwelling")
	if len(shown) < len(v.Dwellings) {
		first := min(max(v.First, 0), len(v.Dwellings))
		s = fmt.Sprintf("%d to %d of %s", first+1, first+len(shown), s)
	}
	for _, t := range v.Dwellings {
		if len(t.Points) > 0 {
			from, to := trendSpan(v.Dwellings)
			return s + ", " + dates(from, to.Add(-1), v.Location)
		}
	}
	return s
}

func (v OverviewChart) paint(c *canvas, b box, shown []TrendChart) {
	note := "UA of each event, measured / rated, with the trend; figure: latest level"
	if finite(v.Threshold) {
		note += "; dashed: threshold " + fixed(v.Threshold, 2) + ", this project's choice"
	}
	y := c.heading(b, v.title(), v.extent(shown), note) + 10
	if len(shown) == 0 {
		return
	}
	const ticks = 34.0
	cols := overviewColumns(b.width(), len(shown))
	rows := (len(shown) + cols - 1) / cols
	width := (b.width() - ticks - panelGap*float64(cols-1)) / float64(cols)
	height := (b.y1 - y - 22) / float64(rows)
	from, to := trendSpan(v.Dwellings)
	scale := trendScale(v.Dwellings)
	for i, t := range shown {
		col, row := i%cols, i/cols
		x := b.x0 + ticks + float64(col)*(width+panelGap)
		top := y + float64(row)*height
		p := box{x, top + panelHead, x + width, top + height - panelGap}
		xs := axis{0, to.Sub(from), p.x0, p.x1}
		ys := scale.on(p.y1, p.y0)

		t.head(c, box{x, top, x + width, p.y0})
		small := style{size: 10, color: c.theme.soft, align: 1}
		for _, k := range numberTicks(ys.lo, ys.hi, int(math.Max(3, p.height()/30))) {
			c.hline(stroke{color: c.theme.hair, width: 0.7}, p.x0, p.x1, ys.px(k.at))
			if col == 0 {
				c.text(point{p.x0 - 5, ys.px(k.at) + 3.5}, k.label, small)
			}
		}
		c.levels(p, ys, v.Threshold)
		for _, m := range t.marks(from, to) {
			c.vline(m.line(c.theme), xs.px(m.at.Sub(from)), p.y0, p.y1)
		}
		t.series(c, p, xs, ys, from, true)
		c.hline(stroke{color: c.theme.soft, width: 0.8}, p.x0, p.x1, p.y1)
		if i+cols >= len(shown) {
			c.smallDates(p, xs, dateTicks(from, to, v.Location, max(1, int(width/52))), small)
		}
	}
}

// head writes a panel's name and level, and its finding under them.
func (t TrendChart) head(c *canvas, b box) {
	bold := style{size: 12, bold: true, color: c.theme.ink}
	level := t.levelWords()
	w := bold.measure(level)
	c.text(point{b.x1 - w, b.y0 + 12}, level, bold)
	c.text(point{b.x0, b.y0 + 12}, bold.fit(t.Name, b.width()-w-8), bold)
	words, ink := "no finding", c.theme.soft
	if len(t.Findings) > 0 {
		f := t.Findings[0]
		words = wording.Plain(f.Code)
		if f.Code != finding.Healthy && f.Code != finding.Undecided {
			ink = c.theme.bad
			if f.Since != 0 {
				words += " since " + f.Since.Time().In(t.Location).Format("2 Jan")
			}
		}
		if more := len(t.Findings) - 1; more > 0 {
			words += fmt.Sprintf(", %d more", more)
		}
	}
	st := style{size: 10.5, color: ink}
	c.text(point{b.x0, b.y0 + 25}, st.fit(words, b.width()), st)
}

func (c *canvas) smallDates(p box, xs axis, ts []tick, st style) {
	st.align = 0.5
	end := math.Inf(-1)
	for _, t := range ts {
		w := st.measure(t.label)
		x := math.Min(math.Max(xs.px(t.at), p.x0+w/2), p.x1-w/2)
		c.vline(stroke{color: c.theme.soft, width: 0.8}, xs.px(t.at), p.y1, p.y1+3)
		if x-w/2 > end+4 {
			c.text(point{x, p.y1 + 14}, t.label, st)
			end = x + w/2
		}
	}
}
