package main

import (
	"testing"

	"greywatt/analysis/zerocheck"
)

func TestOddOne(t *testing.T) {
	for _, tt := range []struct {
		name  string
		extra [4]float64
		want  int
	}{
		{"one far below, three agree", [4]float64{0.23, 0.20, 0.14, -0.57}, 3},
		{"one far above", [4]float64{0.60, -0.20, -0.22, -0.18}, 0},
		{"two and two", [4]float64{0.30, 0.30, -0.30, -0.30}, -1},
		{"one off, the others too", [4]float64{0.50, 0.10, -0.20, -0.40}, -1},
		{"only one is advised", [4]float64{0.05, 0.06, 0.09, -0.20}, -1},
		{"all agree", [4]float64{0.01, -0.02, 0.02, -0.01}, -1},
	} {
		ss := make([]zerocheck.Suggestion, 4)
		for i, x := range tt.extra {
			ss[i] = zerocheck.Suggestion{ExtraK: x, U95K: 0.16, Advised: x > 0.16 || x < -0.16}
		}
		if got := oddOne(ss); got != tt.want {
			t.Errorf("%s: %d, want %d", tt.name, got, tt.want)
		}
	}
}
