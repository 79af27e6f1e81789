package plots

import (
	"bytes"
	"fmt"
	"image/png"
	"io"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis/event"
)

// A renderer writes one chart.
type renderer func(io.Writer, Output) error

// charts returns every kind of chart with the sizes it is rendered at.
func charts() map[string]renderer {
	all := map[string]renderer{}
	for name, e := range cases() {
		all["event "+name] = func(w io.Writer, o Output) error { return Write(w, o, e) }
	}
	for name, tr := range trends() {
		all["trend "+name] = func(w io.Writer, o Output) error { return Write(w, o, tr) }
	}
	for _, n := range []int{0, 1, 7, 60, 75} {
		v, d := street(n), spreadOf(n)
		all[fmt.Sprint("overview ", n)] = func(w io.Writer, o Output) error { o.Height = 0; return Write(w, o, v) }
		all[fmt.Sprint("distribution ", n)] = func(w io.Writer, o Output) error { o.Height = 0; return Write(w, o, d) }
	}
	for name, sc := range map[string]SeasonChart{"year": year(), "half": {Months: year().Months[:6]}, "one": {Months: year().Months[:1]}, "none": {}} {
		all["season "+name] = func(w io.Writer, o Output) error { return Write(w, o, sc) }
	}
	lines := []PlanLine{{"clamps ± 0.3 K", []float64{4, 20, 200}, []float64{0.05, 0.03, 0.02}}, {"clamps ± 0.15 K", []float64{4, 20, 200}, []float64{0.05, 0.029, 0.018}}}
	for name, pc := range map[string]PlanChart{"two": {Lines: lines, Want: 0.02}, "one": {Lines: lines[:1]}, "none": {}} {
		all["plan "+name] = func(w io.Writer, o Output) error { return Write(w, o, pc) }
	}
	for name, tr := range trends() {
		strip := Sparkline{Name: name, Points: tr.Points, Threshold: tr.Threshold}
		all["sparkline "+name] = func(w io.Writer, o Output) error { o.Width, o.Height = 0, 0; return Write(w, o, strip) }
	}
	s, bare := sheet(), Sheet{Title: "Commissioning check"}
	all["sheet"] = func(w io.Writer, o Output) error { o.Width, o.Height = 0, 0; return Write(w, o, s) }
	all["sheet bare"] = func(w io.Writer, o Output) error { o.Width, o.Height = 0, 0; return Write(w, o, bare) }
	return all
}

func render(t testing.TB, d renderer, o Output) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := d(&b, o); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func renderEvent(t testing.TB, e EventChart) picture {
	t.Helper()
	return readSVG(t, render(t, func(w io.Writer, o Output) error { return Write(w, o, e) }, Output{}))
}

// Every chart, at every size: well-formed, no style attribute, numbers only,
// nothing outside the picture, no text on other text.
func TestChartsAreClean(t *testing.T) {
	all := charts()
	for _, name := range slices.Sorted(maps.Keys(all)) {
		for size, wh := range sizes {
			t.Run(name+" "+size, func(t *testing.T) {
				b := render(t, all[name], Output{Width: wh[0], Height: wh[1]})
				if bytes.Contains(b, []byte("NaN")) || bytes.Contains(b, []byte("Inf")) {
					t.Error("a NaN or an infinity in the file")
				}
				p := readSVG(t, b)
				p.check(t)
				if p.title == "" {
					t.Error("no title")
				}
			})
		}
	}
}

// The charts must not fail on what a broken node or a bug upstream may hand
// them.
func TestEventSurvivesAnything(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	odd := []float64{math.NaN(), math.Inf(1), math.Inf(-1), 0, -1e300, 1e300, 1e-300, -5, 20}
	pick := func() float64 { return odd[rng.IntN(len(odd))] }
	for i := range 100 {
		e := shower().chart()
		for k := range e.Trace.At {
			if rng.IntN(4) == 0 {
				e.Trace.FlowLMin[k] = pick()
				e.Trace.Port[rng.IntN(4)][k] = pick()
				e.Trace.Surface[rng.IntN(4)][k] = pick()
			}
		}
		e.Event.Effectiveness, e.Event.EffectivenessU95, e.Event.Ratio, e.Event.HeatKWh = pick(), pick(), pick(), pick()
		e.Event.VolumeL, e.Event.RunningS, e.Event.FlowLMin, e.Event.WasteInC = pick(), pick(), pick(), pick()
		e.Clamps = i%2 == 0
		switch i % 5 {
		case 1:
			e.Event.End = e.Event.Start.Add(-1e6)
		case 2:
			e.Event.Steady = []event.Span{{From: 0, To: 1 << 60}, {From: 5, To: 3}}
		case 3:
			e.Trace.Port[1], e.Trace.FlowLMin = e.Trace.Port[1][:5], nil
		case 4:
			e.Event.End = e.Event.Start.Add(4e7)
		}
		b := render(t, func(w io.Writer, o Output) error { return Write(w, o, e) }, Output{})
		for _, s := range readSVG(t, b).shapes {
			for _, piece := range s.pieces {
				for _, q := range piece {
					if q.x < -1 || q.x > 901 || q.y < -1 || q.y > 601 {
						t.Fatalf("case %d: %s%s reaches %.1f", i, s.fill, s.stroke, q)
					}
				}
			}
		}
	}
}

func TestSameBytes(t *testing.T) {
	all, others := charts(), charts()
	for _, name := range []string{"event pauses", "event holes", "trend marks", "overview 60", "distribution 7", "sheet"} {
		for _, f := range []Format{SVG, PNG, PDF} {
			first := render(t, all[name], Output{Format: f})
			if again := render(t, others[name], Output{Format: f}); !bytes.Equal(first, again) {
				t.Errorf("%s as %s differs when drawn again", name, f)
			}
		}
	}
}

// The project's aim is 60 kB an event chart, uncompressed; a page of six is
// then within its weight after compression.
func TestEventWeight(t *testing.T) {
	for name, e := range cases() {
		if b := render(t, func(w io.Writer, o Output) error { return Write(w, o, e) }, Output{}); len(b) > 60_000 {
			t.Errorf("%s: %d bytes, want at most 60000", name, len(b))
		}
	}
	// The worst case: forty minutes at 2 Hz with noise and the clamps' lines.
	s := shower()
	s.seconds, s.every = 2400, 0.5
	e := roughened(s.chart())
	e.Clamps = true
	if b := render(t, func(w io.Writer, o Output) error { return Write(w, o, e) }, Output{}); len(b) > 60_000 {
		t.Errorf("noisy: %d bytes, want at most 60000", len(b))
	}
}

func TestEventSaysItsFigures(t *testing.T) {
	s := shower()
	s.flags = []event.Flag{event.FlagRoomAssumed, "a-flag-of-tomorrow"}
	p := renderEvent(t, s.chart())
	for _, want := range []string{
		"larch-04: shower, connection A",
		"Tuesday 14 July 2026, 07:12:31 to 07:20:03 (IST, UTC+1)",
		"0.537 ± 0.024", "0.583 ± 0.012", "0.92 ± 0.05", "1.03 ± 0.04 kWh", "63 l in 7 min 32 s",
		"waste in 37.4 °C", "waste out 23.3 °C", "cold in 11.2 °C", "preheat out 25.3 °C", "mains 8.3 l/min",
		"temperature at the ports, °C", "mains flow, l/min", "local time, IST, UTC+1",
		"steady part, 5 min 52 s", "room temperature taken from the resting clamps; a flag of tomorrow",
	} {
		if len(p.find(want)) != 1 {
			t.Errorf("%q is there %d times, want once; words:\n%s", want, len(p.find(want)), p.words())
		}
	}
	if want := "larch-04: shower, connection A, Tuesday 14 July 2026, 07:12:31 to 07:20:03 (IST, UTC+1)"; p.title != want {
		t.Errorf("title %q, want %q", p.title, want)
	}
	if !strings.Contains(p.desc, "Effectiveness 0.537 ± 0.024, expected 0.583 ± 0.012") {
		t.Errorf("description %q", p.desc)
	}
}

func TestEventSaysWhyThereIsNoFigure(t *testing.T) {
	for name, want := range map[string]string{
		"other-draw":  "No effectiveness: no warm waste water on the other side.",
		"partial":     "No effectiveness: no readings for part of it; its start lies in a gap; too short or too restless to settle.",
		"ten-seconds": "No effectiveness: too short or too restless to settle.",
		"nothing":     "No readings of waste in, waste out, cold in, preheat out, flow.",
	} {
		p := renderEvent(t, cases()[name])
		if len(p.find(want)) != 1 {
			t.Errorf("%s: want %q in\n%s", name, want, p.words())
		}
		if name != "nothing" && len(p.find("not known")) != 1 {
			t.Errorf("%s: effectiveness is not called not known", name)
		}
	}
}

// port returns the ink of a channel in the light theme.
func port(ch greywatt.Channel) string { return hex(light.port[ch].color) }

// place returns where on the time axis a moment is, from the labels of two
// ticks, which are centred on theirs.
func place(t *testing.T, p picture, clock string) float64 {
	t.Helper()
	mid := func(s string) (float64, float64) {
		ts := p.find(s)
		if len(ts) != 1 {
			t.Fatalf("tick %s: found %d", s, len(ts))
		}
		at, err := time.Parse("15:04", s)
		if err != nil {
			t.Fatal(err)
		}
		return ts[0].at.x + ts[0].wide/2, float64(at.Unix())
	}
	x0, t0 := mid("07:13")
	x1, t1 := mid("07:19")
	at, err := time.Parse("15:04:05", clock)
	if err != nil {
		t.Fatal(err)
	}
	return x0 + (float64(at.Unix())-t0)/(t1-t0)*(x1-x0)
}

func TestEventPlacesTime(t *testing.T) {
	p := renderEvent(t, shower().chart())
	// The steady part runs from 90 s to 442 s after 07:12:31.
	from, to := place(t, p, "07:14:01"), place(t, p, "07:19:53")
	grounds := 0
	for _, s := range p.shapes {
		if s.fill != "#eceee4" || len(s.pieces[0]) != 5 {
			continue
		}
		x0, x1 := s.pieces[0][0].x, s.pieces[0][1].x
		if x1-x0 < 50 {
			continue // the key
		}
		grounds++
		if math.Abs(x0-from) > 0.6 || math.Abs(x1-to) > 0.6 {
			t.Errorf("ground from %.1f to %.1f, want %.1f to %.1f", x0, x1, from, to)
		}
	}
	if grounds != 2 {
		t.Errorf("%d grounds, want one in each panel", grounds)
	}
}

func TestGapsInDataAreGapsInLines(t *testing.T) {
	p := renderEvent(t, cases()["partial"]) // no readings from 140 s to 300 s after 07:12:31
	in, out := place(t, p, "07:14:52"), place(t, p, "07:17:29")
	for ch := range greywatt.Channel(4) {
		drawn := 0.0
		for _, s := range p.shapes {
			if s.stroke != port(ch) || s.width < 1 {
				continue
			}
			for _, piece := range s.pieces {
				for i := 1; i < len(piece); i++ {
					drawn += piece[i].x - piece[i-1].x
					if piece[i-1].x < out && piece[i].x > in {
						t.Errorf("%v: a line from %.1f to %.1f within the gap %.1f to %.1f", ch, piece[i-1].x, piece[i].x, in, out)
					}
				}
			}
		}
		if drawn < 400 {
			t.Errorf("%v: only %.0f px drawn", ch, drawn)
		}
	}
	if len(p.find("no readings")) < 1 {
		t.Error("the gap is not named")
	}
}

func TestLoneReadingsAreSeen(t *testing.T) {
	e := shower().chart()
	for i := range e.Trace.At {
		if i%20 != 0 {
			e.Trace.Port[greywatt.ColdIn][i] = math.NaN()
		}
	}
	dots := 0
	for _, s := range renderEvent(t, e).shapes {
		if s.stroke == port(greywatt.ColdIn) && math.Abs(s.width-1.5*light.port[greywatt.ColdIn].width) < 0.01 {
			dots += len(s.pieces)
		}
	}
	if want := (len(e.Trace.At) + 19) / 20; dots != want {
		t.Errorf("%d dots, want %d", dots, want)
	}
}

func TestWindow(t *testing.T) {
	for _, c := range []struct {
		seconds, before, after float64
		wantBefore, wantAfter  float64
	}{
		{10, 600, 600, 60, 90},
		{400, 600, 600, 100, 100},
		{2400, 600, 600, 120, 300},
		{400, 20, 30, 20, 30}, // as far as the trace goes
	} {
		s := shower()
		s.seconds, s.before, s.after = c.seconds, c.before, c.after
		e := s.chart()
		from, to := e.window()
		if b, a := e.Event.Start.Sub(from), to.Sub(e.Event.End); b != c.wantBefore || math.Abs(a-c.wantAfter) > 1 {
			t.Errorf("%g s: %g s before and %g s after, want %g and %g", c.seconds, b, a, c.wantBefore, c.wantAfter)
		}
	}
}

func TestOutputs(t *testing.T) {
	e := shower().chart()
	for _, o := range []Output{
		{Width: 100, Height: 100}, {Width: 900}, {Width: 90000, Height: 600}, {Format: "gif"}, {Density: 9},
	} {
		var b bytes.Buffer
		if err := Write(&b, o, e); err == nil || b.Len() > 0 {
			t.Errorf("%+v: error %v and %d bytes, want an error and none", o, err, b.Len())
		}
	}
	im, err := png.Decode(bytes.NewReader(render(t, func(w io.Writer, o Output) error { return Write(w, o, e) }, Output{Format: PNG, Density: 2, Dark: true})))
	if err != nil {
		t.Fatal(err)
	}
	if s := im.Bounds().Size(); s.X != 1800 || s.Y != 1200 {
		t.Errorf("PNG of %v, want 1800 x 1200", s)
	}
	if r, g, b, _ := im.At(2, 2).RGBA(); r>>8 != 0x14 || g>>8 != 0x18 || b>>8 != 0x1a {
		t.Errorf("corner %x %x %x, want the dark ground", r>>8, g>>8, b>>8)
	}
	doc := render(t, func(w io.Writer, o Output) error { return Write(w, o, e) }, Output{Format: PDF})
	if !bytes.HasPrefix(doc, []byte("%PDF-1.")) || bytes.Count(doc, []byte("Date (D:20000101000000)")) != 2 || bytes.Count(doc, []byte("/Type /Page\n")) != 1 {
		t.Errorf("PDF: want one page and the fixed date")
	}
	if err := Write(broken{}, Output{}, e); err == nil {
		t.Error("a writer's error is lost")
	}
}

type broken struct{}

func (broken) Write([]byte) (int, error) { return 0, io.ErrClosedPipe }
