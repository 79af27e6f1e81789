package plots

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"greywatt"
	"greywatt/analysis"
	"greywatt/plots/wording"
)

// A TrendChart is one dwelling over months: each event's UA against the rated
// unit with its u95, the trend with its interval, the threshold, the cleanings
// and changes, and the findings in words.
type TrendChart struct {
	Dwelling  greywatt.Dwelling
	Points    []analysis.TrendPoint // in time order
	Findings  []analysis.Finding    // strongest first
	Threshold float64               // UA ratio below which the unit wants cleaning; 0 or NaN: none drawn
	Location  *time.Location        // of the date axis; nil: UTC
	Name      string                // what to call the dwelling, a pseudonym say; empty: its id
}

var leastTrend = [2]int{320, 320}

// Trend draws the chart of one dwelling's trend.
func Trend(w io.Writer, o Output, t TrendChart) error {
	t = t.withDefaults()
	m := meta{title: t.title(), description: t.summary()}
	return o.draw(w, "a trend chart", leastTrend, m, func(c *canvas) {
		t.paint(c, c.bounds().inset(margin(c.w)))
	})
}

func (t TrendChart) withDefaults() TrendChart {
	if t.Location == nil {
		t.Location = time.UTC
	}
	if t.Name == "" {
		t.Name = t.Dwelling.ID
	}
	t.Points = slices.DeleteFunc(slices.Clone(t.Points), func(p analysis.TrendPoint) bool { return !finite(p.UARatio) })
	if !finite(t.Threshold) || t.Threshold <= 0 {
		t.Threshold = math.NaN()
	}
	return t
}

func (t TrendChart) title() string {
	if len(t.Findings) == 0 {
		return t.Name + ": trend"
	}
	h := headline(t.Findings[0], t.Location)
	return t.Name + ": " + strings.ToLower(h[:1]) + h[1:]
}

func (t TrendChart) span() string {
	n := len(t.Points)
	if n == 0 {
		return "no event with a figure yet"
	}
	return fmt.Sprintf("%s, %s", wording.Count(n, "event"), dates(t.Points[0].At, t.Points[n-1].At, t.Location))
}

// words says the findings, strongest first.
func (t TrendChart) words() []string {
	var out []string
	for i, f := range t.Findings {
		s := wording.Sentence(f.Evidence)
		if i > 0 {
			s = wording.Sentence("Also "+strings.ToLower(headline(f, t.Location)[:1])+headline(f, t.Location)[1:]) + " " + s
		}
		if f.Advice != "" {
			s += " " + wording.Sentence(f.Advice)
		}
		if s = strings.TrimSpace(s); s != "" {
			out = append(out, s)
		}
	}
	return out
}

func (t TrendChart) summary() string {
	s := wording.Sentence(t.span())
	if level := t.level(); finite(level) {
		s += " Latest level " + fixed(level, 2) + " of the rated unit's UA."
	}
	return strings.TrimSpace(s + " " + strings.Join(t.words(), " "))
}

// level returns the latest UA ratio: of the trend, or where none is resolved
// the median of the last ten events; NaN without events.
func (t TrendChart) level() float64 {
	n := len(t.Points)
	if n == 0 {
		return math.NaN()
	}
	if fit := t.Points[n-1].Fit; finite(fit) {
		return fit
	}
	var last []float64
	for _, p := range t.Points[max(0, n-10):] {
		last = append(last, p.UARatio)
	}
	return median(last)
}

// median returns the median of vs, NaN of none; it sorts vs.
func median(vs []float64) float64 {
	n := len(vs)
	if n == 0 {
		return math.NaN()
	}
	slices.Sort(vs)
	return (vs[(n-1)/2] + vs[n/2]) / 2
}

func (t TrendChart) paint(c *canvas, b box) {
	y := c.heading(b, t.title(), t.span())
	body := style{size: 12, color: c.theme.ink}
	y += 4
	words := t.words()
	left := max(2, int(0.3*b.height()/15)) // lines
	for i, w := range words {
		// Each of the findings that follow keeps a line.
		most := left - (len(words) - 1 - i)
		if most < 1 {
			break
		}
		for _, line := range body.wrap(w, b.width(), most) {
			y += 15
			left--
			c.text(point{b.x0, y}, line, body)
		}
	}
	t.plot(c, box{b.x0, y + 12, b.x1, b.y1})
}

// plot draws points, trend and marks with their axes.
func (t TrendChart) plot(c *canvas, b box) {
	text := style{size: 12, color: c.theme.ink}
	if b.width() < 460 {
		text.size = 11
	}
	from, to := trendSpan([]TrendChart{t})
	ends := t.endCurves(c)
	column := 0.0
	for _, e := range ends {
		column = math.Max(column, text.measure(e.label))
	}
	xs := axis{0, to.Sub(from), b.x0 + text.measure("0.00") + 8, b.x1 - column - 26}

	marks := t.marks(from, to)
	labels := style{size: 11, color: c.theme.soft}
	flags := t.flagRows(marks, func(m trendMark) (x, w float64) { return xs.px(m.at.Sub(from)), labels.measure(m.label) }, b.x1)
	const rowHeight = 14
	top := 26.0
	for _, f := range flags {
		top = math.Max(top, 26+float64(f.row+1)*rowHeight)
	}
	p := box{xs.from, b.y0 + top, xs.to, b.y1 - 34}
	ys := trendScale([]TrendChart{t}).on(p.y1, p.y0)
	c.frame(p, ys, numberTicks(ys.lo, ys.hi, int(math.Max(2, p.height()/40))), text)
	c.dateAxis(p, xs, from, to, t.Location)

	t.bars(c, p, xs, ys, from)
	for i, m := range marks {
		f := flags[i]
		y := p.y0 - 6 - float64(max(f.row, 0))*rowHeight
		c.vline(m.look(c.theme), xs.px(m.at.Sub(from)), y-3, p.y1)
		if f.row >= 0 {
			c.text(point{f.x, y}, m.label, labels)
		}
	}
	c.levels(p, ys, t.Threshold)
	beyond := t.series(c, p, xs, ys, from, false)
	for i := range ends {
		ends[i].end = point{p.x1, ys.px(ends[i].end.y)}
	}
	c.endLabels(p, ends, text)

	head := "heat conductance UA, measured / rated; bars: u95"
	if beyond > 0 {
		head += "; " + wording.Count(beyond, "event") + " off the scale"
	}
	c.text(point{b.x0, b.y0 + 10}, labels.fit(head, b.width()), labels)
	if len(t.Points) == 0 {
		c.text(point{(p.x0 + p.x1) / 2, (p.y0+p.y1)/2 + 24}, "no event with a figure yet", style{size: 12, color: c.theme.soft, align: 0.5})
	}
	note := "local date"
	if finite(t.Threshold) {
		note = "local date; the threshold is this project's choice"
	}
	c.text(point{p.x0, b.y1}, labels.fit(note, b.x1-p.x0), labels)
}

// endCurves are the lines named at the right edge, their end.y a UA ratio.
func (t TrendChart) endCurves(c *canvas) []curve {
	cs := []curve{{"as rated 1.00", ratedLine(c.theme), point{y: 1}}}
	if finite(t.Threshold) {
		cs = append(cs, curve{"threshold " + fixed(t.Threshold, 2), thresholdLine(c.theme), point{y: t.Threshold}})
	}
	if n := len(t.Points); n > 0 && finite(t.Points[n-1].Fit) {
		last := t.Points[n-1]
		decimals := 2
		if last.FitHi-last.FitLo < 0.02 {
			decimals = 3
		}
		label := "trend " + fixed(last.Fit, decimals)
		if finite(last.FitLo) && finite(last.FitHi) {
			label += fmt.Sprintf(" (%s to %s)", fixed(last.FitLo, decimals), fixed(last.FitHi, decimals))
		}
		cs = append(cs, curve{label, stroke{color: c.theme.fit, width: 2.2}, point{y: last.Fit}})
	}
	return cs
}

func ratedLine(th theme) stroke { return stroke{color: th.soft, width: 1} }
func thresholdLine(th theme) stroke {
	return stroke{color: th.ink, width: 1.1, dash: []float64{5, 3}}
}

// levels draws the rated level and the threshold.
func (c *canvas) levels(p box, ys axis, threshold float64) {
	c.hline(ratedLine(c.theme), p.x0, p.x1, ys.px(1))
	if finite(threshold) {
		c.hline(thresholdLine(c.theme), p.x0, p.x1, ys.px(threshold))
	}
}

// A flagPlace is where a mark's label stands: to the right of its line, in a
// row of its own where others are near; row -1 where there is no room.
type flagPlace struct {
	x   float64
	row int
}

// flagRows places the labels of marks, given in time order, so that no label
// lies on another nor on the line of a later mark. edge is the right end of the
// room.
func (t TrendChart) flagRows(marks []trendMark, measure func(trendMark) (x, w float64), edge float64) []flagPlace {
	const apart, most = 5, 6
	places := make([]flagPlace, len(marks))
	for i := len(marks) - 1; i >= 0; i-- {
		x, w := measure(marks[i])
		at := math.Min(x+4, edge-w)
		row := 0
		for j := i + 1; j < len(marks); j++ {
			if later, _ := measure(marks[j]); math.Min(later, places[j].x) < at+w+apart {
				row = max(row, places[j].row+1)
			}
		}
		if row >= most {
			row = -1
		}
		places[i] = flagPlace{at, row}
	}
	return places
}

// A trendMark is a date of note.
type trendMark struct {
	at      greywatt.Instant
	label   string
	planned bool // by people: a cleaning, the commissioning
}

func (m trendMark) look(th theme) stroke {
	if m.planned {
		return stroke{color: th.soft, width: 1.2}
	}
	return stroke{color: th.soft, width: 1.2, dash: []float64{2, 2.5}}
}

// marks returns the dates of note within [from, to] in time order: the
// commissioning, the cleanings, and the changes that the analysis found, which
// are the starts of segments without a cleaning in the two days before.
func (t TrendChart) marks(from, to greywatt.Instant) []trendMark {
	var ms []trendMark
	day := func(at greywatt.Instant) string { return at.Time().In(t.Location).Format("2 Jan") }
	if d := t.Dwelling.Commissioned; !d.IsZero() {
		ms = append(ms, trendMark{d.In(t.Location), "commissioned " + day(d.In(t.Location)), true})
	}
	for _, d := range t.Dwelling.Cleaned {
		ms = append(ms, trendMark{d.In(t.Location), "cleaned " + day(d.In(t.Location)), true})
	}
	planned := slices.Clone(ms)
	for i := 1; i < len(t.Points); i++ {
		before, at := t.Points[i-1].At, t.Points[i].At
		if t.Points[i].Segment == t.Points[i-1].Segment {
			continue
		}
		explained := slices.ContainsFunc(planned, func(m trendMark) bool {
			return m.at > before.Add(-2*86400) && m.at <= at
		})
		if !explained {
			ms = append(ms, trendMark{at: at, label: "change " + day(at)})
		}
	}
	ms = slices.DeleteFunc(ms, func(m trendMark) bool { return m.at < from || m.at > to })
	slices.SortStableFunc(ms, func(a, b trendMark) int { return int(min(max(a.at-b.at, -1), 1)) })
	return ms
}
