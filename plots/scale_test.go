package plots

import (
	"fmt"
	"image/color"
	"io"
	"math"
	"strings"
	"testing"

	"greywatt"
)

func hex(c color.NRGBA) string { return fmt.Sprintf("#%02x%02x%02x", c.R, c.G, c.B) }

// tickText finds the one tick label s.
func tickText(t *testing.T, p picture, s string) text {
	t.Helper()
	var found []text
	for _, x := range p.texts {
		if x.s == s {
			found = append(found, x)
		}
	}
	if len(found) != 1 {
		t.Fatalf("tick %q is there %d times", s, len(found))
	}
	return found[0]
}

// upright returns the height of a value, from two tick labels of the value
// axis, whose baselines lie equally far below their ticks.
func upright(t *testing.T, p picture, a, b string) func(v float64) float64 {
	t.Helper()
	ta, tb := tickText(t, p, a), tickText(t, p, b)
	var va, vb float64
	fmt.Sscan(a, &va)
	fmt.Sscan(b, &vb)
	below := 0.35 * ta.size
	return func(v float64) float64 { return ta.at.y - below + (v-va)/(vb-va)*(tb.at.y-ta.at.y) }
}

func TestEventPlacesTemperatures(t *testing.T) {
	e := shower().chart()
	p := renderEvent(t, e)
	y := upright(t, p, "15", "35")
	for ch, want := range map[greywatt.Channel]float64{greywatt.WasteIn: 37.4, greywatt.ColdIn: 11.2} {
		x := place(t, p, "07:18:00")
		seen := false
		for _, s := range p.shapes {
			if s.stroke != port(ch) {
				continue
			}
			for _, piece := range s.pieces {
				if len(piece) > 1 && piece[0].x <= x && piece[len(piece)-1].x >= x {
					seen = true
					if got := height(piece, x); math.Abs(got-y(want)) > 1.5 {
						t.Errorf("%v at 07:18 stands at %.1f px, want %.1f", ch, got, y(want))
					}
				}
			}
		}
		if !seen {
			t.Errorf("%v: no line at 07:18", ch)
		}
	}
}

// On a phone's page of 390 px, and within its margins of 16, the plot has 70 %
// of the width.
func TestPlotTakesMostOfAPhone(t *testing.T) {
	for name, d := range charts() {
		if !strings.HasPrefix(name, "event ") && !strings.HasPrefix(name, "trend ") && !strings.HasPrefix(name, "season ") || name == "season none" {
			continue
		}
		for _, w := range []int{390, 358} {
			widest := 0.0
			for _, s := range readSVG(t, render(t, d, Output{Width: w, Height: 520})).shapes {
				for _, piece := range s.pieces {
					if s.stroke == hex(light.soft) && len(piece) == 2 && piece[0].y == piece[1].y {
						widest = math.Max(widest, piece[1].x-piece[0].x) // the time axis
					}
				}
			}
			if share := widest / float64(w); share < 0.7 || share > 0.95 {
				t.Errorf("%s, %d px wide: the plot has %.0f %%, want 70", name, w, 100*share)
			}
		}
	}
}

// A steady mean is marked at the end of the steady part, at its own height, and
// named at that height.
func TestMeansStandWhereTheyHold(t *testing.T) {
	e := shower().chart()
	p := renderEvent(t, e)
	end := place(t, p, "07:19:53")
	y := upright(t, p, "15", "35")
	marks := 0
	for _, s := range p.shapes {
		if s.stroke != hex(light.ink) || len(s.pieces) != 1 || math.Abs(s.width-5.6) > 0.01 {
			continue
		}
		at := s.pieces[0][0]
		if math.Abs(at.x-end) > 0.6 {
			t.Errorf("a mark at x = %.1f, want %.1f", at.x, end)
		}
		for _, mean := range []float64{e.Event.WasteInC, e.Event.WasteOutC, e.Event.ColdInC, e.Event.PreheatOutC} {
			if math.Abs(at.y-y(mean)) < 0.6 {
				marks++
			}
		}
	}
	if marks != 4 {
		t.Errorf("%d marks at the height of their mean, want 4", marks)
	}
	if l := p.find("waste in 37.4")[0]; math.Abs(l.at.y-0.35*l.size-y(37.4)) > 1 {
		t.Errorf("the name of waste in stands at %.1f, want %.1f", l.at.y-0.35*l.size, y(37.4))
	}
}

// One wild reading is cut off and counted; it does not flatten the rest.
func TestWildReadingsDoNotSetTheScale(t *testing.T) {
	e := shower().chart()
	e.Trace.Port[greywatt.PreheatOut][200] = 119
	p := renderEvent(t, e)
	if len(p.find("1 reading off the scale")) != 1 {
		t.Errorf("not counted:\n%s", p.words())
	}
	y := upright(t, p, "20", "40")
	if perK := (y(20) - y(40)) / 20; perK < 3.5 {
		t.Errorf("%.2f px a kelvin, want 3.5 and more", perK)
	}
	// A real event's extremes are within the scale.
	if p := renderEvent(t, cases()["pauses"]); len(p.find("off the scale")) != 0 {
		t.Error("a tame event is cut")
	}
}

func TestTrendPlacesValues(t *testing.T) {
	c := trends()["step"]
	p := drawTrend(t, c)
	y := upright(t, p, "0.70", "1.10")
	var threshold, bars bool
	var fits [][]point
	for _, s := range p.shapes {
		switch {
		case s.stroke == hex(light.fit):
			fits = append(fits, s.pieces...)
		case s.stroke == hex(light.ink) && len(s.pieces) == 1:
			a, b := s.pieces[0][0], s.pieces[0][len(s.pieces[0])-1]
			if b.x-a.x > 400 {
				threshold = true
				if math.Abs(a.y-y(0.88)) > 0.6 || math.Abs(b.y-y(0.88)) > 0.6 {
					t.Errorf("threshold at %.1f, want %.1f", a.y, y(0.88))
				}
			}
		case len(s.pieces) == len(c.Points) && len(s.pieces[0]) == 2 && s.stroke != hex(light.point):
			bars = true
			for i, q := range c.Points {
				hi, lo := s.pieces[i][0].y, s.pieces[i][1].y
				if inside := q.UARatio-q.UARatioU95 > 0.66 && q.UARatio+q.UARatioU95 < 1.1; !inside {
					continue
				}
				if math.Abs(hi-y(q.UARatio+q.UARatioU95)) > 0.6 || math.Abs(lo-y(q.UARatio-q.UARatioU95)) > 0.6 {
					t.Fatalf("bar of event %d from %.1f to %.1f, want %.1f to %.1f", i, lo, hi, y(q.UARatio-q.UARatioU95), y(q.UARatio+q.UARatioU95))
				}
			}
		}
	}
	if !threshold || !bars {
		t.Errorf("threshold drawn: %t, bars drawn: %t", threshold, bars)
	}
	if len(fits) < 2 || math.Abs(fits[0][0].y-y(0.97)) > 0.6 || math.Abs(fits[1][0].y-y(0.80)) > 0.6 {
		t.Errorf("trend at %.1f, want %.1f then %.1f", fits, y(0.97), y(0.80))
	}
	if gap := fits[1][0].x - fits[0][len(fits[0])-1].x; gap < 1 {
		t.Errorf("the trend runs on across the step")
	}
}

func TestWildEventsDoNotSetTheScale(t *testing.T) {
	c := trends()["fouling"]
	c.Points[7].UARatio = -3
	y := upright(t, drawTrend(t, c), "0.70", "1.00")
	if per := (y(0.7) - y(1)) / 0.3; per < 500 {
		t.Errorf("%.0f px for a ratio of 1, want 500 and more", per)
	}
}

func TestDistributionPlacesValues(t *testing.T) {
	d := DistributionChart{Threshold: 0.9, Rows: []DistributionRow{{Name: "a", Median: 0.8, Lo: 0.76, Hi: 0.83}, {Name: "b", Median: 0.97, Lo: 0.95, Hi: 1.02}}}
	p := readSVG(t, render(t, func(w io.Writer, o Output) error { return Write(w, o, d) }, Output{}))
	a, b := tickText(t, p, "0.80"), tickText(t, p, "1.00")
	x := func(v float64) float64 {
		xa, xb := a.at.x+a.wide/2, b.at.x+b.wide/2
		return xa + (v-0.8)/0.2*(xb-xa)
	}
	want := map[string]bool{}
	for _, s := range p.shapes {
		for _, piece := range s.pieces {
			from, to := piece[0].x, piece[len(piece)-1].x
			for _, r := range d.Rows {
				if math.Abs(from-x(r.Lo)) < 0.6 && math.Abs(to-x(r.Hi)) < 0.6 {
					want[r.Name+" interval"] = true
				}
				if from == to && math.Abs(from-x(r.Median)) < 0.6 && s.width > 3 {
					want[r.Name+" median "+s.stroke] = true
				}
			}
		}
	}
	for _, k := range []string{"a interval", "b interval", "a median " + hex(light.bad), "b median " + hex(light.point)} {
		if !want[k] {
			t.Errorf("%s is not where it belongs: %v", k, want)
		}
	}
}

// A chart on the sheet is drawn smaller as a whole, text and lines alike.
func TestSheetScalesItsChart(t *testing.T) {
	p := readSVG(t, render(t, func(w io.Writer, o Output) error { return Write(w, o, sheet()) }, Output{}))
	if l := p.find("waste in 37.4"); len(l) != 1 || l[0].size > 10 {
		t.Errorf("labels of the chart: %v, want one of at most 10 px", l)
	}
	for _, s := range p.shapes {
		if s.stroke == port(greywatt.WasteIn) && math.Abs(s.width-0.76*light.port[0].width) > 0.01 {
			t.Errorf("a line of %.2f px", s.width)
		}
	}
}

// A node that wakes with the water has read nothing for a minute: the flow does
// not ramp up over that minute.
func TestFlowStepsWhenANodeWakes(t *testing.T) {
	e := shower().chart()
	tr := e.Trace
	e.Trace.At, e.Trace.FlowLMin = nil, nil
	for ch := range 4 {
		e.Trace.Port[ch] = nil
	}
	for i := range tr.At {
		if s := tr.At[i].Sub(e.Event.Start); s > -50 && s < 0 {
			continue
		}
		e.Trace.At = append(e.Trace.At, tr.At[i])
		e.Trace.FlowLMin = append(e.Trace.FlowLMin, tr.FlowLMin[i])
		for ch := range 4 {
			e.Trace.Port[ch] = append(e.Trace.Port[ch], tr.Port[ch][i])
		}
	}
	p := renderEvent(t, e)
	onset := place(t, p, "07:12:31")
	for _, s := range p.shapes {
		if s.stroke != hex(light.flow) || len(s.pieces[0]) < 4 {
			continue
		}
		for i, q := range s.pieces[0][1:] {
			if before := s.pieces[0][i]; q.y < before.y-20 {
				if math.Abs(before.x-onset) > 0.6 || math.Abs(q.x-onset) > 0.6 {
					t.Errorf("flow rises from x = %.1f to %.1f, want both at the onset, %.1f", before.x, q.x, onset)
				}
				return
			}
		}
	}
	t.Error("no rise of the flow found")
}
