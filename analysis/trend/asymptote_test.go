package trend

import (
	"bufio"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.10g, want %.10g within %g", what, got, want, tol)
	}
}

// misra1a reads lines 61 to 74 of NIST's file, y before x.
func misra1a(t *testing.T) []Point {
	t.Helper()
	f, err := os.Open("testdata/Misra1a.dat")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var ps []Point
	data := false
	for sc := bufio.NewScanner(f); sc.Scan(); {
		if data {
			var p Point
			if _, err := fmt.Sscan(sc.Text(), &p.Y, &p.T); err != nil {
				t.Fatal(err)
			}
			ps = append(ps, p)
		}
		data = data || strings.HasPrefix(sc.Text(), "Data:   y")
	}
	if len(ps) != 14 {
		t.Fatalf("%d observations, want 14", len(ps))
	}
	return ps
}

// NIST StRD Misra1a: certified values, to be met to six digits from both of
// NIST's starts, and from none. The correlation is calculated from the same
// data and model.
func TestMisra1a(t *testing.T) {
	ps := misra1a(t)
	for _, o := range []AsymptoteOptions{
		{Origin: FromZero, Change: 500, Rate: 0.0001},
		{Origin: FromZero, Change: 250, Rate: 0.0005},
		{Origin: FromZero},
	} {
		a, err := FitAsymptote(ps, o)
		if err != nil {
			t.Fatalf("start %+v: %v", o, err)
		}
		for _, c := range []struct {
			what      string
			got, want float64
		}{
			{"b1", a.Change, 2.3894212918e+02},
			{"sd(b1)", a.UChange, 2.7070075241e+00},
			{"b2", a.Rate, 5.5015643181e-04},
			{"sd(b2)", a.URate, 7.2668688436e-06},
			{"RSS", a.RSS, 1.2455138894e-01},
			{"residual sd", a.S, 1.0187876330e-01},
			{"correlation", a.Correlation, -0.998776},
		} {
			near(t, fmt.Sprintf("start %g, %g: %s", o.Change, o.Rate, c.what), c.got/c.want, 1, 5e-7)
		}
		if a.DoF != 12 {
			t.Errorf("%d degrees of freedom, want 12", a.DoF)
		}
		// b1 is three times the largest y: the limit was never seen.
		near(t, "reached", a.Reached, 81.78/238.942, 1e-3)
		if !a.Extrapolated {
			t.Error("a limit at three times the largest value is not called extrapolated")
		}
	}
}

func kernSeaton(n int, span, start, change, rate, sd float64, seed uint64) []Point {
	rng := rand.New(rand.NewPCG(seed, 1))
	ps := make([]Point, n)
	for i := range ps {
		x := span * float64(i) / float64(n-1)
		ps[i] = Point{T: 100 + x, Y: start + change*(1-math.Exp(-rate*x)) + sd*rng.NormFloat64(), U: sd}
	}
	return ps
}

// Over many simulated records the known truth lies within two standard
// uncertainties about 95 times in 100.
func TestAsymptoteCoverage(t *testing.T) {
	const runs = 300
	var change, rate, start int
	for seed := range uint64(runs) {
		a, err := FitAsymptote(kernSeaton(120, 90, 1, -0.3, 1.0/25, 0.02, seed), AsymptoteOptions{})
		if err != nil {
			t.Fatal(err)
		}
		within := func(got, u, want float64) int {
			if math.Abs(got-want) < 2*u {
				return 1
			}
			return 0
		}
		change += within(a.Change, a.UChange, -0.3)
		rate += within(a.Rate, a.URate, 1.0/25)
		start += within(a.Start, a.UStart, 1)
		if a.Extrapolated {
			t.Fatalf("seed %d: %.2f of the change seen and called extrapolated", seed, a.Reached)
		}
	}
	// 95.4 % of 300 with a standard error of 1.2 %; the curve is not quite linear.
	for what, k := range map[string]int{"change": change, "rate": rate, "start": start} {
		if share := float64(k) / runs; share < 0.91 || share > 0.99 {
			t.Errorf("%s within two standard uncertainties in %.3f of the runs", what, share)
		}
	}
}

func TestAsymptoteDerivatives(t *testing.T) {
	c := curve{t: []float64{3.7}, y: []float64{0}, w: []float64{1}, linear: [][]float64{{1}, {-0.6}}}
	p := []float64{2.3, 0.17, 0.4, -1.1}
	row := make([]float64, 4)
	c.row(row, p, 0)
	for k := range p {
		const d = 1e-6
		q := append([]float64(nil), p...)
		q[k] += d
		up := c.at(q, 0)
		q[k] -= 2 * d
		near(t, fmt.Sprintf("derivative by parameter %d", k), row[k], (up-c.at(q, 0))/(2*d), 1e-8)
	}
}

func TestAsymptoteRefuses(t *testing.T) {
	line, jump, curveUp := make([]Point, 30), make([]Point, 30), make([]Point, 30)
	for i := range line {
		x := float64(i)
		line[i] = Point{T: x, Y: 3 - 0.1*x}
		jump[i] = Point{T: x, Y: math.Min(x, 1)}
		curveUp[i] = Point{T: x, Y: x * x}
	}
	for name, ps := range map[string][]Point{"line": line, "jump": jump, "parabola": curveUp} {
		if a, err := FitAsymptote(ps, AsymptoteOptions{}); !errors.Is(err, ErrNoFit) {
			t.Errorf("%s: %+v, %v, want ErrNoFit", name, a, err)
		}
	}
	if _, err := FitAsymptote(line[:4], AsymptoteOptions{}); !errors.Is(err, ErrTooFew) {
		t.Errorf("four points: %v, want ErrTooFew", err)
	}
	line[3].Y = math.NaN()
	if _, err := FitAsymptote(line, AsymptoteOptions{}); !errors.Is(err, ErrSeries) {
		t.Errorf("NaN: %v, want ErrSeries", err)
	}
	if _, err := FitAsymptote([]Point{{T: -1}, {T: 0}, {T: 1}, {T: 2}, {T: 3}}, AsymptoteOptions{Origin: FromZero}); !errors.Is(err, ErrSeries) {
		t.Errorf("before the origin: %v, want ErrSeries", err)
	}
}
