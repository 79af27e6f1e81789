package wording

import (
	"math"
	"testing"
)

func TestFixed(t *testing.T) {
	for _, c := range []struct {
		v        float64
		decimals int
		want     string
	}{
		{3.14159, 2, "3.14"},
		{-3.1, 1, "−3.1"},
		{-0.0004, 2, "0.00"},
		{math.Copysign(0, -1), 0, "0"},
		{math.NaN(), 1, "–"},
		{math.Inf(-1), 1, "–"},
	} {
		if got := Fixed(c.v, c.decimals); got != c.want {
			t.Errorf("Fixed(%g, %d) = %q, want %q", c.v, c.decimals, got, c.want)
		}
	}
	for number, want := range map[string]string{"-1.2e+07": "−1.2e+07", "1.2e+07": "1.2e+07", "-0.0": "0.0"} {
		if got := Signed(number); got != want {
			t.Errorf("Signed(%q) = %q, want %q", number, got, want)
		}
	}
}

// At most two digits of an uncertainty: JCGM 100:2008, 7.2.6, from memory. That the second
// stays only behind a 1 or a 2 is common practice.
func TestPlusMinus(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		v, u           float64
		decimals, most int
		want           string
	}{
		{0.5374, 0.0243, 2, 3, "0.537 ± 0.024"}, // first digit 2: two digits
		{0.5374, 0.0312, 2, 3, "0.54 ± 0.03"},   // first digit 3: one
		{0.5374, 0.0298, 2, 3, "0.54 ± 0.03"},   // would round to 0.030
		{0.5374, 0.0099, 2, 3, "0.537 ± 0.010"},
		{0.5374, 0.0243, 2, 2, "0.54 ± 0.02"}, // no more than the most
		{1.0312, 0.0004, 2, 3, "1.031 ± 0.000"},
		{583, 140, 0, 3, "583 ± 140"},
		{155.2, 6.3, 0, 3, "155 ± 6"},
		{155.2, 26.3, 0, 3, "155 ± 26"},
		{-0.0004, 0.03, 2, 3, "0.00 ± 0.03"},
		{-3.1, 0.5, 1, 3, "−3.1 ± 0.5"},
		{0.62, nan, 2, 3, "0.62"},
		{0.62, 0, 1, 3, "0.6"},
		{0.62, math.Inf(1), 2, 3, "0.62"},
		{nan, 0.1, 2, 3, "–"},
		{math.Inf(1), 0.1, 2, 3, "–"},
	} {
		if got := PlusMinus(c.v, c.u, c.decimals, c.most); got != c.want {
			t.Errorf("%g ± %g: %q, want %q", c.v, c.u, got, c.want)
		}
	}
	if got := WithUnit(PlusMinus(58.3, 1.4, 0, 1), "kWh"); got != "58.3 ± 1.4 kWh" {
		t.Errorf("%q", got)
	}
	if got := WithUnit(Fixed(nan, 0), "kWh"); got != Unknown {
		t.Errorf("%q", got)
	}
}

func TestLength(t *testing.T) {
	for s, want := range map[float64]string{0: "0 s", 10.4: "10 s", 59.6: "1 min", 60: "1 min", 452: "7 min 32 s", 2400: "40 min", 4000: "1 h 6 min", math.NaN(): "–"} {
		if got := Length(s); got != want {
			t.Errorf("Length(%g) = %q, want %q", s, got, want)
		}
	}
}

func TestWords(t *testing.T) {
	for _, c := range []struct{ got, want string }{
		{Count(0, "event"), "0 events"},
		{Count(1, "event"), "1 event"},
		{Count(1204, "event"), "1204 events"},
		{Sure(0.974), "97 % sure"},
		{Sure(0.9999), "99 % sure"},
		{Plain("waste-sensors-swapped"), "waste sensors swapped"},
		{Capital("é là"), "É là"},
		{Capital(""), ""},
		{Sentence(" it fell by 8 % "), "It fell by 8 %."},
		{Sentence("Look again."), "Look again."},
		{Sentence("and so on…"), "And so on…"},
		{Sentence(" "), ""},
	} {
		if c.got != c.want {
			t.Errorf("%q, want %q", c.got, c.want)
		}
	}
}

func TestFlagKnowsEveryCase(t *testing.T) {
	if got := Flag("never-seen-before"); got != "never seen before" {
		t.Errorf("%q", got)
	}
	for f, s := range flagWords {
		if Flag(f) != s || s == "" {
			t.Errorf("%s: %q", f, s)
		}
	}
}
