package plots

import (
	"io"
	"math"
	"time"

	"greywatt"
	"greywatt/analysis/finding"
)

// A Sparkline is a dwelling's trend as a strip without text, for a row of an
// overview. All have the same value scale, so that rows compare.
type Sparkline struct {
	Name      string
	Points    []finding.TrendPoint // in time order
	Threshold float64              // UA ratio; 0 or NaN: none painted
	Location  *time.Location       // nil: UTC
}

// The value scale of a sparkline, UA ratio: what lies beyond stands at its edge.
const sparkLow, sparkHigh = 0.5, 1.15

func (s Sparkline) write(w io.Writer, o Output) error {
	if o.Width == 0 && o.Height == 0 {
		o.Width, o.Height = 120, 28
	}
	t := TrendChart{Name: s.Name, Points: s.Points, Threshold: s.Threshold, Location: s.Location}.withDefaults()
	m := meta{title: t.Name + ": trend, latest level " + t.levelWords(), description: t.span()}
	return o.paint(w, "a sparkline", [2]int{40, 14}, m, func(c *canvas) { t.paintStrip(c) })
}

// paintStrip paints the rated level, the threshold, the events, the trend and
// its latest level.
func (t TrendChart) paintStrip(c *canvas) {
	p := c.bounds().inset(3)
	from, to := trendSpan([]TrendChart{t})
	xs := axis{0, to.Sub(from), p.x0, p.x1}
	ys := axis{sparkLow, sparkHigh, p.y1, p.y0}
	c.hline(stroke{color: c.theme.soft, width: 0.7}, p.x0, p.x1, ys.px(1))
	if finite(t.Threshold) {
		c.hline(stroke{color: c.theme.soft, width: 0.7, dash: []float64{3, 2}}, p.x0, p.x1, clampY([]point{{0, ys.px(t.Threshold)}}, p)[0].y)
	}
	x := func(q finding.TrendPoint) float64 { return xs.px(q.At.Sub(from)) }
	var dots []point
	last := math.NaN()
	for _, q := range t.Points {
		if !q.LeftOut {
			dots = append(dots, point{x(q), ys.px(q.UARatio)})
			last = x(q)
		}
	}
	c.dots(distinct(clampY(dots, p), 1.5), 0.8, c.theme.bar)
	for _, r := range t.runs(func(at greywatt.Instant) float64 { return xs.px(at.Sub(from)) }, ys) {
		c.lines(stroke{color: c.theme.fit, width: 1.4}, clampY(r.line, p))
	}
	if level := t.level(); finite(level) && finite(last) {
		ink := c.theme.point
		if level < t.Threshold {
			ink = c.theme.bad
		}
		c.dots(clampY([]point{{last, ys.px(level)}}, p), 2.2, ink)
	}
}
