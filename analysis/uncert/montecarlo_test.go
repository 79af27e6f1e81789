package uncert

import (
	"errors"
	"math"
	"testing"
)

func monteCarlo(t *testing.T, m Model, trials int) Distribution {
	t.Helper()
	d, err := m.MonteCarlo(trials, 20080901)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// JCGM 101:2008 9.2.2, the sum of four inputs of unit variance; results from
// memory. Tolerance: about four standard errors of a million trials.
func TestSum(t *testing.T) {
	sum := Model{
		F:      func(x []float64) float64 { return x[0] + x[1] + x[2] + x[3] },
		Inputs: []Input{{U: 1}, {U: 1}, {U: 1}, {U: 1}},
	}
	d := monteCarlo(t, sum, 1_000_000)
	near(t, "mean", d.Mean, 0, 0.008)
	near(t, "u", d.U, 2, 0.006)
	lo, hi := d.Symmetric(0.95)
	near(t, "low end", lo, -3.92, 0.02)
	near(t, "high end", hi, 3.92, 0.02)
	near(t, "u by propagation", propagate(t, sum).U, 2, 1e-9)
}

// Propagation and Monte Carlo must agree within 2 % where the model is linear
// over the uncertainties, with and without correlation.
func TestPropagationAgainstMonteCarlo(t *testing.T) {
	heat := Model{ // flow · density · heat capacity · rise, per hour in kWh
		F: func(x []float64) float64 { return x[0] * 4.186 * (x[2] - x[1]) },
		Inputs: []Input{
			{Name: "flow", Value: 0.15, U: 0.15 * 0.0125},
			{Name: "cold-in", Value: 10, U: 0.08},
			{Name: "preheat-out", Value: 25, U: 0.08},
		},
		Correlations: []Correlation{{1, 2, 0.7}},
	}
	mixed := gaugeBlock()
	mixed.Inputs[8].U = 0 // a steady room: what is left is near linear
	mixed.Inputs[7].Value, mixed.Inputs[7].U = -1, 0.05
	for name, m := range map[string]Model{
		"effectiveness":            effectiveness(),
		"effectiveness, pair":      effectiveness(Correlation{0, 1, 0.8}, Correlation{0, 2, -0.3}),
		"effectiveness, all alike": effectiveness(Correlation{0, 1, 0.999}, Correlation{0, 2, 0.999}, Correlation{1, 2, 0.999}),
		"heat":                     heat,
		"end gauge, steady room":   mixed,
	} {
		b, d := propagate(t, m), monteCarlo(t, m, 200_000)
		near(t, name+": u", b.U/d.U, 1, 0.02)
		near(t, name+": value", b.Value, d.Mean, 0.02*d.U)
	}
	// An offset that all three share: nothing is left of 0.3 K.
	same := effectiveness(Correlation{0, 1, 1}, Correlation{0, 2, 1}, Correlation{1, 2, 1})
	near(t, "common offset", monteCarlo(t, same, 1000).U, 0, 1e-6)
}

// The ends of a skewed result: of exp(x), x standard normal, 2.5 % lie below
// exp(-1.96) and above exp(1.96).
func TestSymmetricOfSkewed(t *testing.T) {
	d := monteCarlo(t, Model{F: func(x []float64) float64 { return math.Exp(x[0]) }, Inputs: []Input{{U: 1}}}, 200_000)
	lo, hi := d.Symmetric(0.95)
	near(t, "low", lo, math.Exp(-1.959964), 0.003)
	near(t, "high", hi, math.Exp(1.959964), 0.15)
}

func TestMonteCarloRefuses(t *testing.T) {
	cases := map[string]Model{
		"no result": {
			F:      func(x []float64) float64 { return math.Log(x[0]) },
			Inputs: []Input{{U: 1}},
		},
		"impossible correlations": {
			F:            func(x []float64) float64 { return x[0] + x[1] + x[2] },
			Inputs:       []Input{{U: 1}, {U: 1}, {U: 1}},
			Correlations: []Correlation{{0, 1, 0.9}, {1, 2, 0.9}, {0, 2, -0.9}},
		},
	}
	for name, m := range cases {
		if _, err := m.MonteCarlo(1000, 1); !errors.Is(err, ErrModel) {
			t.Errorf("%s: error %v, want ErrModel", name, err)
		}
	}
}

// The same seed gives the same bytes.
func TestSeed(t *testing.T) {
	a, b := monteCarlo(t, gaugeBlock(), 1000), monteCarlo(t, gaugeBlock(), 1000)
	if a.Mean != b.Mean || a.U != b.U {
		t.Errorf("two runs of one seed differ: %v and %v", a.Mean, b.Mean)
	}
	c, err := gaugeBlock().MonteCarlo(1000, 7)
	if err != nil {
		t.Fatal(err)
	}
	if c.Mean == a.Mean {
		t.Error("two seeds give the same draws")
	}
}

func BenchmarkPropagate(b *testing.B) {
	m := gaugeBlock()
	for b.Loop() {
		if _, err := m.Propagate(); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkMonteCarlo100k(b *testing.B) {
	m := gaugeBlock()
	for b.Loop() {
		if _, err := m.MonteCarlo(100_000, 1); err != nil {
			b.Fatal(err)
		}
	}
}
