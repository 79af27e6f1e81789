package trend

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// The worked example of the NIST/SEMATECH e-Handbook, 6.3.2.3, with data and
// chart constants from memory; the sums are an arithmetic check of the
// recursion in any case.
func TestCUSUMRecursion(t *testing.T) {
	xs := []float64{
		324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
		324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
	}
	hi := map[int]float64{5: .0325, 13: 3.0075, 14: 4.94, 15: 7.4475, 16: 10.63, 17: 11.9875, 18: 14.445, 19: 16.0025, 20: 19.035}
	lo := map[int]float64{2: .0075, 4: .3325, 7: .5575, 8: .715, 9: .1725, 10: .255, 11: .3125}
	c := CUSUM{Target: 325, K: .3175, H: 4.1959}
	var total float64
	for i, x := range xs {
		side := c.Add(x)
		total += x - c.Target
		near(t, "upper sum", c.Hi, hi[i+1], 1e-9)
		near(t, "lower sum", c.Lo, lo[i+1], 1e-9)
		want := NoAlarm
		if i+1 >= 14 {
			want = Above
		}
		if side != want {
			t.Errorf("group %d: side %d, want %d", i+1, side, want)
		}
	}
	near(t, "cumulative sum", total, 19.075, 1e-9)
	if c.HiRun != 8 { // since group 13
		t.Errorf("upper sum has run for %d points, want 8", c.HiRun)
	}
	c.Reset()
	if c != (CUSUM{Target: 325, K: .3175, H: 4.1959}) {
		t.Errorf("after Reset: %+v", c)
	}
}

func TestCUSUMSides(t *testing.T) {
	c := CUSUM{K: 0.5, H: 2}
	for _, y := range []float64{-1.5, math.NaN(), -1.5} {
		if s := c.Add(y); s != NoAlarm {
			t.Fatalf("alarm %d at %g with sum %g", s, y, c.Lo)
		}
	}
	if s := c.Add(-1.5); s != Below || c.LoRun != 3 {
		t.Errorf("side %d after %d points, want below after 3", s, c.LoRun)
	}
	clipped := CUSUM{K: 0.5, H: 4, Clip: 3}
	if s := clipped.Add(1000); s != NoAlarm || clipped.Hi != 2.5 {
		t.Errorf("one wild point: side %d, sum %g, want no alarm and 2.5", s, clipped.Hi)
	}
}

// Mean run lengths of the two-sided CUSUM with k = 1/2, as tabulated in D. C.
// Montgomery, Introduction to Statistical Quality Control (from memory).
// Tolerance: rounding of the table.
func TestRunLength(t *testing.T) {
	for _, row := range []struct{ h, shift, want, tol float64 }{
		{4, 0, 168, 0.5}, {4, 0.25, 74.2, 0.05}, {4, 0.5, 26.6, 0.05}, {4, 1, 8.38, 0.005}, {4, 2, 3.34, 0.005},
		{5, 0, 465, 0.6}, {5, 0.25, 139, 0.6}, {5, 0.5, 38.0, 0.05}, {5, 1, 10.4, 0.05}, {5, 2, 4.01, 0.005},
	} {
		c := CUSUM{K: 0.5, H: row.h}
		near(t, "run length", c.RunLength(row.shift, 1), row.want, row.tol)
		near(t, "run length, other side", c.RunLength(-row.shift, 1), row.want, row.tol)
		scaled := CUSUM{Target: 7, K: 0.05, H: row.h / 10}
		near(t, "run length, other unit", scaled.RunLength(row.shift/10, 0.1), row.want, row.tol)
	}
	// Siegmund's approximation, (exp(2kb) - 2kb - 1)/(2k²) with b = h + 1.166 for
	// one side in control (D. Siegmund, Sequential Analysis (1985); from memory):
	// independent of the integral equation, good to a few per cent.
	for _, row := range []struct{ k, h float64 }{{0.5, 3}, {0.5, 5}, {0.25, 8}, {0.25, 12}, {1, 3}} {
		b := 2 * row.k * (row.h + 1.166)
		siegmund := (math.Exp(b) - b - 1) / (2 * row.k * row.k)
		near(t, "Siegmund", runLength(row.k, row.h, 0)/siegmund, 1, 0.06)
	}
}

// Mean run lengths of the literature, read in the comments of an open package
// of control charts that quotes them: D. Brook and D. A. Evans, Biometrika 59
// (1972) 539; K.-H. Waldmann, Metrika 33 (1986); L. C. Vance, J. Quality Technol.
// 18 (1986) 189; J. M. Lucas and R. B. Crosier, Technometrics 24 (1982) 199; the
// row of 4.15 from a statistics handbook of 1999. Tolerance 0.5 %: rounding of
// the printed digits, the coarsest of which is 1.31 (0.4 %).
func TestRunLengthPublished(t *testing.T) {
	for _, row := range []struct{ k, h, shift, want float64 }{
		{0.5, 3, 0, 117.59}, {0.5, 3, 1.5, 3.75}, // Brook and Evans
		{0.5, 3, -0.5, 1963}, {0.5, 3, 0, 117.4}, {0.5, 3, 0.5, 17.35}, // Waldmann
		{0, 10, -0.25, 2071.51}, {0, 10, 0, 124.66}, {0, 10, 0.25, 36.71}, {0, 10, 0.5, 20.37}, {0, 10, 1, 10.75}, // Vance
		{0.25, 8, 2.5, 4.1500836225},
	} {
		near(t, fmt.Sprintf("one side, k %g, h %g, shift %g", row.k, row.h, row.shift), runLength(row.k, row.h, row.shift)/row.want, 1, 0.005)
	}
	lucas := CUSUM{K: 0.5, H: 4}
	for shift, want := range map[float64]float64{
		0: 168, 0.25: 74.2, 0.5: 26.6, 0.75: 13.3, 1: 8.38, 1.5: 4.75, 2: 3.34, 2.5: 2.62, 3: 2.19, 4: 1.71, 5: 1.31,
	} {
		near(t, fmt.Sprintf("both sides, shift %g", shift), lucas.RunLength(shift, 1)/want, 1, 0.005)
	}
}

// The design holds its false-alarm rate, and finds a shift in the time that
// RunLength says, when it is run.
func TestDesignCUSUM(t *testing.T) {
	const sd, every = 0.02, 400
	c, err := DesignCUSUM(1, sd, 0.02, every)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "K", c.K, 0.01, 1e-12)
	near(t, "designed run length", c.RunLength(0, sd), every, 1)
	rng := rand.New(rand.NewPCG(3, 4))
	mean := func(shift float64) (points float64) {
		const runs = 2000
		for range runs {
			c := c
			for n := 1.0; ; n++ {
				if c.Add(1+shift+sd*rng.NormFloat64()) != NoAlarm {
					points += n / runs
					break
				}
			}
		}
		return points
	}
	// Run lengths scatter by about their mean: 1/√2000 is 2.2 %, three times that.
	near(t, "simulated false alarms", mean(0)/every, 1, 0.07)
	near(t, "simulated delay", mean(-0.02)/c.RunLength(-0.02, sd), 1, 0.05)
}

func BenchmarkDesignCUSUM(b *testing.B) {
	for b.Loop() {
		if _, err := DesignCUSUM(1, 0.02, 0.03, 8000); err != nil {
			b.Fatal(err)
		}
	}
}
