package trend

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// nights gives n offsets in K at odd nights of 90 days, with a scatter of 0.05
// of which 0.03 is known, and one in twelve wild.
func nights(n int, at func(day float64) float64, seed uint64) []Point {
	rng := rand.New(rand.NewPCG(seed, 99))
	days := rng.Perm(90)[:n]
	slices.Sort(days)
	var ps []Point
	for _, d := range days {
		y := at(float64(d)) + 0.05*rng.NormFloat64()
		if rng.Float64() < 1.0/12 {
			y += 0.6 * rng.NormFloat64()
		}
		ps = append(ps, Point{T: float64(d), Y: y, U: 0.03})
	}
	return ps
}

// Slope, rise and level hold the truth at their rate, from five nights to eighty;
// a clamp that is stable is said to be, and one that drifts by 1 K or steps by
// 0.6 K is seen.
func TestDrift(t *testing.T) {
	const runs = 400
	for _, n := range []int{5, 8, 15, 80} {
		held, heldLevel, drifting, wrong, stepping, heldStep := 0, 0, 0, 0, 0, 0
		for seed := range uint64(runs) {
			steady, err := FitDrift(nights(n, level, seed+100))
			if err != nil {
				t.Fatal(err)
			}
			if steady.Kind != Constant {
				wrong++
			}
			ps := nights(n, func(d float64) float64 { return 1.0 * d / 90 }, seed+1100)
			d, err := FitDrift(ps)
			if err != nil {
				t.Fatal(err)
			}
			if math.Abs(d.Slope-1.0/90) <= 2*d.USlope {
				held++
			}
			if math.Abs(d.Level-ps[n-1].T/90) <= 2*d.ULevel {
				heldLevel++
			}
			if d.Kind != Constant {
				drifting++
			}
			d, err = FitDrift(nights(n, func(d float64) float64 { return 0.6 * math.Round(d/90) }, seed+2100))
			if err != nil {
				t.Fatal(err)
			}
			if d.Kind == Step {
				stepping++
			}
			if math.Abs(d.Step-0.6) <= 2*d.UStep {
				heldStep++
			}
		}
		t.Logf("%d nights: slope held %.3f, level %.3f, step %.3f; drift seen %.3f, step %.3f; stable clamp drifts %.3f",
			n, float64(held)/runs, float64(heldLevel)/runs, float64(heldStep)/runs, float64(drifting)/runs, float64(stepping)/runs, float64(wrong)/runs)
		if share := float64(min(held, heldLevel)) / runs; share < 0.92 {
			t.Errorf("%d nights: slope held in %d, level in %d of %d", n, held, heldLevel, runs)
		}
		if wrong > runs*3/100 {
			t.Errorf("%d nights: a stable clamp drifts in %d of %d", n, wrong, runs)
		}
		if n >= 15 && (drifting < runs*95/100 || stepping < runs*90/100 || heldStep < runs*90/100) {
			t.Errorf("%d nights: drift seen in %d, step in %d and held in %d of %d", n, drifting, stepping, heldStep, runs)
		}
	}
}

// The slope and its uncertainty are those of the calibration example H.3 of
// JCGM 100:2008, b = 0.00218 ± 0.00067 a kelvin, read second hand in the manual
// of an open package; what Drift adds for serial correlation and for few degrees
// of freedom is divided out. Huber's weights move both a little: tolerance a
// fifth of u.
func TestDriftCalibration(t *testing.T) {
	temperatures := numbers("21.521 22.012 22.512 23.003 23.507 23.999 24.513 25.002 25.503 26.010 26.511")
	corrections := numbers("-.171 -.169 -.166 -.159 -.164 -.165 -.156 -.157 -.159 -.161 -.160")
	var ps []Point
	for i, x := range temperatures {
		ps = append(ps, Point{T: x - 20, Y: corrections[i]})
	}
	d, err := FitDrift(ps)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "slope", d.Slope, 0.00218, 0.00067/5)
	few := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: 11/d.Inflation - 2}.Quantile(0.975) / z95
	near(t, "u(slope)", d.USlope/math.Sqrt(d.Inflation)/few, 0.00067, 0.00067/5)
}

func TestDriftRefuses(t *testing.T) {
	if _, err := FitDrift(nights(4, level, 1)); !errors.Is(err, ErrTooFew) {
		t.Errorf("four points: %v", err)
	}
	if _, err := FitDrift(make([]Point, 6)); !errors.Is(err, ErrSeries) {
		t.Errorf("one time: %v", err)
	}
	// Points without scatter are described, and their uncertainty is their own.
	for _, n := range []int{5, 6, 7, 30} {
		var ps []Point
		for i := range n {
			ps = append(ps, Point{T: float64(i), Y: 0.01 * float64(i), U: 0.1})
		}
		d, err := FitDrift(ps)
		if err != nil {
			t.Fatal(err)
		}
		near(t, fmt.Sprintf("slope of %d exact points", n), d.Slope, 0.01, 1e-9)
		x := float64(n)
		if least := 0.1 / math.Sqrt(x*(x*x-1)/12); !(d.USlope >= least*0.999) {
			t.Errorf("u of the slope of %d exact points is %g, want %g at least", n, d.USlope, least)
		}
	}
}
