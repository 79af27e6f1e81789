package plots

import (
	"image/color"
	"math"
	"sort"

	"greywatt"
)

// narrow says whether b is as narrow as a phone's page.
func narrow(b box) bool { return b.width() < 460 }

// captionStep is the distance between two lines of captions, px.
const captionStep = 14

// A lineLabel names one line at the right edge of its panel.
type lineLabel struct {
	name, value string
	line        stroke
	at          point // where the label is led from
	mean        bool  // at is a mean over the steady parts, marked there

	until greywatt.Instant // of a trend's line: where it ends; zero: at the edge
}

// lines returns the label's text: in one line, or on a phone the name over the
// value.
func (l lineLabel) lines(narrow bool) []string {
	switch {
	case l.value == "":
		return []string{l.name}
	case narrow:
		return []string{l.name, l.value}
	}
	return []string{l.name + " " + l.value}
}

// leader returns how far the piece of line that leads to a label reaches, px:
// its bend, its end, and where the text begins.
func leader(narrow bool) (bend, end, text float64) {
	if narrow {
		return 4, 11, 14
	}
	return 8, 22, 26
}

// labelColumn returns the width that labels take right of a panel.
func labelColumn(labels []lineLabel, text style, narrow bool) float64 {
	w := 0.0
	for _, l := range labels {
		for _, s := range l.lines(narrow) {
			w = math.Max(w, text.measure(s))
		}
	}
	_, _, x := leader(narrow)
	return w + x
}

// lineLabels writes each line's name right of the panel b, led there by a piece
// of the line. A mean is marked where it holds, and its label stands at its
// height.
func (c *canvas) lineLabels(b box, labels []lineLabel, text style, narrow bool) {
	step := text.size + 1
	rows := 1
	want := make([]float64, len(labels))
	for i, l := range labels {
		want[i] = l.at.y
		rows = max(rows, len(l.lines(narrow)))
	}
	half := (float64(rows-1)*step + text.size) / 2
	bend, end, x := leader(narrow)
	for i, y := range spread(want, float64(rows)*step+3, b.y0+half, b.y1-half) {
		l := labels[i]
		if l.at.x < b.x1-3 {
			c.hline(stroke{color: c.theme.soft, width: 0.8, dash: []float64{1, 3}}, l.at.x+2, b.x1, l.at.y)
		}
		if l.mean {
			c.dots([]point{l.at}, 2.8, c.theme.ink)
		}
		c.lines(l.line, []point{{b.x1 + 1, l.at.y}, {b.x1 + bend, y}, {b.x1 + end, y}})
		lines := l.lines(narrow)
		base := y + text.size*0.35 - float64(len(lines)-1)*step/2
		for k, s := range lines {
			c.text(point{b.x1 + x, base + float64(k)*step}, s, text)
		}
	}
}

// swatchWidth is the room that a swatch takes before the text beside it, px.
const swatchWidth = 17

// swatch paints a sample of a ground before a text whose baseline starts
// swatchWidth further on.
func (c *canvas) swatch(at point, ground color.NRGBA) {
	b := box{at.x, at.y - 9, at.x + 12, at.y + 1}
	c.rect(b, ground)
	c.lines(stroke{color: c.theme.soft, width: 0.5}, []point{{b.x0, b.y0}, {b.x1, b.y0}, {b.x1, b.y1}, {b.x0, b.y1}, {b.x0, b.y0}})
}

// spread returns positions as near as can be, in the least-squares sense, to
// those wanted, in the same order, at least gap apart and within [lo, hi].
// Where [lo, hi] cannot hold them all at that gap they share it evenly.
func spread(want []float64, gap, lo, hi float64) []float64 {
	n := len(want)
	if n == 0 {
		return nil
	}
	if n > 1 {
		gap = math.Min(gap, (hi-lo)/float64(n-1))
	}
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	sort.SliceStable(order, func(i, j int) bool { return want[order[i]] < want[order[j]] })

	// With the gaps taken out this is isotonic regression: pool neighbours
	// that are out of order into their mean.
	type block struct {
		sum float64
		n   int
	}
	mean := func(b block) float64 { return b.sum / float64(b.n) }
	var blocks []block
	for i, k := range order {
		b := block{want[k] - float64(i)*gap, 1}
		for len(blocks) > 0 && mean(blocks[len(blocks)-1]) >= mean(b) {
			b.sum += blocks[len(blocks)-1].sum
			b.n += blocks[len(blocks)-1].n
			blocks = blocks[:len(blocks)-1]
		}
		blocks = append(blocks, b)
	}
	out := make([]float64, n)
	i := 0
	for _, b := range blocks {
		for range b.n {
			base := math.Min(math.Max(mean(b), lo), hi-float64(n-1)*gap)
			out[order[i]] = base + float64(i)*gap
			i++
		}
	}
	return out
}

// rows assigns each of the spans [x0, x1], given in any order, to the first
// row in which it touches no other. A span that finds room in none of the
// first most rows gets -1.
func rows(spans [][2]float64, apart float64, most int) []int {
	out := make([]int, len(spans))
	taken := make([][][2]float64, most)
	for i, s := range spans {
		out[i] = -1
		for r := range taken {
			free := true
			for _, t := range taken[r] {
				if s[0] < t[1]+apart && t[0] < s[1]+apart {
					free = false
				}
			}
			if free {
				out[i] = r
				taken[r] = append(taken[r], s)
				break
			}
		}
	}
	return out
}
