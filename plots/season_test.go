package plots

import (
	"io"
	"math"
	"testing"
	"time"
)

// year is an invented year: expected effectiveness rises by 0.004 a kelvin of
// mains temperature, measured follows it, but for the last three months, 0.05
// below.
func year() SeasonChart {
	s := SeasonChart{Name: "larch-04"}
	for i := range 12 {
		mains := 11 - 6*math.Cos(2*math.Pi*float64(i)/12)
		m := SeasonMonth{
			Year: 2026 + (i+8)/12, Month: time.Month((i+8)%12 + 1), Events: 40, MainsC: mains,
			Expected: 0.55 + 0.004*(mains-11), ExpectedU95: 0.012, MeasuredU95: 0.015,
		}
		m.Measured = m.Expected + 0.003*math.Sin(float64(3*i))
		if i >= 9 {
			m.Measured -= 0.05
		}
		s.Months = append(s.Months, m)
	}
	return s
}

func TestSeasonSaysWhatItShows(t *testing.T) {
	s := year()
	s.Months[4].Measured, s.Months[6].MainsC = math.NaN(), math.NaN()
	p := readSVG(t, render(t, func(w io.Writer, o Output) error { return Write(w, o, s) }, Output{}))
	for _, want := range []string{
		"larch-04: effectiveness by month, measured and expected", "in 3 of 11 months.", "Sep 26", "Jan 27", "measured", "expected",
	} {
		if len(p.find(want)) < 1 {
			t.Errorf("%q is not there; words:\n%s", want, p.words())
		}
	}
	dots := 0
	for _, shape := range p.shapes {
		if shape.stroke == hex(light.point) && math.Abs(shape.width-6) < 0.01 {
			dots += len(shape.pieces)
		}
	}
	if dots != 11+10 {
		t.Errorf("%d measured figures, want 11 by month and 10 by mains temperature", dots)
	}
}

func TestSparklineShowsTheLatestLevel(t *testing.T) {
	c := trends()["fouling"]
	c.Points = c.Points[:180] // up to the cleaning
	s := Sparkline{Name: "larch-04", Points: c.Points, Threshold: 0.88}
	b := render(t, func(w io.Writer, o Output) error { return Write(w, o, s) }, Output{})
	p := readSVG(t, b)
	if p.w != 120 || p.h != 28 || len(p.texts) != 0 {
		t.Errorf("%g x %g with %d texts, want 120 x 28 without", p.w, p.h, len(p.texts))
	}
	last := c.Points[179].Fit
	want := 25 - (last-sparkLow)/(sparkHigh-sparkLow)*22
	seen := false
	for _, shape := range p.shapes {
		if shape.stroke == hex(light.bad) {
			seen = true
			if got := shape.pieces[0][0].y; math.Abs(got-want) > 0.1 {
				t.Errorf("the latest level stands at %.1f, want %.1f", got, want)
			}
		}
	}
	if !seen {
		t.Error("no mark of a level below the threshold")
	}
	if len(b) > 6000 {
		t.Errorf("%d bytes, want at most 6000: there are 200 on a page", len(b))
	}
}

func TestFormatOf(t *testing.T) {
	for file, want := range map[string]Format{"a.svg": SVG, "b/c.PNG": PNG, "d.e.pdf": PDF, "pdf": "", "f.gif": ""} {
		if got, err := FormatOf(file); got != want || (err == nil) != (want != "") {
			t.Errorf("%s: %q, %v", file, got, err)
		}
	}
}
