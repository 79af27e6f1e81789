package plots

import (
	"image/color"
	"math"
	"slices"
	"time"

	"greywatt"
	"greywatt/analysis/finding"
)

// trendSpan returns the days that the trends share, at least one.
func trendSpan(ts []TrendChart) (from, to greywatt.Instant) {
	var loc *time.Location
	for _, t := range ts {
		n := len(t.Points)
		if n == 0 {
			continue
		}
		if loc == nil || t.Points[0].At < from {
			from = t.Points[0].At
		}
		if loc == nil || t.Points[n-1].At > to {
			to = t.Points[n-1].At
		}
		loc = t.Location
	}
	if loc == nil {
		return 0, greywatt.InstantOfUnix(86400)
	}
	y, m, d := from.Time().In(loc).Date()
	from = greywatt.InstantOf(time.Date(y, m, d, 0, 0, 0, 0, loc))
	y, m, d = to.Time().In(loc).Date()
	to = greywatt.InstantOf(time.Date(y, m, d+1, 0, 0, 0, 0, loc))
	return from, to
}

// trendScale returns a scale for the trends: the rated level, the threshold,
// and the middle 98 % of the events with their usual u95 get room. Where it is
// painted is for the caller to say.
func trendScale(ts []TrendChart) axis {
	lo, hi := 0.95, 1.05
	var vs, us []float64
	for _, t := range ts {
		if finite(t.Threshold) {
			lo, hi = math.Min(lo, t.Threshold-0.03), math.Max(hi, t.Threshold+0.03)
		}
		shared := map[int]float64{}
		for _, q := range t.Points {
			if _, ok := shared[q.Segment]; !ok {
				shared[q.Segment] = t.sharedU95(q.Segment)
			}
			vs = append(vs, q.UARatio)
			switch {
			case known(q.OwnU95):
				us = append(us, q.OwnU95)
			case finite(q.UARatioU95):
				us = append(us, q.UARatioU95)
			}
			ends := []float64{q.Fit, q.FitLo, q.FitHi}
			if a, b, ok := withShared(q, shared[q.Segment]); ok {
				ends = append(ends, a, b)
			}
			for _, f := range ends {
				if finite(f) && f > 0 && f < 2 {
					lo, hi = math.Min(lo, f), math.Max(hi, f)
				}
			}
		}
	}
	if n := len(vs); n > 0 {
		slices.Sort(vs)
		u := 0.0
		if len(us) > 0 {
			u = median(us)
		}
		lo, hi = math.Min(lo, vs[n/100]-u), math.Max(hi, vs[n-1-n/100]+u)
	}
	// A unit cannot pass less than nothing, nor twice what it is rated for.
	lo, hi = math.Max(lo, -0.2), math.Min(hi, 2.2)
	pad := 0.03 * (hi - lo)
	return axis{lo: lo - pad, hi: hi + pad}
}

// bars paints the part of each event's u95 that is its own; the whole where that
// is not known. Where bars crowd they fade, so that what lies upon them stays in
// sight.
func (t TrendChart) bars(c *canvas, p box, xs, ys axis, from greywatt.Instant) {
	var bars [][]point
	for _, q := range t.Points {
		u := q.UARatioU95
		if known(q.OwnU95) {
			u = q.OwnU95
		}
		if y := ys.px(q.UARatio); !finite(u) || y < p.y0 || y > p.y1 {
			continue
		}
		x := xs.px(q.At.Sub(from))
		bars = append(bars, clampY([]point{{x, ys.px(q.UARatio + u)}, {x, ys.px(q.UARatio - u)}}, p))
	}
	opacity := math.Max(0.3, math.Min(1, 0.5*p.width()/float64(len(bars)+1)))
	c.lines(stroke{color: over(c.theme.bar, c.theme.paper, opacity), width: 0.8}, bars...)
}

// series paints points and trend. Events beyond the scale are marked by a wedge
// at the edge; those left out of the trend are hollow.
func (t TrendChart) series(c *canvas, p box, xs, ys axis, from greywatt.Instant, small bool) {
	x := func(at greywatt.Instant) float64 { return xs.px(at.Sub(from)) }
	var dots, hollow []point
	for _, q := range t.Points {
		at := point{x(q.At), ys.px(q.UARatio)}
		switch {
		case at.y < p.y0:
			c.area(c.theme.point, []point{{at.x, p.y0}, {at.x - 3, p.y0 + 5}, {at.x + 3, p.y0 + 5}})
		case at.y > p.y1:
			c.area(c.theme.point, []point{{at.x, p.y1}, {at.x - 3, p.y1 - 5}, {at.x + 3, p.y1 - 5}})
		case q.LeftOut:
			hollow = append(hollow, at)
		default:
			dots = append(dots, at)
		}
	}
	var fits, edges [][]point
	for _, r := range t.runs(x, ys) {
		fits, edges = append(fits, r.line), append(edges, r.edges...)
		if len(r.band) > 0 {
			c.area(faint(c.theme.fit, 0.25), clampY(r.band, p))
		}
	}
	radius, cell := math.Max(1.3, 2*math.Sqrt(math.Min(1, p.width()/float64(len(dots)+len(hollow)+1)))), 0.5
	if small {
		radius, cell = 1.1, 1
	}
	c.rings(distinct(hollow, cell), radius+0.3, c.theme.point)
	c.dots(distinct(dots, cell), radius, c.theme.point)
	if !small {
		c.lines(sharedLine(c.theme), within(p, edges)...)
	}
	c.lines(stroke{color: c.theme.fit, width: 2.2}, within(p, fits)...)
}

// rings paints hollow discs.
func (c *canvas) rings(ps []point, radius float64, clr color.NRGBA) {
	c.dots(ps, radius, clr)
	c.dots(ps, radius-0.9, c.theme.paper)
}

// sharedU95 returns the relative u95 of UA that the events of a trend's segment
// share: the median over them of what their u95 holds beside their own part
// (the squares add up); 0 where the parts are not known.
func (t TrendChart) sharedU95(segment int) float64 {
	var us []float64
	for _, q := range t.Points {
		if q.Segment == segment && !q.LeftOut && known(q.OwnU95) && q.UARatio > 0 && q.UARatioU95 >= q.OwnU95 && finite(q.UARatioU95) {
			us = append(us, math.Sqrt(q.UARatioU95*q.UARatioU95-q.OwnU95*q.OwnU95)/q.UARatio)
		}
	}
	if len(us) == 0 {
		return 0
	}
	return median(us)
}

// sharedInterval returns the trend's interval at event i with what the events
// share.
func (t TrendChart) sharedInterval(i int) (lo, hi float64, ok bool) {
	q := t.Points[i]
	return withShared(q, t.sharedU95(q.Segment))
}

// withShared returns the trend's interval at an event, widened by the relative
// u95 that the events share; ok is false where there is nothing to add.
func withShared(q finding.TrendPoint, shared float64) (lo, hi float64, ok bool) {
	if !known(shared) || !finite(q.Fit) || !finite(q.FitLo) || !finite(q.FitHi) {
		return 0, 0, false
	}
	return q.Fit - math.Hypot(q.Fit-q.FitLo, shared*q.Fit), q.Fit + math.Hypot(q.FitHi-q.Fit, shared*q.Fit), true
}

// A trendRun is the trend through consecutive events of one segment, in px: its
// line, its interval by scatter as a polygon, and the edges of the interval with
// what the events share.
type trendRun struct {
	line, band []point
	edges      [][]point
}

// runs returns the trend by segment.
func (t TrendChart) runs(x func(greywatt.Instant) float64, ys axis) []trendRun {
	var out []trendRun
	for i := 0; i < len(t.Points); {
		segment := t.Points[i].Segment
		shared := t.sharedU95(segment)
		var line, low, high, under, above []point
		for ; i < len(t.Points) && t.Points[i].Segment == segment; i++ {
			q := t.Points[i]
			if !finite(q.Fit) {
				continue
			}
			line = append(line, point{x(q.At), ys.px(q.Fit)})
			if finite(q.FitLo) && finite(q.FitHi) {
				low = append(low, point{x(q.At), ys.px(q.FitLo)})
				high = append(high, point{x(q.At), ys.px(q.FitHi)})
			}
			if lo, hi, ok := withShared(q, shared); ok {
				under = append(under, point{x(q.At), ys.px(lo)})
				above = append(above, point{x(q.At), ys.px(hi)})
			}
		}
		if len(line) == 0 {
			continue
		}
		r := trendRun{line: thin(line, 0.3)}
		if len(low) > 1 {
			low = thin(low, 0.3)
			slices.Reverse(low)
			r.band = append(thin(high, 0.3), low...)
		}
		if len(under) > 1 {
			r.edges = [][]point{thin(under, 0.3), thin(above, 0.3)}
		}
		out = append(out, r)
	}
	return out
}

// coldIn returns the points with a known mains temperature.
func (t TrendChart) coldIn() []finding.TrendPoint {
	return slices.DeleteFunc(slices.Clone(t.Points), func(q finding.TrendPoint) bool { return !finite(q.ColdInC) })
}

// season paints the mains temperature of each event.
func (t TrendChart) season(c *canvas, p box, xs axis, from greywatt.Instant, cold []finding.TrendPoint, text style) {
	var vs []float64
	for _, q := range cold {
		vs = append(vs, q.ColdInC)
	}
	slices.Sort(vs)
	// The middle 98 % get room, at least 4 K.
	lo, hi := vs[len(vs)/100], vs[len(vs)-1-len(vs)/100]
	if d := 4 - (hi - lo); d > 0 {
		lo, hi = lo-d/2, hi+d/2
	}
	pad := 0.08 * (hi - lo)
	ys := axis{lo - pad, hi + pad, p.y1, p.y0}
	c.frame(p, ys, numberTicks(ys.lo, ys.hi, int(math.Max(2, p.height()/22))), text)
	var dots []point
	for _, q := range cold {
		dots = append(dots, point{xs.px(q.At.Sub(from)), ys.px(q.ColdInC)})
	}
	c.dots(distinct(clampY(dots, p), 1), 1.3, c.theme.port[greywatt.ColdIn].color)
	soft := style{size: 11, color: c.theme.soft}
	c.text(point{p.x0, p.y0 - 6}, "mains water at the unit's inlet, °C", soft)
}

// distinct moves points to the nearest corner of cells and drops those that
// meet an earlier one.
func distinct(ps []point, cell float64) []point {
	seen := make(map[point]bool, len(ps))
	var out []point
	for _, p := range ps {
		at := point{math.Round(p.x/cell) * cell, math.Round(p.y/cell) * cell}
		if !seen[at] {
			seen[at] = true
			out = append(out, at)
		}
	}
	return out
}

// dateAxis paints the dates under the lower of two panels, and their grid in
// both; the panels may be one.
func (c *canvas) dateAxis(upper, lower box, xs axis, from, to greywatt.Instant, loc *time.Location) {
	st := style{size: 11, color: c.theme.soft, align: 0.5}
	p := lower
	c.hline(stroke{color: c.theme.soft, width: 1}, p.x0, p.x1, p.y1)
	if upper != lower {
		c.hline(stroke{color: c.theme.soft, width: 1}, upper.x0, upper.x1, upper.y1)
	}
	for _, t := range dateTicks(from, to, loc, int(math.Max(1, (xs.to-xs.from)/56))) {
		x := xs.px(t.at)
		c.vline(stroke{color: c.theme.hair, width: 0.8}, x, p.y0, p.y1)
		if upper != lower {
			c.vline(stroke{color: c.theme.hair, width: 0.8}, x, upper.y0, upper.y1)
		}
		c.vline(stroke{color: c.theme.soft, width: 1}, x, p.y1, p.y1+4)
		// The first label keeps clear of the value axis, the last of the edge.
		w := st.measure(t.label)
		c.text(point{math.Max(x, p.x0-4+w/2), p.y1 + 16}, t.label, st)
	}
}
