package plots

import "math"

// second reports whether the sheet has a second page.
func (s *Sheet) second() bool { return len(s.Handover) > 0 || len(s.Sections) > 0 }

// sign paints the strokes of a signature into b.
func (g *Signature) sign(c *canvas, b box) {
	ink := stroke{color: c.theme.ink, width: 1.1}
	for _, s := range g.Strokes {
		var line []point
		for _, q := range s {
			x, y := min(max(q[0], 0), 1), min(max(q[1], 0), 1)
			if !finite(x) || !finite(y) {
				continue
			}
			line = append(line, point{b.x0 + x*b.width(), b.y0 + y*b.height()})
		}
		if len(line) > 1 {
			c.lines(ink, line)
		}
	}
}

// paintSecond paints the second page: the handover, then the record in two
// columns. Text that is too long for the page is set smaller.
func (s *Sheet) paintSecond(c *canvas, b box) {
	y := c.heading(b, s.Title+": handover and record") + 8
	c.hline(stroke{color: c.theme.ink, width: 1.2}, b.x0, b.x1, y)
	small := style{size: 8.5, color: c.theme.soft}
	foot := small.wrap(s.Footer, b.width(), 3)
	bottom := b.y1 - 11*float64(len(foot)) - 6
	for i := range foot {
		c.text(point{b.x0, b.y1 - 11*float64(len(foot)-1-i)}, foot[i], small)
	}
	body := style{size: 9.5, color: c.theme.ink}
	for body.size > 5.5 {
		if s.record(c, box{b.x0, y + 6, b.x1, bottom}, body, false) <= bottom {
			break
		}
		body.size -= 0.25
	}
	s.record(c, box{b.x0, y + 6, b.x1, bottom}, body, true)
}

// record writes handover and record, or only measures them, and returns the lower
// edge.
func (s *Sheet) record(c *canvas, b box, body style, write bool) float64 {
	y := b.y0
	head := style{size: body.size + 1.5, bold: true, color: c.theme.ink}
	answer := body
	answer.bold = true
	step := 1.28 * body.size
	text := func(p point, t string, st style) {
		if write {
			c.text(p, t, st)
		}
	}
	if len(s.Handover) > 0 {
		y += head.size + 4
		text(point{b.x0, y}, "Handover (common practice of the trade; local codes and licensed practice prevail)", head)
		y += 3
		where, remark := b.x0+0.60*b.width(), b.x0+0.70*b.width()
		for _, r := range s.Handover {
			checks, remarks := body.wrap(r.Check, where-b.x0-8, 6), body.wrap(r.Remark, b.x1-remark, 6)
			word := r.Answer
			if word == "" {
				word = "yes / no"
			}
			for i := range max(1, len(checks), len(remarks)) {
				y += step
				if i < len(checks) {
					text(point{b.x0, y}, checks[i], body)
				}
				if i < len(remarks) {
					text(point{remark, y}, remarks[i], body)
				}
				if i == 0 {
					st := answer
					if r.Answer == "no" {
						st.color = c.theme.bad
					}
					text(point{where, y}, word, st)
				}
			}
			y += 3
			if write {
				c.hline(stroke{color: c.theme.hair, width: 0.6}, b.x0, b.x1, y)
			}
		}
		y += 6
	}
	half := b.width()/2 - 10
	edges := [2]float64{y, y}
	for _, part := range s.Sections {
		if len(part.Items) == 0 {
			continue
		}
		col := 0
		if edges[1] < edges[0] {
			col = 1
		}
		x := b.x0 + float64(col)*(half+20)
		at := edges[col] + head.size + 6
		text(point{x, at}, part.Title, head)
		for _, item := range part.Items {
			for i, line := range body.wrap(item, half-10, 8) {
				at += step
				if i == 0 && write {
					c.dots([]point{{x + 3, at - 3.2}}, 1.4, c.theme.soft)
				}
				text(point{x + 10, at}, line, body)
			}
			at += 2
		}
		edges[col] = at + 4
	}
	return math.Max(edges[0], edges[1])
}
