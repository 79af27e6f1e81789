package plots

import (
	"math"
	"slices"
	"time"

	"greywatt"
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
// drawn is for the caller to say.
func trendScale(ts []TrendChart) axis {
	lo, hi := 0.95, 1.05
	var vs, us []float64
	for _, t := range ts {
		if finite(t.Threshold) {
			lo, hi = math.Min(lo, t.Threshold-0.03), math.Max(hi, t.Threshold+0.03)
		}
		for _, q := range t.Points {
			vs = append(vs, q.UARatio)
			if finite(q.UARatioU95) {
				us = append(us, q.UARatioU95)
			}
			for _, f := range []float64{q.Fit, q.FitLo, q.FitHi} {
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

// bars draws each event's u95. Where bars crowd they fade, so that what lies
// upon them stays in sight.
func (t TrendChart) bars(c *canvas, p box, xs, ys axis, from greywatt.Instant) {
	var bars [][]point
	for _, q := range t.Points {
		if y := ys.px(q.UARatio); !finite(q.UARatioU95) || y < p.y0 || y > p.y1 {
			continue
		}
		x := xs.px(q.At.Sub(from))
		bars = append(bars, clampY([]point{{x, ys.px(q.UARatio + q.UARatioU95)}, {x, ys.px(q.UARatio - q.UARatioU95)}}, p))
	}
	opacity := math.Max(0.3, math.Min(1, 0.5*p.width()/float64(len(bars)+1)))
	c.lines(stroke{color: over(c.theme.bar, c.theme.paper, opacity), width: 0.8}, bars...)
}

// series draws points and trend, and returns how many events lie beyond the
// scale; those are marked by a wedge at the edge.
func (t TrendChart) series(c *canvas, p box, xs, ys axis, from greywatt.Instant, small bool) (beyond int) {
	x := func(at greywatt.Instant) float64 { return xs.px(at.Sub(from)) }
	var dots []point
	for _, q := range t.Points {
		at := point{x(q.At), ys.px(q.UARatio)}
		switch {
		case at.y < p.y0:
			beyond++
			c.area(c.theme.point, []point{{at.x, p.y0}, {at.x - 3, p.y0 + 5}, {at.x + 3, p.y0 + 5}})
		case at.y > p.y1:
			beyond++
			c.area(c.theme.point, []point{{at.x, p.y1}, {at.x - 3, p.y1 - 5}, {at.x + 3, p.y1 - 5}})
		default:
			dots = append(dots, at)
		}
	}
	fits, bands := t.fits(x, ys)
	for _, band := range bands {
		c.area(faint(c.theme.fit, 0.2), clampY(band, p))
	}
	radius, cell := math.Max(1.3, 2*math.Sqrt(math.Min(1, p.width()/float64(len(dots)+1)))), 0.5
	if small {
		radius, cell = 1.1, 1
	}
	c.dots(distinct(dots, cell), radius, c.theme.point)
	c.lines(stroke{color: c.theme.fit, width: 2.2}, within(p, fits)...)
	return beyond
}

// fits returns the trend and its interval by segment, in px.
func (t TrendChart) fits(x func(greywatt.Instant) float64, ys axis) (lines, bands [][]point) {
	for i := 0; i < len(t.Points); {
		segment := t.Points[i].Segment
		var line, low, high []point
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
		}
		if len(line) > 0 {
			lines = append(lines, thin(line, 0.3))
		}
		if len(low) > 1 {
			low = thin(low, 0.3)
			slices.Reverse(low)
			bands = append(bands, append(thin(high, 0.3), low...))
		}
	}
	return lines, bands
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

// dateAxis draws the dates under a panel.
func (c *canvas) dateAxis(p box, xs axis, from, to greywatt.Instant, loc *time.Location) {
	st := style{size: 11, color: c.theme.soft, align: 0.5}
	c.hline(stroke{color: c.theme.soft, width: 1}, p.x0, p.x1, p.y1)
	for _, t := range dateTicks(from, to, loc, int(math.Max(1, (xs.to-xs.from)/56))) {
		x := xs.px(t.at)
		c.vline(stroke{color: c.theme.hair, width: 0.8}, x, p.y0, p.y1)
		c.vline(stroke{color: c.theme.soft, width: 1}, x, p.y1, p.y1+4)
		// The first label keeps clear of the value axis, the last of the edge.
		w := st.measure(t.label)
		c.text(point{math.Max(x, p.x0-4+w/2), p.y1 + 16}, t.label, st)
	}
}
