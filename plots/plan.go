package plots

import (
	"fmt"
	"io"
	"math"
)

// A PlanLine is what one choice of sensors resolves, by the number of dwellings.
type PlanLine struct {
	Name      string
	Dwellings []float64 // ascending, above 0
	U95       []float64 // of the mean ratio of dwellings like these, k = 2; as long as Dwellings
}

// A PlanChart is the uncertainty of a study's mean against its number of dwellings.
type PlanChart struct {
	Lines []PlanLine // at most four
	Want  float64    // wanted u95; 0: none
}

const planTitle = "Uncertainty of the study's mean measured/rated"

func (p PlanChart) write(w io.Writer, o Output) error {
	m := meta{title: planTitle, description: p.summary()}
	return o.paint(w, "a plan's chart", [2]int{320, 300}, m, func(c *canvas) {
		p.paint(c, c.bounds().inset(margin(c.w)))
	})
}

func (p PlanChart) summary() string {
	text := ""
	for _, l := range p.Lines {
		if n := len(l.U95); n > 0 && finite(l.U95[n-1]) {
			if text != "" {
				text += "; "
			}
			text += fmt.Sprintf("%s: %s with %.0f dwellings", l.Name, fixed(l.U95[n-1], 3), l.Dwellings[n-1])
		}
	}
	return text + "."
}

func (p PlanChart) paint(c *canvas, b box) {
	y := c.heading(b, planTitle)
	small := narrow(b)
	text := style{size: 12, color: c.theme.ink}
	if small {
		text.size = 11
	}
	soft := style{size: 11, color: c.theme.soft}
	c.text(point{b.x0, y + 18}, soft.fit("u95 (k = 2) of the mean of dwellings like these", b.width()), soft)
	y += 32

	lo, hi, top := math.Inf(1), 0.0, p.Want
	for _, l := range p.Lines {
		for i, n := range l.Dwellings {
			lo, hi = math.Min(lo, n), math.Max(hi, n)
			if finite(l.U95[i]) {
				top = math.Max(top, l.U95[i])
			}
		}
	}
	if !(hi > lo) || !(top > 0) {
		return
	}
	labels := make([]lineLabel, len(p.Lines))
	for i, l := range p.Lines {
		labels[i] = lineLabel{name: l.Name, line: c.theme.port[i%len(c.theme.port)]}
	}
	left := b.x0 + text.measure("0.000") + 6
	in := box{left, y, b.x1 - labelColumn(labels, text, small), b.y1 - 40}
	xs := axis{math.Log(lo), math.Log(hi), in.x0, in.x1}
	ys := axis{0, 1.05 * top, in.y1, in.y0}
	c.frame(in, ys, numberTicks(0, ys.hi, int(math.Max(3, in.height()/50))), text)
	centred := soft
	centred.align = 0.5
	for _, n := range []float64{2, 5, 10, 20, 50, 100, 200, 500, 1000} {
		if n < lo || n > hi {
			continue
		}
		x := xs.px(math.Log(n))
		c.vline(stroke{color: c.theme.hair, width: 0.8}, x, in.y0, in.y1)
		c.text(point{x, in.y1 + 16}, fmt.Sprintf("%.0f", n), centred)
	}
	c.hline(stroke{color: c.theme.soft, width: 1}, in.x0, in.x1, in.y1)
	c.text(point{(in.x0 + in.x1) / 2, in.y1 + 33}, "dwellings", centred)
	if p.Want > 0 {
		at := ys.px(p.Want)
		c.hline(stroke{color: c.theme.bad, width: 1.2, dash: []float64{5, 3}}, in.x0, in.x1, at)
		c.text(point{in.x0 + 6, at - 5}, "wanted", style{size: 11, color: c.theme.bad})
	}
	for i, l := range p.Lines {
		var line []point
		for k, n := range l.Dwellings {
			if finite(l.U95[k]) {
				line = append(line, point{xs.px(math.Log(n)), ys.px(l.U95[k])})
			}
		}
		if len(line) == 0 {
			continue
		}
		c.lines(labels[i].line, line)
		labels[i].at = line[len(line)-1]
	}
	c.lineLabels(in, labels, text, small)
}
