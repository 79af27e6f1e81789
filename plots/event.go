package plots

import (
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/plots/wording"
)

// An EventChart is one draw of water: the four port temperatures above, the
// mains flow below on the same time axis, the steady parts shaded, and the
// event's figures in words.
type EventChart struct {
	Event    event.Event
	Trace    event.Trace
	Location *time.Location // of the clock on the time axis; nil: UTC

	Name   string // what to call the dwelling, a pseudonym say; empty: its id
	Clamps bool   // draw the raw clamp readings too, thin and pale
}

// leastEvent is the smallest size of an event chart, px.
var leastEvent = [2]int{320, 320}

// write writes the chart of an event.
func (e EventChart) write(w io.Writer, o Output) error {
	e = e.withDefaults()
	m := meta{title: e.title() + ", " + e.when(), description: e.summary()}
	return o.paint(w, "an event chart", leastEvent, m, func(c *canvas) {
		e.paint(c, c.bounds().inset(margin(c.w)), true)
	})
}

// margin returns the white edge of a picture w px wide.
func margin(w float64) float64 {
	switch {
	case w < 420:
		return 6 // a phone's page has a margin of its own
	case w < 500:
		return 10
	}
	return 16
}

func (e EventChart) withDefaults() EventChart {
	if e.Location == nil {
		e.Location = time.UTC
	}
	if e.Name == "" {
		e.Name = e.Event.Dwelling
	}
	return e
}

func (e EventChart) title() string {
	kind := map[event.Kind]string{
		event.Shower:    "shower",
		event.OtherDraw: "other draw, no warm waste",
		event.Partial:   "draw with a gap in the data",
	}[e.Event.Kind]
	if kind == "" {
		kind = "draw"
	}
	if e.Event.Connection != 0 {
		kind += ", connection " + e.Event.Connection.String()
	}
	return e.Name + ": " + kind
}

func (e EventChart) when() string { return when(e.Event.Start, e.Event.End, e.Location) }

// A figure is a caption and what stands under it.
type figure struct{ caption, value string }

func (e EventChart) figures() []figure {
	ev := e.Event
	fs := []figure{{"effectiveness", plusMinus(ev.Effectiveness, ev.EffectivenessU95, 2)}}
	for _, f := range []figure{
		{"expected", plusMinus(ev.Expected, ev.ExpectedU95, 2)},
		{"measured / expected", plusMinus(ev.Ratio, ev.RatioU95, 2)},
		{"heat recovered", withUnit(plusMinus(ev.HeatKWh, ev.HeatU95KWh, 2), "kWh")},
	} {
		if f.value != unknown || finite(ev.Effectiveness) {
			fs = append(fs, f)
		}
	}
	water := unknown
	if finite(ev.VolumeL) {
		decimals := 0
		if ev.VolumeL < 10 {
			decimals = 1
		}
		water = fixed(ev.VolumeL, decimals) + " l"
		if finite(ev.RunningS) {
			water += " in " + length(ev.RunningS)
		}
	}
	return append(fs, figure{"mains water", water})
}

// notes says why figures are missing or weak, and which channels are silent.
func (e EventChart) notes() string {
	var why []string
	for _, f := range e.Event.Flags {
		why = append(why, wording.Flag(f))
	}
	s := ""
	switch {
	case finite(e.Event.Effectiveness):
		if len(why) > 0 {
			s = "Flags: " + strings.Join(why, "; ") + "."
		}
	case len(why) > 0:
		s = "No effectiveness: " + strings.Join(why, "; ") + "."
	case e.Event.Kind == event.OtherDraw:
		s = "No effectiveness: no warm waste water on the other side."
	case e.Event.Kind == event.Partial:
		s = "No effectiveness: a gap in the data hides part of the draw."
	default:
		s = "No effectiveness: the event gives no reason."
	}
	return strings.TrimSpace(e.silent() + s)
}

// silent names the channels without any reading.
func (e EventChart) silent() string {
	var silent []string
	for ch, vs := range e.Trace.Port {
		if !anyFinite(vs) {
			silent = append(silent, wording.Plain(greywatt.Channel(ch).String()))
		}
	}
	if !anyFinite(e.Trace.FlowLMin) {
		silent = append(silent, "flow")
	}
	if len(silent) == 0 {
		return ""
	}
	return "No readings of " + strings.Join(silent, ", ") + ". "
}

func anyFinite(vs []float64) bool {
	for _, v := range vs {
		if finite(v) {
			return true
		}
	}
	return false
}

// summary says the chart in a sentence or two.
func (e EventChart) summary() string {
	var parts []string
	for _, f := range e.figures() {
		parts = append(parts, f.caption+" "+f.value)
	}
	return strings.TrimSpace(wording.Sentence(strings.Join(parts, ", ")) + " " + e.notes())
}

// u95Note tells what stands behind the ± signs.
const u95Note = "±: expanded uncertainty, k = 2"

// paint paints the chart within b. As a part of a page that gives the figures
// itself, it has but a line for a heading.
func (e EventChart) paint(c *canvas, b box, whole bool) {
	body := style{size: 11.5, color: c.theme.ink}
	y := b.y0
	if whole {
		y = c.heading(b, e.title(), e.when())
		y = c.figureStrip(box{b.x0, y, b.x1, b.y1}, e.figures())
		c.text(point{b.x1, b.y1}, u95Note, style{size: 10, color: c.theme.soft, align: 1})
	} else {
		y += 12
		c.text(point{b.x0, y}, body.fit(e.title()+", "+e.when(), b.width()), body)
	}
	for _, line := range body.wrap(e.notes(), b.width(), 3) {
		y += 15
		c.text(point{b.x0, y}, line, body)
	}
	e.panels(c, box{b.x0, y + 12, b.x1, b.y1})
}

// heading writes a bold line and lighter ones under it, and returns the
// baseline of the last.
func (c *canvas) heading(b box, title string, under ...string) float64 {
	big := style{size: 17, bold: true, color: c.theme.ink}
	if b.width() < 500 {
		big.size = 14
	}
	y := b.y0 + 2
	for _, line := range big.wrap(title, b.width(), 2) {
		y += big.size
		c.text(point{b.x0, y}, line, big)
		y += 2
	}
	light := style{size: 12, color: c.theme.soft}
	for _, u := range under {
		for _, line := range light.wrap(u, b.width(), 3) {
			y += 15
			c.text(point{b.x0, y}, line, light)
		}
	}
	return y
}

// figureStrip writes figures side by side between hairlines, in as many rows as
// they need, and returns the lower edge.
func (c *canvas) figureStrip(b box, fs []figure) float64 {
	value := style{size: 15, bold: true, color: c.theme.ink}
	if b.width() < 500 {
		value.size = 13
	}
	caption := style{size: 11, color: c.theme.soft}
	y := b.y0 + 9
	hair := stroke{color: c.theme.hair, width: 1}
	c.hline(hair, b.x0, b.x1, y)
	const gap = 22
	for i := 0; i < len(fs); {
		// Take as many as fit, then share out what room is left.
		var widths []float64
		room := b.width()
		for _, f := range fs[i:] {
			w := math.Max(value.measure(f.value), caption.measure(f.caption))
			if len(widths) > 0 && room < w+gap {
				break
			}
			if len(widths) > 0 {
				room -= gap
			}
			room -= w
			widths = append(widths, w)
		}
		extra := math.Min(math.Max(room, 0)/float64(len(widths)), 40)
		x := b.x0
		for j, w := range widths {
			c.text(point{x, y + 15}, caption.fit(fs[i+j].caption, b.width()), caption)
			c.text(point{x, y + 33}, value.fit(fs[i+j].value, b.width()), value)
			x += w + gap + extra
		}
		y += 39
		i += len(widths)
	}
	y += 2
	c.hline(hair, b.x0, b.x1, y)
	return y
}

// window returns the stretch of time to show: the event with a quarter of its
// length on either side, at least a minute and at most two before it, at least
// a minute and a half and at most five after it, as far as the trace goes.
func (e EventChart) window() (from, to greywatt.Instant) {
	d := e.Event.End.Sub(e.Event.Start)
	if !(d > 0) {
		d = 0
	}
	from = e.Event.Start.Add(-math.Min(math.Max(d/4, 60), 120))
	to = e.Event.Start.Add(d + math.Min(math.Max(d/4, 90), 300))
	if n := len(e.Trace.At); n > 0 {
		if first := e.Trace.At[0]; first > from && first < e.Event.Start {
			from = first
		}
		if last := e.Trace.At[n-1]; last < to && last > e.Event.End {
			to = last
		}
	}
	return from, to
}

// steadyCaption says what the shading, the marks at its end and the numbers
// beside the names mean.
func (e EventChart) steadyCaption() string {
	switch n := len(e.Event.Steady); {
	case n == 0:
		return ""
	case n == 1:
		return "steady part, " + length(e.Event.SteadyS) + "; marks and numbers: its means"
	default:
		return fmt.Sprintf("%d steady parts, %s in all; marks and numbers: their means", n, length(e.Event.SteadyS))
	}
}
