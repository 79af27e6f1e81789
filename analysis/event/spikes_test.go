package event

import (
	"math"
	"slices"
	"testing"

	"greywatt"
)

func TestUnspiked(t *testing.T) {
	second := func(v ...float64) series {
		b := series{v: v}
		for i := range v {
			b.at = append(b.at, greywatt.Instant(i)*1e6)
		}
		return b
	}
	minute := func(v ...float64) series {
		b := second(v...)
		for i := range b.at {
			b.at[i] *= 60
		}
		return b
	}
	for _, c := range []struct {
		name string
		b    series
		want []float64 // nil: as it was
	}{
		{"one", second(20, 20.1, 85, 20.3, 20.2), []float64{20, 20.1, 20.2, 20.3, 20.2}},
		{"down", second(30, 30, 0, 30, 30), []float64{30, 30, 30, 30, 30}},
		{"three", second(20, 20, 85, 85, 84, 20, 20), []float64{20, 20, 20, 20, 20, 20, 20}},
		{"two kinds", second(20, 20, 85, 20, 20, -5, 20, 20), []float64{20, 20, 20, 20, 20, 20, 20, 20}},
		{"two with one reading between", second(20, 20, 85, 20, 85, 20, 20), []float64{20, 20, 20, 20, 20, 20, 20}},
		{"one, then three", second(20, 20, 85, 20, 85, 85, 85, 20, 20), []float64{20, 20, 20, 20, 20, 20, 20, 20, 20}},
		{"a step that falls back once", second(20, 20, 85, 20, 85, 85, 85, 85, 85), nil},
		{"at rest", minute(20, 20, 85, 20, 20), []float64{20, 20, 20, 20, 20}},
		{"four stay", second(20, 20, 85, 85, 85, 85, 20, 20), nil},
		{"a step", second(20, 20, 30, 30, 30), nil},
		{"a clamp that warms", second(20, 24, 28, 31, 33, 34, 34), nil},
		{"a slug of hot water", second(20, 20, 28, 36, 34, 31, 28, 26), nil},
		{"a minute's draw, seen once", minute(20, 20, 33, 24, 21), nil},
		{"noise", second(20, 20.4, 19.7, 20.2, 19.9), nil},
		{"at the ends", second(85, 20, 20, 20, 85), nil},
		{"to and fro", second(85, 20, 85, 20, 85, 20), nil},
		{"too few", second(85, 20), nil},
	} {
		was := slices.Clone(c.b.v)
		got, n := unspiked(c.b)
		if !slices.Equal(c.b.v, was) {
			t.Errorf("%s: the readings themselves were changed", c.name)
		}
		if c.want == nil {
			if n != 0 || !slices.Equal(got.v, was) {
				t.Errorf("%s: %v, %d left out", c.name, got.v, n)
			}
			continue
		}
		for i := range c.want {
			if math.Abs(got.v[i]-c.want[i]) > 1e-9 {
				t.Errorf("%s: %v, want %v", c.name, got.v, c.want)
				break
			}
		}
		if n == 0 {
			t.Errorf("%s: nothing is said to be left out", c.name)
		}
	}
	flow := second(0, 0, 48, 0, 0, 9, 9, 48, 9, 9, 15, 6, 15, 0)
	got, n := unspikedFlow(flow)
	if n != 1 || got.v[7] != 9 || got.v[2] != 48 || got.v[10] != 15 {
		t.Errorf("flow %v, %d left out; want the one amid water alone", got.v, n)
	}
}
