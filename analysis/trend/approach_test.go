package trend

import (
	"bufio"
	"errors"
	"fmt"
	"math"
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
// NIST's starts and from the best of the grid. The correlation is calculated
// from the same data and model.
func TestMisra1a(t *testing.T) {
	c := curve{steps: 200, still: 1e-11}
	for _, p := range misra1a(t) {
		c.t, c.y, c.w = append(c.t, p.T), append(c.y, p.Y), append(c.w, 1)
	}
	for _, start := range [][]float64{{500, 0.0001}, {250, 0.0005}, c.atRate(c.bestRate())} {
		got, err := c.solve(start)
		if err != nil {
			t.Fatalf("start %v: %v", start, err)
		}
		variance := got.rss / 12 // 14 points, 2 parameters
		for _, row := range []struct {
			what      string
			got, want float64
		}{
			{"b1", got.p[0], 2.3894212918e+02},
			{"sd(b1)", math.Sqrt(got.cov.At(0, 0) * variance), 2.7070075241e+00},
			{"b2", got.p[1], 5.5015643181e-04},
			{"sd(b2)", math.Sqrt(got.cov.At(1, 1) * variance), 7.2668688436e-06},
			{"RSS", got.rss, 1.2455138894e-01},
			{"residual sd", math.Sqrt(variance), 1.0187876330e-01},
			{"correlation", got.cov.At(0, 1) / math.Sqrt(got.cov.At(0, 0)*got.cov.At(1, 1)), -0.998776},
		} {
			near(t, fmt.Sprintf("start %v: %s", start, row.what), row.got/row.want, 1, 5e-7)
		}
	}
}

func TestApproachDerivatives(t *testing.T) {
	c := curve{t: []float64{3.7}, y: []float64{0}, w: []float64{1}, linear: [][]float64{{1}, {-0.6}}}
	p := []float64{2.3, 0.17, 0.4, -1.1}
	row := make([]float64, 4)
	at := func(p []float64) float64 {
		c.fallAt(p[1])
		return c.at(p, 0)
	}
	at(p)
	c.row(row, p, 0)
	for k := range p {
		const d = 1e-6
		q := append([]float64(nil), p...)
		q[k] += d
		up := at(q)
		q[k] -= 2 * d
		near(t, fmt.Sprintf("derivative by parameter %d", k), row[k], (up-at(q))/(2*d), 1e-8)
	}
}

// A line, a jump and a curve that grows faster are no approach to a limit.
func TestApproachRefuses(t *testing.T) {
	c := curve{steps: 200, still: 1e-11, linear: [][]float64{make([]float64, 30)}}
	series := map[string][]float64{}
	for i := range 30 {
		x := float64(i)
		c.t, c.w, c.linear[0][i] = append(c.t, x), append(c.w, 1), 1
		series["line"] = append(series["line"], 3-0.1*x)
		series["jump"] = append(series["jump"], math.Min(x, 1))
		series["parabola"] = append(series["parabola"], x*x)
	}
	for name, ys := range series {
		c.y = ys
		if got, err := c.solve(c.atRate(c.bestRate())); !errors.Is(err, ErrNoFit) {
			t.Errorf("%s: %+v, %v, want ErrNoFit", name, got, err)
		}
	}
}
