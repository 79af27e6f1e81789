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

func sumOf4(in Input) Model {
	return Model{
		F:      func(x []float64) float64 { return x[0] + x[1] + x[2] + x[3] },
		Inputs: []Input{in, in, in, in},
	}
}

// JCGM 101:2008 9.2.2 and 9.2.3, sums of four inputs of unit variance; results
// from memory. The rectangular end is exact: 2√3·(2 - (3/5)^(1/4)) = 3.8794.
// Tolerance: about four standard errors of a million trials.
func TestSums(t *testing.T) {
	const trials, tolU, tolEnd = 1_000_000, 0.006, 0.02
	for _, row := range []struct {
		name string
		in   Input
		end  float64
	}{
		{"9.2.2 normal", Input{U: 1}, 3.92},
		{"9.2.3 rectangular", Rectangular("", 0, math.Sqrt(3)), 2 * math.Sqrt(3) * (2 - math.Pow(0.6, 0.25))},
	} {
		d := monteCarlo(t, sumOf4(row.in), trials)
		near(t, row.name+" mean", d.Mean, 0, 0.008)
		near(t, row.name+" u", d.U, 2, tolU)
		lo, hi := d.Symmetric(0.95)
		near(t, row.name+" low end", lo, -row.end, tolEnd)
		near(t, row.name+" high end", hi, row.end, tolEnd)
		near(t, row.name+" u by propagation", propagate(t, sumOf4(row.in)).U, 2, 1e-9)
	}
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
		"rectangular and arcsine":  mixed,
	} {
		b, d := propagate(t, m), monteCarlo(t, m, 200_000)
		near(t, name+": u", b.U/d.U, 1, 0.02)
		near(t, name+": value", b.Value, d.Mean, 0.02*d.U)
	}
	// An offset that all three share: nothing is left of 0.3 K.
	same := effectiveness(Correlation{0, 1, 1}, Correlation{0, 2, 1}, Correlation{1, 2, 1})
	near(t, "common offset", monteCarlo(t, same, 1000).U, 0, 1e-6)
}

func TestShapes(t *testing.T) {
	identity := func(in Input) Model {
		return Model{F: func(x []float64) float64 { return x[0] }, Inputs: []Input{in}}
	}
	const trials = 200_000
	for _, row := range []struct {
		in     Input
		u, end float64 // standard deviation; upper end of 95 %
	}{
		{Input{Name: "normal", Value: 5, U: 2}, 2, 5 + 2*1.959964},
		{Rectangular("rectangular", 5, 3), 3 / math.Sqrt(3), 5 + 0.95*3},
		{Arcsine("arcsine", 5, 3), 3 / math.Sqrt2, 5 + 3*math.Sin(0.95*math.Pi/2)},
		// Student's variance is ν/(ν-2) in units of U², its 97.5 % point at ν = 8 is 2.306.
		{Input{Name: "student", Value: 5, U: 2, DoF: 8, Shape: StudentT}, 2 * math.Sqrt(8.0/6), 5 + 2*2.306},
	} {
		d := monteCarlo(t, identity(row.in), trials)
		near(t, row.in.Name+" mean", d.Mean, 5, 0.03)
		near(t, row.in.Name+" u", d.U/row.u, 1, 0.01)
		_, hi := d.Symmetric(0.95)
		near(t, row.in.Name+" end", hi, row.end, 0.07)
	}
}

// Of an exponential the shortest interval starts at 0 and the symmetric one
// does not: 95 % of it lies below -ln 0.05, and 2.5 % below -ln 0.975.
func TestShortest(t *testing.T) {
	d := monteCarlo(t, Model{
		F:      func(x []float64) float64 { return -math.Log(x[0]) },
		Inputs: []Input{Rectangular("p", 0.5, 0.5)},
	}, 200_000)
	lo, hi := d.Shortest(0.95)
	near(t, "shortest, low", lo, 0, 0.01)
	near(t, "shortest, high", hi, -math.Log(0.05), 0.06)
	lo, hi = d.Symmetric(0.95)
	near(t, "symmetric, low", lo, -math.Log(0.975), 0.003)
	near(t, "symmetric, high", hi, -math.Log(0.025), 0.08)
}

func TestMonteCarloRefuses(t *testing.T) {
	cases := map[string]Model{
		"correlated and not normal": {
			F:            func(x []float64) float64 { return x[0] + x[1] },
			Inputs:       []Input{Rectangular("a", 0, 1), {Name: "b", U: 1}},
			Correlations: []Correlation{{0, 1, 0.5}},
		},
		"Student without degrees of freedom": {
			F:      func(x []float64) float64 { return x[0] },
			Inputs: []Input{{U: 1, Shape: StudentT}},
		},
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
