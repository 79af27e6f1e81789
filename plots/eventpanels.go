package plots

import (
	"fmt"
	"math"
	"slices"
	"time"

	"greywatt"
	"greywatt/plots/wording"
)

// Lines of an event chart stop at a gap: at a NaN, and where two instants lie
// further apart than maxStepS, which is two and a half times the minute that a
// node leaves between its samples while no water runs.
const maxStepS = 150

// heldS is how long a flow reading is joined to the next by a straight line. A
// node samples at least every 10 s while water runs; across a longer step the
// flow is drawn as it was until the next reading, since it was the water that
// woke the node.
const heldS = 10

// panels is the geometry that the two panels of an event chart share.
type panels struct {
	EventChart
	*canvas
	from, to     greywatt.Instant
	xs           axis
	upper, lower box
	text         style
	narrow       bool // a phone: names over their numbers, captions over one another
	marks        []clockMark
}

// A clockMark is a moment at which the labels of the time axis jump.
type clockMark struct {
	at    greywatt.Instant
	label string
}

// panels draws temperatures over flow, with the time axis under both.
func (e EventChart) panels(c *canvas, b box) {
	p := panels{EventChart: e, canvas: c, narrow: narrow(b)}
	p.from, p.to = e.window()
	p.marks = e.clockMarks(p.from, p.to)
	p.text = style{size: 12, color: c.theme.ink}
	if p.narrow {
		p.text.size = 11
	}

	// Names of the lines at the right, tick labels at the left.
	labels := []lineLabel{p.flowLabel()}
	for ch := range greywatt.Channel(4) {
		labels = append(labels, p.portLabel(ch))
	}
	p.xs = axis{0, p.to.Sub(p.from), b.x0 + p.text.measure("−10") + 6, b.x1 - labelColumn(labels, p.text, p.narrow)}

	captions, between, footer := 22.0, 32.0, 34.0
	if p.narrow && len(p.Event.Steady) > 0 {
		captions += captionStep
	}
	if len(p.marks) > 0 {
		between += 10
	}
	plotted := b.height() - captions - between - footer
	p.upper = box{p.xs.from, b.y0 + captions, p.xs.to, b.y0 + captions + plotted*0.7}
	p.lower = box{p.xs.from, p.upper.y1 + between, p.xs.to, p.upper.y1 + between + plotted*0.3}

	p.shade()
	times := p.times()
	for _, t := range times {
		x := p.xs.px(t.at)
		c.lines(stroke{color: c.theme.hair, width: 0.8},
			[]point{{x, p.upper.y0}, {x, p.upper.y1}}, []point{{x, p.lower.y0}, {x, p.lower.y1}})
	}
	beyond := p.temperatures()
	p.flow()
	p.gaps()
	p.timeAxis(b, times)
	p.captions(b, beyond)
}

// shade lays a ground under the steady parts.
func (p *panels) shade() {
	for _, s := range p.Event.Steady {
		x0 := math.Max(p.xs.px(s.From.Sub(p.from)), p.xs.from)
		x1 := math.Min(p.xs.px(s.To.Sub(p.from)), p.xs.to)
		if x1 > x0 {
			p.rect(box{x0, p.upper.y0, x1, p.upper.y1}, p.theme.steady)
			p.rect(box{x0, p.lower.y0, x1, p.lower.y1}, p.theme.steady)
		}
	}
}

// times returns ticks of the clock, as close as their labels allow.
func (p *panels) times() []tick {
	room := p.xs.to - p.xs.from
	ts := clockTicks(p.from, p.to, p.Location, int(room/52))
	if len(ts) > 0 && len(ts[0].label) > len("15:04") {
		ts = clockTicks(p.from, p.to, p.Location, int(room/72))
	}
	return ts
}

// portLabel names a port's line, with the mean over the steady parts where
// there is one.
func (p *panels) portLabel(ch greywatt.Channel) lineLabel {
	e := &p.Event
	return p.meanLabel(wording.Plain(ch.String()), "°C", [4]float64{e.WasteInC, e.WasteOutC, e.ColdInC, e.PreheatOutC}[ch])
}

func (p *panels) flowLabel() lineLabel { return p.meanLabel("mains", "l/min", p.Event.FlowLMin) }

func (p *panels) meanLabel(name, unit string, mean float64) lineLabel {
	l := lineLabel{name: name}
	if _, ok := p.lastSteady(); ok && finite(mean) {
		l.value, l.mean = fixed(mean, 1), true
		if !p.narrow {
			l.value += " " + unit
		}
	}
	return l
}

// lastSteady returns the end, in px along the time axis, of the last steady
// part that is in sight.
func (p *panels) lastSteady() (end float64, ok bool) {
	for _, s := range p.Event.Steady {
		from, to := max(s.From, p.from), min(s.To, p.to)
		if from < to {
			end, ok = math.Max(end, p.xs.px(to.Sub(p.from))), true
		}
	}
	return end, ok
}

// paintOrder puts the strongest line on top.
var paintOrder = [4]greywatt.Channel{greywatt.ColdIn, greywatt.WasteOut, greywatt.PreheatOut, greywatt.WasteIn}

// temperatures paints the upper panel and returns how many readings lie beyond
// its scale.
func (p *panels) temperatures() (beyond int) {
	shown := p.Trace.Port[:]
	if p.Clamps {
		shown = append(shown, p.Trace.Surface[:]...)
	}
	ys, beyond := p.temperatureAxis(shown)
	p.frame(p.upper, ys, numberTicks(ys.lo, ys.hi, int(p.upper.height()/38)), p.text)

	if p.Clamps {
		for _, ch := range paintOrder {
			look := stroke{color: over(p.theme.port[ch].color, p.theme.paper, 0.55), width: 0.8}
			for _, piece := range p.pieces(p.Trace.Surface[ch], ys) {
				p.lines(look, within(p.upper, [][]point{summarise(piece, 9, 0.5).mean})...)
			}
		}
	}
	var labels []lineLabel
	for _, ch := range paintOrder {
		look := p.theme.port[ch]
		pieces := p.pieces(p.Trace.Port[ch], ys)
		if len(pieces) == 0 {
			continue
		}
		var means [][]point
		for _, piece := range pieces {
			s := summarise(piece, look.width, 0.35)
			if s.ribbon != nil {
				p.area(faint(look.color, 0.3), clampY(s.ribbon, p.upper))
			}
			means = append(means, s.mean)
		}
		p.lines(look, within(p.upper, means)...)
		l := p.portLabel(ch)
		last := pieces[len(pieces)-1]
		l.line, l.at = look, last[len(last)-1]
		if l.mean {
			l.at = p.meanPoint(ys, [4]float64{p.Event.WasteInC, p.Event.WasteOutC, p.Event.ColdInC, p.Event.PreheatOutC}[ch])
		}
		l.at = clampY([]point{l.at}, p.upper)[0]
		labels = append(labels, l)
	}
	p.lineLabels(p.upper, labels, p.text, p.narrow)
	return beyond
}

func clampY(ps []point, b box) []point {
	out := slices.Clone(ps)
	for i := range out {
		out[i].y = math.Min(math.Max(out[i].y, b.y0), b.y1)
	}
	return out
}

// flow paints the lower panel.
func (p *panels) flow() {
	b := p.lower
	vs := p.known([][]float64{p.Trace.FlowLMin})
	top, bottom := 2.0, 0.0
	if len(vs) > 0 {
		top, bottom = math.Max(top, vs[len(vs)-1]), math.Min(bottom, vs[0])
	}
	top = math.Min(top, 400) // 6 l/s and more is no draw of a dwelling
	step := niceStep(top / 3)
	ys := axis{math.Max(bottom, -top), math.Ceil(top*1.02/step) * step, b.y1, b.y0}
	p.frame(b, ys, numberTicks(ys.lo, ys.hi, int(math.Max(2, b.height()/32))), p.text)

	look := stroke{color: p.theme.flow, width: 1.5}
	foot := ys.px(0)
	var fine [][]point
	for _, piece := range p.pieces(p.Trace.FlowLMin, ys) {
		piece = held(piece, p.xs.px(heldS)-p.xs.px(0))
		coarse := clampY(thin(piece, 1), b)
		coarse = append(coarse, point{coarse[len(coarse)-1].x, foot}, point{coarse[0].x, foot})
		p.area(faint(p.theme.flow, 0.16), coarse)
		fine = append(fine, thin(piece, 0.35))
	}
	p.lines(look, within(b, fine)...)
	if l := p.flowLabel(); len(vs) > 0 && l.mean {
		l.line, l.at = look, clampY([]point{p.meanPoint(ys, p.Event.FlowLMin)}, b)[0]
		p.lineLabels(b, []lineLabel{l}, p.text, p.narrow)
	}
}

// meanPoint is where a mean over the steady parts is marked: at the end of the
// last one.
func (p *panels) meanPoint(ys axis, mean float64) point {
	x, _ := p.lastSteady()
	return point{x, ys.px(mean)}
}

// held puts a step before each point that follows the one before it by more
// than most px.
func held(ps []point, most float64) []point {
	var out []point
	for i, q := range ps {
		if i > 0 && q.x-ps[i-1].x > most+1e-6 {
			out = append(out, point{q.x, ps[i-1].y})
		}
		out = append(out, q)
	}
	return out
}

// frame paints a panel's value axis and grid.
func (c *canvas) frame(b box, ys axis, ticks []tick, text style) {
	label := style{size: text.size - 1, color: c.theme.soft, align: 1}
	for _, t := range ticks {
		c.hline(stroke{color: c.theme.hair, width: 0.8}, b.x0, b.x1, ys.px(t.at))
		c.text(point{b.x0 - 6, ys.px(t.at) + label.size*0.35}, t.label, label)
	}
	c.vline(stroke{color: c.theme.soft, width: 1}, b.x0, b.y0, b.y1)
}

// gaps names the stretches of the event in which nothing was read, where they
// are wide enough for the words.
func (p *panels) gaps() {
	soft := style{size: 11, color: p.theme.soft, align: 0.5}
	const words = "no readings"
	name := func(from, to greywatt.Instant) {
		x0, x1 := p.xs.px(from.Sub(p.from)), p.xs.px(to.Sub(p.from))
		if x1-x0 >= soft.measure(words)+12 {
			p.canvas.text(point{(x0 + x1) / 2, (p.upper.y0 + p.upper.y1) / 2}, words, soft)
		}
	}
	last := p.from
	for i, at := range p.Trace.At {
		read := i < len(p.Trace.FlowLMin) && finite(p.Trace.FlowLMin[i])
		for ch := range 4 {
			read = read || i < len(p.Trace.Port[ch]) && finite(p.Trace.Port[ch][i])
		}
		if !read || at < p.from || at > p.to {
			continue
		}
		name(last, at)
		last = at
	}
	name(last, p.to)
}

// timeAxis paints the clock under the panels.
func (p *panels) timeAxis(b box, times []tick) {
	st := style{size: 11, color: p.theme.soft, align: 0.5}
	y := p.lower.y1
	p.hline(stroke{color: p.theme.soft, width: 1}, p.xs.from, p.xs.to, y)
	for _, t := range times {
		x := p.xs.px(t.at)
		p.vline(stroke{color: p.theme.soft, width: 1}, x, y, y+4)
		p.canvas.text(point{x, y + 16}, t.label, st)
	}
	st.align = 0
	p.canvas.text(point{p.xs.from, y + 31}, st.fit("local time, "+zone(p.Event.Start.Time().In(p.Location)), b.width()*0.48), st)

	for _, m := range p.marks {
		x := p.xs.px(m.at.Sub(p.from))
		p.vline(stroke{color: p.theme.soft, width: 1, dash: []float64{1.5, 2.5}}, x, p.upper.y0, p.lower.y1)
		x += 4
		if w := st.measure(m.label); x+w > p.xs.to {
			x = math.Max(x-w-8, p.xs.from)
		}
		p.canvas.text(point{x, p.upper.y1 + 13}, m.label, st)
	}
}

// captions says what the panels show, in the line above each.
func (p *panels) captions(b box, beyond int) {
	soft := style{size: 11, color: p.theme.soft}
	head := "temperature at the ports, °C"
	if p.Clamps {
		head += " (thin: as the clamps read)"
	}
	if beyond > 0 {
		head += fmt.Sprintf("; %s off the scale", wording.Count(beyond, "reading"))
	}
	y := p.upper.y0 - 10
	if s := p.steadyCaption(); s != "" {
		// At the right where there is room, under the caption on a phone.
		x := b.x1 - soft.measure(s)
		if p.narrow {
			x = b.x0 + swatchWidth
		}
		if p.narrow || x-swatchWidth-b.x0 >= soft.measure(head) {
			p.swatch(point{x - swatchWidth, y}, p.theme.steady)
			p.canvas.text(point{x, y}, soft.fit(s, b.x1-x), soft)
		}
		if p.narrow {
			y -= captionStep
		}
	}
	p.canvas.text(point{b.x0, y}, soft.fit(head, b.width()), soft)
	p.canvas.text(point{b.x0, p.lower.y0 - 9}, "mains flow, l/min", soft)
}

// clockMarks finds midnight and a change of the clock within (from, to).
func (e EventChart) clockMarks(from, to greywatt.Instant) []clockMark {
	local := from.Time().In(e.Location)
	y, m, d := local.Date()
	midnight := time.Date(y, m, d+1, 0, 0, 0, 0, e.Location)
	marks := []clockMark{{greywatt.InstantOf(midnight), midnight.Format("Monday 2 January")}}
	if _, change := local.ZoneBounds(); !change.IsZero() {
		marks = append(marks, clockMark{greywatt.InstantOf(change), "clocks change to " + zone(change.In(e.Location))})
	}
	return slices.DeleteFunc(marks, func(m clockMark) bool { return m.at <= from || m.at >= to })
}

// known returns the known values of the series within the window, ascending.
func (p *panels) known(series [][]float64) []float64 {
	var out []float64
	for _, vs := range series {
		for i, at := range p.Trace.At {
			if i < len(vs) && at >= p.from && at <= p.to && finite(vs[i]) {
				out = append(out, vs[i])
			}
		}
	}
	slices.Sort(out)
	return out
}

// temperatureAxis spans the known values, at least 10 K. A few wild readings
// shall not flatten the rest: what lies further out than the middle 99 % of
// the values is wide gets no room, and is counted.
func (p *panels) temperatureAxis(series [][]float64) (ys axis, beyond int) {
	vs := p.known(series)
	lo, hi := 5.0, 40.0
	if n := len(vs); n > 0 {
		a, b := vs[n/200], vs[n-1-n/200]
		span := math.Max(b-a, 10)
		lo, hi = math.Max(vs[0], a-span), math.Min(vs[n-1], b+span)
	}
	for _, v := range vs {
		if v < lo || v > hi {
			beyond++
		}
	}
	if hi-lo < 10 {
		mid := (lo + hi) / 2
		lo, hi = mid-5, mid+5
	}
	pad := 0.02 * (hi - lo)
	return axis{math.Floor(lo - pad), math.Ceil(hi + pad), p.upper.y1, p.upper.y0}, beyond
}

// pieces returns a series in px, parted at its gaps.
func (p *panels) pieces(vs []float64, ys axis) [][]point {
	var pieces [][]point
	var last greywatt.Instant
	open := false
	for i, at := range p.Trace.At {
		if at < p.from || at > p.to || i >= len(vs) {
			continue
		}
		if !finite(vs[i]) {
			open = false
			continue
		}
		if !open || at.Sub(last) > maxStepS {
			pieces = append(pieces, nil)
		}
		k := len(pieces) - 1
		pieces[k] = append(pieces[k], point{p.xs.px(at.Sub(p.from)), ys.px(vs[i])})
		last, open = at, true
	}
	return pieces
}
