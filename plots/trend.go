package plots

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"greywatt"
	"greywatt/analysis/finding"
	"greywatt/plots/wording"
)

// A TrendChart is one dwelling over months: each event's UA against the rated
// unit with its own u95, the trend with its interval, by scatter and with what
// all events share, the threshold, the cleanings and changes, the mains
// temperature, and the findings in words.
type TrendChart struct {
	Dwelling  greywatt.Dwelling
	Points    []finding.TrendPoint // in time order
	Findings  []finding.Finding    // strongest first
	Threshold float64              // UA ratio below which the unit wants cleaning; 0 or NaN: none drawn
	Location  *time.Location       // of the date axis; nil: UTC
	Name      string               // what to call the dwelling, a pseudonym say; empty: its id
}

var leastTrend = [2]int{320, 320}

// write writes the chart of one dwelling's trend.
func (t TrendChart) write(w io.Writer, o Output) error {
	t = t.withDefaults()
	m := meta{title: t.title(), description: t.summary()}
	return o.paint(w, "a trend chart", leastTrend, m, func(c *canvas) {
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
	t.Points = slices.DeleteFunc(slices.Clone(t.Points), func(p finding.TrendPoint) bool { return !finite(p.UARatio) })
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
// the median of the last ten events; NaN without
// events. Those left out of the trend do not count.
func (t TrendChart) level() float64 {
	if i := t.latestFit(); i >= 0 {
		return t.Points[i].Fit
	}
	var last []float64
	for _, p := range slices.Backward(t.Points) {
		if p.LeftOut {
			continue
		}
		if last = append(last, p.UARatio); len(last) == 10 {
			break
		}
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

// plot paints points, trend and marks with their axes, and under them the mains
// temperature, so that a season is seen.
func (t TrendChart) plot(c *canvas, b box) {
	small := narrow(b)
	text := style{size: 12, color: c.theme.ink}
	if small {
		text.size = 11
	}
	soft := style{size: 11, color: c.theme.soft}
	from, to := trendSpan([]TrendChart{t})
	labels := t.lineLabels(c.theme, small)
	xs := axis{0, to.Sub(from), b.x0 + text.measure("0.00") + 6, b.x1 - labelColumn(labels, text, small)}

	marks := t.marks(from, to)
	flags := t.flagRows(marks, func(m trendMark) (x, w float64) { return xs.px(m.at.Sub(from)), soft.measure(m.label) }, b.x1)
	scale := trendScale([]TrendChart{t})
	head := soft.wrap(t.caption(scale, small), b.width(), 4)
	const rowHeight = 14
	top := 12 + captionStep*float64(len(head))
	for _, f := range flags {
		top = math.Max(top, 12+captionStep*float64(len(head))+float64(f.row+1)*rowHeight)
	}
	p := box{xs.from, b.y0 + top, xs.to, b.y1 - 34}
	season, cold := p, t.coldIn()
	if len(cold) > 0 && p.height() >= 150 {
		season.y0 = p.y1 - math.Min(0.2*p.height(), 64)
		p.y1 = season.y0 - 24
	}
	ys := scale.on(p.y1, p.y0)
	c.frame(p, ys, numberTicks(ys.lo, ys.hi, int(math.Max(2, p.height()/40))), text)
	c.dateAxis(p, season, xs, from, to, t.Location)
	if season != p {
		t.season(c, season, xs, from, cold, text)
	}

	t.bars(c, p, xs, ys, from)
	for i, m := range marks {
		f := flags[i]
		y := p.y0 - 6 - float64(max(f.row, 0))*rowHeight
		c.vline(m.line(c.theme), xs.px(m.at.Sub(from)), y-3, p.y1)
		if f.row >= 0 {
			c.text(point{f.x, y}, m.label, soft)
		}
	}
	c.levels(p, ys, t.Threshold)
	t.series(c, p, xs, ys, from, false)
	for i, l := range labels {
		x := p.x1
		if l.until != 0 {
			x = xs.px(l.until.Sub(from))
		}
		labels[i].at = clampY([]point{{x, ys.px(l.at.y)}}, p)[0]
	}
	c.lineLabels(p, labels, text, small)

	for i, line := range head {
		c.text(point{b.x0, b.y0 + 10 + captionStep*float64(i)}, line, soft)
	}
	if len(t.Points) == 0 {
		c.text(point{(p.x0 + p.x1) / 2, (p.y0+p.y1)/2 + 24}, "no event with a figure yet", style{size: 12, color: c.theme.soft, align: 0.5})
	}
	note := "local date"
	if finite(t.Threshold) {
		note = "local date; the threshold is this project's choice"
	}
	c.text(point{p.x0, b.y1}, soft.fit(note, b.x1-p.x0), soft)
}

// caption says what the panel shows and what its signs mean.
func (t TrendChart) caption(scale axis, small bool) string {
	s := "heat conductance UA, measured / rated"
	own, out, beyond := false, 0, 0
	for _, q := range t.Points {
		own = own || known(q.OwnU95)
		if q.LeftOut {
			out++
		}
		if q.UARatio < scale.lo || q.UARatio > scale.hi {
			beyond++
		}
	}
	switch {
	case own:
		s += "; bars: each event's own u95"
	case len(t.Points) > 0:
		s += "; bars: u95"
	}
	if i := t.latestFit(); i >= 0 {
		lo, hi, ok := t.sharedInterval(i)
		if ok {
			s += "; dashed: with the u95 that all events share"
		}
		if q := t.Points[i]; small && finite(q.FitLo) && finite(q.FitHi) {
			d := t.fitDecimals(i)
			s += fmt.Sprintf("; trend at its end %s to %s", fixed(q.FitLo, d), fixed(q.FitHi, d))
			if ok {
				s += fmt.Sprintf(", dashed %s to %s", fixed(lo, 2), fixed(hi, 2))
			}
		}
	}
	if out > 0 {
		s += "; hollow: " + wording.Count(out, "event") + " left out of the trend"
	}
	if beyond > 0 {
		s += "; " + wording.Count(beyond, "event") + " off the scale"
	}
	return s
}

// known says whether a u95 is given.
func known(u95 float64) bool { return finite(u95) && u95 > 0 }

// latestFit returns the index of the last event that the trend covers, -1 for
// none: events left out may follow it.
func (t TrendChart) latestFit() int {
	for i := len(t.Points) - 1; i >= 0; i-- {
		if !t.Points[i].LeftOut {
			if finite(t.Points[i].Fit) {
				return i
			}
			return -1
		}
	}
	return -1
}

// fitDecimals returns how many decimals the trend at event i is worth.
func (t TrendChart) fitDecimals(i int) int {
	if q := t.Points[i]; q.FitHi-q.FitLo < 0.02 {
		return 3
	}
	return 2
}

// lineLabels are the lines named at the right edge, their at.y a UA ratio.
func (t TrendChart) lineLabels(th theme, small bool) []lineLabel {
	ls := []lineLabel{{name: "as rated", value: "1.00", line: ratedLine(th), at: point{y: 1}}}
	if finite(t.Threshold) {
		ls = append(ls, lineLabel{name: "threshold", value: fixed(t.Threshold, 2), line: thresholdLine(th), at: point{y: t.Threshold}})
	}
	i := t.latestFit()
	if i < 0 {
		return ls
	}
	q, d := t.Points[i], t.fitDecimals(i)
	l := lineLabel{name: "trend", value: fixed(q.Fit, d), line: stroke{color: th.fit, width: 2.2}, at: point{y: q.Fit}, until: q.At}
	if !small && finite(q.FitLo) && finite(q.FitHi) {
		l.value += fmt.Sprintf(" (%s to %s)", fixed(q.FitLo, d), fixed(q.FitHi, d))
	}
	ls = append(ls, l)
	if lo, hi, ok := t.sharedInterval(i); ok && !small {
		ls = append(ls, lineLabel{name: "with shared u95", value: fmt.Sprintf("%s to %s", fixed(lo, 2), fixed(hi, 2)), line: sharedLine(th), at: point{y: lo}, until: q.At})
	}
	return ls
}

// sharedLine is the edge of the trend's interval with the uncertainty that all
// events share.
func sharedLine(th theme) stroke {
	return stroke{color: th.fit, width: 1, dash: []float64{4, 2.5}}
}

func ratedLine(th theme) stroke { return stroke{color: th.soft, width: 1} }
func thresholdLine(th theme) stroke {
	return stroke{color: th.ink, width: 1.1, dash: []float64{5, 3}}
}

// levels paints the rated level and the threshold.
func (c *canvas) levels(p box, ys axis, threshold float64) {
	c.hline(ratedLine(c.theme), p.x0, p.x1, ys.px(1))
	if finite(threshold) {
		c.hline(thresholdLine(c.theme), p.x0, p.x1, ys.px(threshold))
	}
}

// A flagPosition is where a mark's label stands: to the right of its line, in a
// row of its own where others are near; row -1 where there is no room.
type flagPosition struct {
	x   float64
	row int
}

// flagRows finds room for the labels of marks, given in time order, so that no label
// lies on another nor on the line of a later mark. edge is the right end of the
// room.
func (t TrendChart) flagRows(marks []trendMark, measure func(trendMark) (x, w float64), edge float64) []flagPosition {
	const apart, most = 5, 6
	positions := make([]flagPosition, len(marks))
	for i := len(marks) - 1; i >= 0; i-- {
		x, w := measure(marks[i])
		at := math.Min(x+4, edge-w)
		row := 0
		for j := i + 1; j < len(marks); j++ {
			if later, _ := measure(marks[j]); math.Min(later, positions[j].x) < at+w+apart {
				row = max(row, positions[j].row+1)
			}
		}
		if row >= most {
			row = -1
		}
		positions[i] = flagPosition{at, row}
	}
	return positions
}

// A trendMark is a date of note.
type trendMark struct {
	at      greywatt.Instant
	label   string
	planned bool // by people: a cleaning, the commissioning
}

func (m trendMark) line(th theme) stroke {
	if m.planned {
		return stroke{color: th.soft, width: 1.2}
	}
	return stroke{color: th.soft, width: 1.2, dash: []float64{2, 2.5}}
}

// marks returns the dates of note within [from, to] in time order: the
// commissioning, the cleanings and other work, where events begin and cease to be left out, and
// the changes that the analysis found, which are the starts of segments without
// a cleaning or other work in the two days before.
func (t TrendChart) marks(from, to greywatt.Instant) []trendMark {
	var ms []trendMark
	day := func(at greywatt.Instant) string { return at.Time().In(t.Location).Format("2 Jan") }
	if d := t.Dwelling.Commissioned; !d.IsZero() {
		ms = append(ms, trendMark{d.In(t.Location), "commissioned " + day(d.In(t.Location)), true})
	}
	for _, d := range t.Dwelling.Cleaned {
		ms = append(ms, trendMark{d.In(t.Location), "cleaned " + day(d.In(t.Location)), true})
	}
	for _, b := range t.Dwelling.Breaks {
		what := strings.ReplaceAll(string(b.Kind), "-", " ")
		if b.Kind.OfSensor() {
			what = b.Channel.String() + " " + what
		}
		ms = append(ms, trendMark{b.At, what + " " + day(b.At), true})
	}
	planned := slices.Clone(ms)
	for i := 1; i < len(t.Points); i++ {
		before, at := t.Points[i-1].At, t.Points[i].At
		if out := t.Points[i].LeftOut; out != t.Points[i-1].LeftOut {
			words := "counts again "
			if out {
				words = "left out from "
			}
			ms = append(ms, trendMark{at: at, label: words + day(at)})
			continue
		}
		if t.Points[i].Segment == t.Points[i-1].Segment || t.Points[i].LeftOut {
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
