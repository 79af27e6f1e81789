package summary

import (
	"greywatt/analysis/robust"
	"math"
	"math/rand/v2"
	"testing"
)

// The ranks follow from sums of binomial coefficients, worked by hand: for 6
// values 2 · 1/64 of the cases lie outside the extremes, for 10 values
// 2 · (1+10)/1024 outside the second from each end and 2 · 56/1024 outside the
// third; 15 and 20 likewise. Tables print the same (Conover, Practical
// Nonparametric Statistics, from memory).
func TestMedianIntervalRanks(t *testing.T) {
	for _, c := range []struct{ n, lo, hi int }{{6, 1, 6}, {8, 1, 8}, {9, 2, 8}, {10, 2, 9}, {15, 4, 12}, {20, 6, 15}} {
		var x []float64
		for i := c.n; i > 0; i-- {
			x = append(x, float64(i))
		}
		if lo, hi := medianInterval(x); lo != float64(c.lo) || hi != float64(c.hi) {
			t.Errorf("of %d values: ranks %g and %g, want %d and %d", c.n, lo, hi, c.lo, c.hi)
		}
	}
	for n := range 6 {
		if lo, _ := medianInterval(make([]float64, n)); !math.IsNaN(lo) {
			t.Errorf("an interval from %d values", n)
		}
	}
}

// By Monte Carlo, on a skewed distribution with a known median (exponential:
// ln 2): the interval holds it in 95 % of the cases or a little more.
func TestMedianIntervalCoverage(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for _, n := range []int{6, 13, 40, 200} {
		const trials = 4000
		inside := 0
		x := make([]float64, n)
		for range trials {
			for i := range x {
				x[i] = r.ExpFloat64()
			}
			if lo, hi := medianInterval(x); lo <= math.Ln2 && math.Ln2 <= hi {
				inside++
			}
		}
		if share := float64(inside) / trials; share < 0.94 || share > 0.985 { // three standard deviations of the count are 0.01
			t.Errorf("n %d: coverage %.3f", n, share)
		}
	}
}

func TestMedianOfUncertain(t *testing.T) {
	near := func(name string, got, want float64) {
		t.Helper()
		if math.Abs(got-want) > 1e-6 {
			t.Errorf("%s: %.7f, want %.7f", name, got, want)
		}
	}
	lo, hi := medianOfUncertain([]float64{3}, []float64{0.5})
	near("one, low", lo, 2)
	near("one, high", hi, 4)
	// far apart, the middle one alone decides
	lo, hi = medianOfUncertain([]float64{1, 5, 100}, []float64{0.1, 0.2, 0.3})
	near("three, low", lo, 4.6)
	near("three, high", hi, 5.4)
	if lo, _ := medianOfUncertain(nil, nil); !math.IsNaN(lo) {
		t.Error("a median of nothing")
	}
	// of two far apart, half of both together
	lo, hi = medianOfUncertain([]float64{1, 5}, []float64{0.1, 0.2})
	near("two, low", lo, (0.8+4.6)/2)
	near("two, high", hi, (1.2+5.4)/2)
	// like each other, against drawing them (JCGM 101)
	mean := []float64{1, 1.1, 0.9, 1.05, 0.97, 1.2, 0.85}
	u := []float64{0.1, 0.12, 0.08, 0.1, 0.1, 0.2, 0.05}
	lo, hi = medianOfUncertain(mean, u)
	r := rand.New(rand.NewPCG(3, 4))
	below, above := 0, 0
	const trials = 200_000
	x := make([]float64, len(mean))
	for range trials {
		for i := range x {
			x[i] = mean[i] + u[i]*r.NormFloat64()
		}
		switch m := robust.Median(x); {
		case m < lo:
			below++
		case m > hi:
			above++
		}
	}
	for _, n := range []int{below, above} {
		if p := float64(n) / trials; math.Abs(p-coverage2) > 0.001 {
			t.Errorf("%.4f outside one end, want %.4f", p, coverage2)
		}
	}
}

// Dwellings whose events scatter, and whose sensors are all off by one error
// each: the two parts together hold the true median in 95 % of dwellings or
// more, more of few events, whose interval holds 99 %; the scatter alone does not.
func TestEstimateCoverage(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	for _, c := range []struct {
		n            int
		scatter, off float64
	}{{8, 0.02, 0.004}, {40, 0.02, 0.004}, {200, 0.01, 0.004}} {
		const trials = 4000
		inside, alone := 0, 0
		for range trials {
			bias := c.off * r.NormFloat64()
			x := make([]float64, c.n)
			for i := range x {
				x[i] = 0.5 + bias + c.scatter*r.NormFloat64()
			}
			e := newEstimate(x, make([]float64, len(x)), []SystematicEffect{{Input: "clamp", Shift: c.off}})
			if math.Abs(e.Median-0.5) <= e.U95 {
				inside++
			}
			if e.Lo <= 0.5 && 0.5 <= e.Hi {
				alone++
			}
		}
		if share := float64(inside) / trials; share < 0.94 || share > 0.995 {
			t.Errorf("%d events: coverage %.3f", c.n, share)
		}
		if c.n == 200 && float64(alone)/trials > 0.6 {
			t.Errorf("200 events: scatter alone covers %.3f", float64(alone)/trials)
		}
	}
}

// Fewer than six events have an uncertainty too, by hand: three values of 0.50, 0.51
// and 0.52 scatter by 0.01, 2 · 0.01/√3 = 0.01155; stated 0.02 each, 0.0231. One
// value has its own alone. On draws the interval holds the truth.
func TestEstimateOfFewEvents(t *testing.T) {
	for _, c := range []struct {
		values []float64
		own    float64
		want   float64
	}{{[]float64{0.50, 0.51, 0.52}, 0.001, 0.0115470}, {[]float64{0.50, 0.51, 0.52}, 0.02, 0.0230940}, {[]float64{0.5}, 0.004, 0.008}} {
		own := make([]float64, len(c.values))
		for i := range own {
			own[i] = c.own
		}
		e := newEstimate(c.values, own, []SystematicEffect{{Input: "clamp", Shift: 0.003}})
		if math.Abs(e.OwnU95-c.want) > 1e-6 || math.Abs(e.U95-math.Hypot(c.want, 0.006)) > 1e-6 || !math.IsNaN(e.Lo) {
			t.Errorf("%v, own %g: u95 %.6f and %.6f, want %.6f", c.values, c.own, e.OwnU95, e.U95, c.want)
		}
	}
	if e := newEstimate(nil, nil, nil); !math.IsNaN(e.U95) {
		t.Errorf("of no event u95 %g", e.U95)
	}
	r := rand.New(rand.NewPCG(7, 8))
	for n := 1; n < 6; n++ {
		const trials, u = 4000, 0.01
		inside := 0
		for range trials {
			x, own := make([]float64, n), make([]float64, n)
			for i := range x {
				x[i], own[i] = 0.5+u*r.NormFloat64(), u
			}
			if e := newEstimate(x, own, nil); math.Abs(e.Median-0.5) <= e.U95 {
				inside++
			}
		}
		if share := float64(inside) / trials; share < 0.93 || share > 0.99 {
			t.Errorf("%d events: coverage %.3f", n, share)
		}
	}
}
