package event

import (
	"math"
	"math/rand/v2"
	"testing"
)

// The mean of rounded readings against the mean of what was rounded, over temperatures
// that lie anywhere between two steps, still, noisy and drifting: the stated uncertainty
// must be that of the error, which is found here by rounding, and no reading of a fine
// clamp has any.
func TestRounding(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 3))
	for _, q := range []float64{0.5, 0.1} {
		for _, c := range []struct{ noise, drift float64 }{{0, 0}, {0.05, 0}, {0, 0.3}, {0.2, 0}, {0, 1}, {0.5, 0}, {0.2, 3}, {0, 6}} {
			var off, stated, covered float64
			const trials, n = 800, 200
			for range trials {
				ch := channel{gridK: q, surface: make([]float64, n)}
				base := 10 * r.Float64()
				var sum float64
				for k := range n {
					v := base + q*(c.drift*float64(k)/n+c.noise*r.NormFloat64())
					ch.surface[k] = q * math.Round(v/q)
					sum += (ch.surface[k] - v) / n
				}
				u := ch.rounding(0, n-1)
				off += sum * sum / trials
				stated += u * u / trials
				if math.Abs(sum) <= 2*u {
					covered += 1. / trials
				}
			}
			off, stated = math.Sqrt(off), math.Sqrt(stated)
			t.Logf("steps of %.1f K, noise %.2f and drift %.1f of one: off by %.4f K, stated %.4f K, within twice that %.3f", q, c.noise, c.drift, off, stated, covered)
			if covered < 0.95 || off > 1.05*stated {
				t.Errorf("steps of %.1f K, noise %.2f, drift %.1f: off by %.4f K (root of mean square), stated %.4f K", q, c.noise, c.drift, off, stated)
			}
			if c.noise == 0 && c.drift == 0 && math.Abs(stated-q/math.Sqrt(12)) > 1e-9 {
				t.Errorf("a reading that stays: %.4f K, a uniform distribution has %.4f K", stated, q/math.Sqrt(12))
			}
		}
	}
	fine := channel{gridK: 0.01, surface: []float64{20.01, 20.01, 20.02}}
	if u := fine.rounding(0, 2); u != 0 {
		t.Errorf("steps of 0.01 K leave %g K", u)
	}
	if g := grid([]float64{20.5, 20.5, 21, 20, 20}); g != 0.5 {
		t.Errorf("readings on a grid of 0.5 K give steps of %g K", g)
	}
	if g := grid([]float64{20.5, 20.5}); g != 0 {
		t.Errorf("one value gives steps of %g K", g)
	}
}
