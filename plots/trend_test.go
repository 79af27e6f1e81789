package plots

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"testing"

	"greywatt"
	"greywatt/analysis/finding"
)

func drawTrend(t testing.TB, c TrendChart) picture {
	t.Helper()
	return readSVG(t, render(t, func(w io.Writer, o Output) error { return Write(w, o, c) }, Output{}))
}

func TestTrendSaysWhatItShows(t *testing.T) {
	c := trends()["fouling"]
	p := drawTrend(t, c)
	for _, want := range []string{
		"larch-04: fouling since 24 March 2026, 97 % sure", "236 events, 2 March to 27 June 2026",
		"UA fell by 21 % ± 5 % in 71 days", "cleaned 2 Jun", "change 22 Mar", "threshold 0.88",
		"the threshold is this project's choice", "as rated 1.00", "trend 0.95 (0.94 to 0.97)", "local date", "measured / rated",
	} {
		if len(p.find(want)) != 1 {
			t.Errorf("%q is there %d times, want once; words:\n%s", want, len(p.find(want)), p.words())
		}
	}
	if p := drawTrend(t, trends()["none"]); len(p.find("no event with a figure yet")) == 0 {
		t.Error("an empty trend does not say so")
	}
	if p := drawTrend(t, trends()["one"]); len(p.find("threshold")) != 0 {
		t.Error("a threshold is named where there is none")
	}
}

// A segment that starts with a cleaning is no change found; one without is.
func TestTrendMarks(t *testing.T) {
	label := func(c TrendChart) (out []string) {
		c = c.withDefaults()
		from, to := trendSpan([]TrendChart{c})
		for _, m := range c.marks(from, to) {
			out = append(out, m.label)
		}
		return out
	}
	if got, want := label(trends()["fouling"]), []string{"change 22 Mar", "cleaned 2 Jun"}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
	if got, want := label(trends()["step"]), []string{"change 14 Apr"}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}

// The bars are each event's own u95; the interval with what all share is told
// apart; events left out are hollow and dated; the mains temperature has a
// panel.
func TestTrendTellsOwnFromShared(t *testing.T) {
	c := trends()["autumn"]
	p := drawTrend(t, c)
	last := c.Points[147] // of day 73, the last that counts
	if c.Points[148].LeftOut == false || last.LeftOut {
		t.Fatal("the invented series is not what this test takes it for")
	}
	// JCGM 100, 5.1.2, from memory: independent parts add up in squares. Every event of the
	// series has the same shared part, 6 % of its UA.
	lo := last.Fit - math.Hypot(last.Fit-last.FitLo, 0.06*last.Fit)
	hi := last.Fit + math.Hypot(last.FitHi-last.Fit, 0.06*last.Fit)
	for _, want := range []string{
		"bars: each event's own u95; dashed: with the u95 that all events share; hollow: 52 events left out of the trend",
		fmt.Sprintf("with shared u95 %.2f to %.2f", lo, hi), "left out from 15 May", "mains water at the unit's inlet, °C",
	} {
		if len(p.find(want)) != 1 {
			t.Errorf("%q is there %d times, want once; words:\n%s", want, len(p.find(want)), p.words())
		}
	}
	y := upright(t, p, "0.75", "1.05")
	rings, bars, cold := 0, 0, 0
	for _, s := range p.shapes {
		switch {
		case s.stroke == hex(light.paper):
			rings += len(s.pieces)
		case s.stroke == hex(light.port[greywatt.ColdIn].color):
			cold += len(s.pieces)
		case len(s.pieces) == len(c.Points) && len(s.pieces[0]) == 2 && s.width == 0.8:
			bars++
			for i, q := range c.Points {
				if q.UARatio+q.OwnU95 > 1.05 || q.UARatio-q.OwnU95 < 0.75 {
					continue
				}
				if got, want := s.pieces[i][1].y-s.pieces[i][0].y, y(0)-y(2*q.OwnU95); math.Abs(got-want) > 0.3 {
					t.Fatalf("bar of event %d is %.1f px long, want %.1f", i, got, want)
				}
			}
		case s.stroke == hex(light.fit) && s.width == 1 && len(s.pieces) == 2:
			for k, want := range []float64{lo, hi} {
				line := s.pieces[k]
				if got := line[len(line)-1].y; math.Abs(got-y(want)) > 0.6 {
					t.Errorf("edge %d ends at %.1f, want %.1f", k, got, y(want))
				}
			}
			bars += 10
		}
	}
	if rings != 52 || bars != 11 || cold < 190 {
		t.Errorf("%d rings, want 52; bars and edges %d, want 11; %d mains temperatures, want about 200", rings, bars, cold)
	}
}

func TestTrendDrawsEveryEvent(t *testing.T) {
	c := trends()["marks"] // 840 events, 9 of them wild
	p := drawTrend(t, c)
	dots, wedges := 0, 0
	for _, s := range p.shapes {
		if s.stroke == hex(light.point) {
			dots += len(s.pieces)
		}
		if s.fill == hex(light.point) {
			wedges++
		}
	}
	// Two events may share half a px.
	if dots < 780 || dots+wedges > len(c.Points) {
		t.Errorf("%d dots and %d wedges for %d events", dots, wedges, len(c.Points))
	}
	if want := fmt.Sprintf("%d events off the scale", wedges); len(p.find(want)) != 1 {
		t.Errorf("want %q among\n%s", want, p.words())
	}
}

func TestOverviewPutsTheWorstFirst(t *testing.T) {
	v := street(75)
	var order []string
	for _, first := range []int{0, 60} {
		v.First = first
		p := readSVG(t, render(t, func(w io.Writer, o Output) error { return Write(w, o, v) }, Output{}))
		names := p.find("larch-")
		names = slices.DeleteFunc(names, func(t text) bool { return !t.bold })
		slices.SortStableFunc(names, func(a, b text) int {
			return cmp.Or(cmp.Compare(a.at.y, b.at.y), cmp.Compare(a.at.x, b.at.x))
		})
		for _, n := range names {
			order = append(order, n.s)
		}
		want := map[int]string{0: "1 to 60 of 75 dwellings", 60: "61 to 75 of 75 dwellings"}[first]
		if len(p.find(want)) != 1 {
			t.Errorf("want %q among\n%s", want, p.words())
		}
	}
	if len(order) != 75 {
		t.Fatalf("%d dwellings on two pages, want 75", len(order))
	}
	level, group := map[string]float64{}, map[string]int{}
	for _, d := range v.Dwellings {
		level[d.Dwelling.ID] = d.withDefaults().level()
		switch {
		case !finite(level[d.Dwelling.ID]):
			group[d.Dwelling.ID] = 3
		case d.Findings[0].Code == finding.Undecided:
			group[d.Dwelling.ID] = 1
		case d.Findings[0].Code == finding.Healthy:
			group[d.Dwelling.ID] = 2
		}
	}
	seen := map[int]bool{}
	for i := 1; i < len(order); i++ {
		a, b := order[i-1], order[i]
		seen[group[b]] = true
		if group[a] > group[b] || group[a] == group[b] && level[a] > level[b] {
			t.Errorf("%s (group %d, %.2f) stands before %s (group %d, %.2f)", a, group[a], level[a], b, group[b], level[b])
		}
	}
	if len(seen) != 4 {
		t.Errorf("groups %v, want all four", seen)
	}
}

// The live page's budget is 200 kB; an overview of sixty dwellings with four
// months each is to stay well below, uncompressed.
func TestOverviewWeight(t *testing.T) {
	if b := render(t, func(w io.Writer, o Output) error { return Write(w, o, street(60)) }, Output{}); len(b) > 150_000 {
		t.Errorf("%d bytes, want at most 150000", len(b))
	}
}

func TestDistributionSaysItsSum(t *testing.T) {
	d := DistributionChart{Threshold: 0.9, Rows: []DistributionRow{
		{Name: "c", Median: 1.00, Lo: 0.98, Hi: 1.02, Events: 40},
		{Name: "a", Median: 0.80, Lo: 0.78, Hi: 0.82, Events: 1, Finding: finding.Fouling},
		{Name: "d"},
		{Name: "b", Median: 0.95, Lo: 0.90, Hi: 1.00, Events: 50},
	}}
	d.Rows[2].Median = d.withDefaults().Rows[0].Median
	nan := DistributionRow{Name: "e", Median: trends()["none"].level()}
	d.Rows[2] = nan
	p := readSVG(t, render(t, func(w io.Writer, o Output) error { return Write(w, o, d) }, Output{}))
	for _, want := range []string{
		"3 dwellings, median over dwellings 0.95, 1 below 0.90, 1 more without a figure.",
		"fouling, 1 event", "no figure", "threshold 0.90, this project's choice", "as rated",
		"measured / expected effectiveness; bar: 95 % interval of the median",
	} {
		if len(p.find(want)) != 1 {
			t.Errorf("want %q once among\n%s", want, p.words())
		}
	}
	var names []string
	for _, x := range p.texts {
		if len(x.s) == 1 {
			names = append(names, x.s)
		}
	}
	if got := strings.Join(names, ""); got != "abce" {
		t.Errorf("rows in the order %q, want abce", got)
	}
}

// A few far-out dwellings do not squeeze the rest: the others have most of the
// width, and each value beyond the scale is written at the edge.
func TestOutliersAreBrokenOut(t *testing.T) {
	d := DistributionChart{Threshold: 0.9}
	for i := range 190 {
		m := 0.93 + 0.1*float64(i)/190
		d.Rows = append(d.Rows, DistributionRow{Name: fmt.Sprint("d", i), Median: m, Lo: m - 0.02, Hi: m + 0.02, Events: 9, Finding: finding.Healthy})
	}
	for i, m := range []float64{0.12, 0.31, 1.9} {
		d.Rows[50*i].Median, d.Rows[50*i].Finding = m, finding.NoRecovery
		d.Rows[50*i].Lo, d.Rows[50*i].Hi = m-0.05, m+0.05
	}
	for _, w := range []int{720, 358} {
		for _, h := range []int{0, 900} {
			p := readSVG(t, render(t, func(wr io.Writer, o Output) error { return Write(wr, o, d) }, Output{Width: w, Height: h}))
			p.check(t)
			lo, hi := math.Inf(1), 0.0
			for _, s := range p.shapes {
				if s.stroke == hex(light.point) && len(s.pieces) == 1 {
					lo, hi = math.Min(lo, s.pieces[0][0].x), math.Max(hi, s.pieces[0][0].x)
				}
			}
			if share := (hi - lo) / p.w; share < 0.2 {
				t.Errorf("%d x %d: 187 dwellings share %.0f %% of the width", w, h, 100*share)
			}
			want := []string{"0.12 ± 0.05", "0.31 ± 0.05", "1.90 ± 0.05"}
			if h == 900 {
				want = []string{"2: 0.12 to 0.31", "1.90 ± 0.05", "fault found", "no fault", "187"}
			}
			for _, s := range want {
				if len(p.find(s)) < 1 {
					t.Errorf("%d x %d: %q is not there", w, h, s)
				}
			}
		}
	}
}

func TestSheetHoldsEverything(t *testing.T) {
	s := sheet()
	p := readSVG(t, render(t, func(w io.Writer, o Output) error { return Write(w, o, s) }, Output{}))
	if p.w != 595 || p.h != 842 {
		t.Errorf("%g x %g, want A4", p.w, p.h)
	}
	for _, want := range []string{
		"Commissioning check: larch-04", "Fail", "The unit recovers less", "0.537 ± 0.024", "0.583 ± 0.012", "8.30 ± 0.25 l/min",
		"What to check", "Is the mains water", "Cautions", "The figure holds", "Engineer: name, date, signature", "Resident: name",
		"Figures by greywatt", "waste in 37.4 °C", "0.57 at 9.5", "and 9.5 l/min of", "there from the start.",
	} {
		if len(p.find(want)) != 1 {
			t.Errorf("want %q once among\n%s", want, p.words())
		}
	}
	// Too long for the page: the chart gives way, then the lists end early, and
	// both say so.
	for range 40 {
		s.Checks = append(s.Checks, "Is there one more thing to look at that takes more than a single line of this narrow list?")
	}
	for range 3 {
		p = readSVG(t, render(t, func(w io.Writer, o Output) error { return Write(w, o, s) }, Output{}))
		p.check(t)
		if len(p.find("did not fit")) != 1 {
			t.Error("the chart went without a word")
		}
		s.Checks = append(s.Checks, s.Checks...)
	}
	if len(p.find("more had no room on this page.")) != 1 {
		t.Errorf("checks went without a word:\n%s", p.words())
	}
}
