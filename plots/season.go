package plots

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"greywatt/plots/wording"
)

// A SeasonMonth is a month's effectiveness, measured and expected at its own
// flows and temperatures. A figure that is not known is NaN; u95 are expanded,
// k = 2.
type SeasonMonth struct {
	Year        int
	Month       time.Month
	Events      int
	MainsC      float64 // °C, mean
	Measured    float64
	MeasuredU95 float64
	Expected    float64
	ExpectedU95 float64
}

// A SeasonChart is the effectiveness of a dwelling or a study by month and mains
// temperature, measured against expected: a fall in winter is seen to be
// expected or not.
type SeasonChart struct {
	Name   string        // of the dwelling or the study
	Months []SeasonMonth // in any order
}

func (s SeasonChart) write(w io.Writer, o Output) error {
	s = s.sorted()
	m := meta{title: s.title(), description: s.summary()}
	return o.paint(w, "a season chart", [2]int{320, 320}, m, func(c *canvas) {
		s.paint(c, c.bounds().inset(margin(c.w)))
	})
}

func (s SeasonChart) sorted() SeasonChart {
	s.Months = slices.Clone(s.Months)
	slices.SortStableFunc(s.Months, func(a, b SeasonMonth) int { return a.index() - b.index() })
	return s
}

// index counts months.
func (m SeasonMonth) index() int { return 12*m.Year + int(m.Month) - 1 }

func (s SeasonChart) title() string {
	return strings.TrimPrefix(s.Name+": effectiveness by month, measured and expected", ": ")
}

// summary says whether measured and expected agree, month by month.
func (s SeasonChart) summary() string {
	n, below := 0, 0
	var coldest, warmest *SeasonMonth
	for i := range s.Months {
		m := &s.Months[i]
		if !finite(m.Measured) || !finite(m.Expected) {
			continue
		}
		n++
		if m.Expected-m.Measured > math.Hypot(m.MeasuredU95, m.ExpectedU95) {
			below++
		}
		if finite(m.MainsC) && (coldest == nil || m.MainsC < coldest.MainsC) {
			coldest = m
		}
		if finite(m.MainsC) && (warmest == nil || m.MainsC > warmest.MainsC) {
			warmest = m
		}
	}
	if n == 0 {
		return "No month has both figures yet."
	}
	text := fmt.Sprintf("Below expected by more than the u95 of the difference in %d of %s.", below, wording.Count(n, "month"))
	if coldest != nil && coldest != warmest {
		text += fmt.Sprintf(" From %s to %s of mains water measured %s to %s, expected %s to %s.",
			withUnit(fixed(coldest.MainsC, 1), "°C"), withUnit(fixed(warmest.MainsC, 1), "°C"),
			fixed(coldest.Measured, 3), fixed(warmest.Measured, 3), fixed(coldest.Expected, 3), fixed(warmest.Expected, 3))
	}
	return text
}

func (s SeasonChart) paint(c *canvas, b box) {
	y := c.heading(b, s.title(), s.summary())
	small := narrow(b)
	soft := style{size: 11, color: c.theme.soft}
	text := style{size: 12, color: c.theme.ink}
	if small {
		text.size = 11
	}
	head := soft.wrap("effectiveness; bars and boxes: u95, k = 2", b.width(), 2)
	y += 22
	for i, line := range head {
		c.text(point{b.x0, y + captionStep*float64(i)}, line, soft)
	}
	y += captionStep*float64(len(head)-1) + 12

	ys := s.scale()
	labels := []lineLabel{{name: "measured", line: measuredLine(c.theme)}, {name: "expected", line: expectedLine(c.theme)}}
	left := b.x0 + text.measure("0.00") + 6
	right := b.x1 - labelColumn(labels, text, small)
	p := box{left, y, right, b.y1 - 22}
	byMains := p
	if !small { // beside it, the same against the mains temperature
		byMains.x0 = left + 0.68*(right-left)
		p.x1 = byMains.x0 - 46
	}
	mains := box{p.x0, p.y1 - math.Min(0.2*p.height(), 64), p.x1, p.y1}
	p.y1 = mains.y0 - 24
	byMains.y1 -= 14
	if len(s.Months) == 0 {
		return
	}

	first, last := s.Months[0].index(), s.Months[len(s.Months)-1].index()
	xs := axis{float64(first) - 0.6, float64(last) + 0.6, p.x0, p.x1}
	on := ys.on(p.y1, p.y0)
	c.frame(p, on, numberTicks(on.lo, on.hi, int(math.Max(2, p.height()/40))), text)
	ends := s.marks(c, on, func(m SeasonMonth) float64 { return xs.px(float64(m.index())) })
	s.mains(c, mains, xs, text)
	s.monthAxis(c, mains, xs, first, last)
	if !small {
		on = ys.on(byMains.y1, byMains.y0)
		c.frame(byMains, on, numberTicks(on.lo, on.hi, int(math.Max(2, byMains.height()/40))), text)
		ends = s.byMains(c, byMains, on, soft)
		p = byMains
	}
	for i := range labels {
		labels[i].at = clampY([]point{{p.x1, ends[i]}}, p)[0]
	}
	c.lineLabels(p, labels, text, small)
}

func measuredLine(th theme) stroke { return stroke{color: th.point, width: 2} }
func expectedLine(th theme) stroke { return stroke{color: th.fit, width: 1.6} }

// scale spans the figures with their u95.
func (s SeasonChart) scale() axis {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, m := range s.Months {
		for _, v := range [][2]float64{{m.Measured, m.MeasuredU95}, {m.Expected, m.ExpectedU95}} {
			if !finite(v[0]) {
				continue
			}
			u := 0.0
			if known(v[1]) {
				u = v[1]
			}
			lo, hi = math.Min(lo, math.Max(v[0]-u, -0.2)), math.Max(hi, math.Min(v[0]+u, 1.5))
		}
	}
	if !(hi > lo) {
		lo, hi = 0.3, 0.7
	}
	if d := 0.06 - (hi - lo); d > 0 {
		lo, hi = lo-d/2, hi+d/2
	}
	pad := 0.06 * (hi - lo)
	return axis{lo: lo - pad, hi: hi + pad}
}

// marks paints each month's figures at its x: expected as a box with a line,
// measured as a dot with a bar. It returns the heights of the last measured and
// the last expected one.
func (s SeasonChart) marks(c *canvas, ys axis, x func(SeasonMonth) float64) (ends [2]float64) {
	const half = 6
	in := box{math.Inf(-1), math.Min(ys.from, ys.to), math.Inf(1), math.Max(ys.from, ys.to)}
	height := func(v float64) float64 { return clampY([]point{{0, ys.px(v)}}, in)[0].y }
	for _, m := range s.Months {
		at := x(m)
		if !finite(m.Expected) || !finite(at) {
			continue
		}
		if known(m.ExpectedU95) {
			c.rect(box{at - half, height(m.Expected + m.ExpectedU95), at + half, height(m.Expected - m.ExpectedU95)}, faint(c.theme.fit, 0.25))
		}
		ends[1] = height(m.Expected)
		c.hline(expectedLine(c.theme), at-half, at+half, ends[1])
	}
	for _, m := range s.Months {
		at := x(m)
		if !finite(m.Measured) || !finite(at) {
			continue
		}
		ends[0] = height(m.Measured)
		if known(m.MeasuredU95) {
			c.vline(stroke{color: c.theme.point, width: 1.2}, at, height(m.Measured+m.MeasuredU95), height(m.Measured-m.MeasuredU95))
		}
		c.dots([]point{{at, ends[0]}}, 3, c.theme.point)
	}
	return ends
}

// byMains paints the same figures against the mains temperature.
func (s SeasonChart) byMains(c *canvas, p box, ys axis, soft style) [2]float64 {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, m := range s.Months {
		if finite(m.MainsC) {
			lo, hi = math.Min(lo, m.MainsC), math.Max(hi, m.MainsC)
		}
	}
	if !(hi >= lo) {
		lo, hi = 5, 20
	}
	xs := axis{lo - 1.5, hi + 1.5, p.x0, p.x1}
	st := soft
	st.align = 0.5
	for _, t := range numberTicks(xs.lo, xs.hi, int(math.Max(2, p.width()/50))) {
		c.vline(stroke{color: c.theme.hair, width: 0.8}, xs.px(t.at), p.y0, p.y1)
		c.text(point{xs.px(t.at), p.y1 + 16}, t.label, st)
	}
	c.hline(stroke{color: c.theme.soft, width: 1}, p.x0, p.x1, p.y1)
	c.text(point{(p.x0 + p.x1) / 2, p.y1 + 31}, st.fit("mains water, °C", p.width()), st)
	byTemperature := s
	byTemperature.Months = slices.Clone(s.Months)
	slices.SortStableFunc(byTemperature.Months, func(a, b SeasonMonth) int {
		switch {
		case a.MainsC < b.MainsC:
			return -1
		case a.MainsC > b.MainsC:
			return 1
		}
		return 0
	})
	return byTemperature.marks(c, ys, func(m SeasonMonth) float64 { return xs.px(m.MainsC) })
}

// mains paints the mains temperature by month.
func (s SeasonChart) mains(c *canvas, p box, xs axis, text style) {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, m := range s.Months {
		if finite(m.MainsC) {
			lo, hi = math.Min(lo, m.MainsC), math.Max(hi, m.MainsC)
		}
	}
	if !(hi >= lo) {
		lo, hi = 5, 20
	}
	if d := 4 - (hi - lo); d > 0 {
		lo, hi = lo-d/2, hi+d/2
	}
	pad := 0.15 * (hi - lo)
	ys := axis{lo - pad, hi + pad, p.y1, p.y0}
	c.frame(p, ys, numberTicks(ys.lo, ys.hi, int(math.Max(3, p.height()/22))), text)
	var line []point
	for _, m := range s.Months {
		if finite(m.MainsC) {
			line = append(line, point{xs.px(float64(m.index())), ys.px(m.MainsC)})
		}
	}
	ink := c.theme.port[2].color
	c.dots(line, 2.2, ink)
	c.text(point{p.x0, p.y0 - 6}, "mains water, °C", style{size: 11, color: c.theme.soft})
}

// monthAxis names the months under a panel, as many as there is room for.
func (s SeasonChart) monthAxis(c *canvas, p box, xs axis, first, last int) {
	st := style{size: 11, color: c.theme.soft, align: 0.5}
	c.hline(stroke{color: c.theme.soft, width: 1}, p.x0, p.x1, p.y1)
	step := 1
	for _, step = range []int{1, 2, 3, 6, 12, 24, 60} {
		if float64((last-first)/step+1)*48 <= p.width() {
			break
		}
	}
	for i := first; i <= last; i += step {
		at := time.Date(i/12, time.Month(i%12+1), 1, 0, 0, 0, 0, time.UTC)
		label := at.Format("Jan")
		if i == first || i/12 != (i-step)/12 {
			label = at.Format("Jan 06")
		}
		x := xs.px(float64(i))
		c.vline(stroke{color: c.theme.soft, width: 1}, x, p.y1, p.y1+4)
		w := st.measure(label)
		c.text(point{math.Max(x, p.x0-4+w/2), p.y1 + 16}, label, st)
	}
}
