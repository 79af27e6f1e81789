package plots

import (
	"math"
	"slices"
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis/finding"
)

func TestPlusMinus(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		v, u     float64
		decimals int
		want     string
	}{
		{0.5374, 0.0243, 2, "0.537 ± 0.024"},
		{1.0312, 0.0004, 2, "1.031 ± 0.000"}, // three decimals at most
		{-3.1, 0.5, 1, "−3.1 ± 0.5"},
		{0.62, nan, 2, "0.62"},
		{0.62, 0, 2, "0.62"},
		{-12345678, nan, 2, "−1.23e+07"},
		{12345678, 3, 2, "1.23e+07 ± 3"},
		{nan, 0.1, 2, "not known"},
		{math.Inf(1), 0.1, 2, "not known"},
	} {
		if got := plusMinus(c.v, c.u, c.decimals); got != c.want {
			t.Errorf("%g ± %g: %q, want %q", c.v, c.u, got, c.want)
		}
	}
}

func TestWordsForTime(t *testing.T) {
	for s, want := range map[float64]string{0: "0 s", 10.4: "10 s", 59.6: "1 min", 60: "1 min", 452: "7 min 32 s", 2400: "40 min", 4000: "1 h 6 min", math.NaN(): "not known"} {
		if got := length(s); got != want {
			t.Errorf("length(%g) = %q, want %q", s, got, want)
		}
	}
	for _, c := range []struct{ zone, local, want string }{
		{"UTC", "2026-07-14 07:12:31", "Tuesday 14 July 2026, 07:12:31 to 07:22:31 (UTC)"},
		{"Europe/Dublin", "2026-01-14 07:12:31", "Wednesday 14 January 2026, 07:12:31 to 07:22:31 (GMT)"},
		{"Asia/Kathmandu", "2026-07-14 07:12:31", "Tuesday 14 July 2026, 07:12:31 to 07:22:31 (UTC+5:45)"},
		{"America/St_Johns", "2026-01-14 07:12:31", "Wednesday 14 January 2026, 07:12:31 to 07:22:31 (NST, UTC−3:30)"},
		{"Europe/Dublin", "2026-12-31 23:55:00", "Thursday 31 December 2026, 23:55:00 to Friday 1 January, 00:05:00 (GMT)"},
	} {
		from, loc := at(t, c.zone, c.local)
		if got := when(from, from.Add(600), loc); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}

func TestHeadline(t *testing.T) {
	since := greywatt.InstantOf(time.Date(2026, 5, 3, 6, 0, 0, 0, time.UTC))
	for _, c := range []struct {
		f    finding.Finding
		want string
	}{
		{finding.Finding{Code: finding.Fouling, Since: since, Confidence: 0.974}, "Fouling since 3 May 2026, 97 % sure"},
		{finding.Finding{Code: finding.WasteSensorsSwapped, Confidence: 0.9999}, "Waste sensors swapped, 99 % sure"}, // never certain
		{finding.Finding{Code: finding.Undecided, Confidence: 1}, "Undecided: too little evidence so far"},
		{finding.Finding{Code: finding.NoRecovery}, "No recovery"},
	} {
		if got := headline(c.f, time.UTC); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}

func TestWrap(t *testing.T) {
	st := style{size: 12}
	long := "one two three four five six seven eight nine ten"
	for _, width := range []float64{30, 60, 120, 400} {
		lines := st.wrap(long, width, 100)
		var back []string
		for _, l := range lines {
			if w := st.measure(l); w > width {
				t.Errorf("width %g: %q is %.1f wide", width, l, w)
			}
			back = append(back, l)
		}
		if width >= 60 {
			joined := ""
			for i, l := range back {
				if i > 0 {
					joined += " "
				}
				joined += l
			}
			if joined != long {
				t.Errorf("width %g: %q", width, joined)
			}
		}
	}
	if got := st.wrap(long, 80, 2); len(got) != 2 || got[1][len(got[1])-len("…"):] != "…" {
		t.Errorf("cut to two lines: %q", got)
	}
	if got := st.wrap("", 80, 2); len(got) != 0 {
		t.Errorf("nothing wraps to %q", got)
	}
	if got := st.wrap("Donaudampfschifffahrt", 50, 9); !slices.Equal(got[:1], []string{"Donauda"}) {
		t.Errorf("a word too long: %q", got)
	}
}
