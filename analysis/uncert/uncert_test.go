package uncert

import (
	"errors"
	"math"
	"testing"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.9g, want %.9g within %g", what, got, want, tol)
	}
}

func propagate(t *testing.T, m Model) Budget {
	t.Helper()
	b, err := m.Propagate()
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// gaugeBlock is JCGM 100:2008 H.1, calibration of an end gauge, in nm. The
// inputs were read in two general-purpose open libraries that carry the
// example.
func gaugeBlock() Model {
	thermal := Rectangular("expansion difference", 0, 1e-6)
	thermal.DoF = 50
	temperature := Rectangular("temperature difference", 0, 0.05)
	temperature.DoF = 2
	return Model{
		F: func(x []float64) float64 {
			ls, d := x[0], x[1]+x[2]+x[3]
			alpha, dAlpha, dTheta, theta := x[4], x[5], x[6], x[7]+x[8]
			return ls + d - ls*(dAlpha*theta+alpha*dTheta)
		},
		Inputs: []Input{
			{Name: "standard", Value: 50.000623e6, U: 25, DoF: 18},
			{Name: "comparison, mean", Value: 215, U: 5.8, DoF: 24},
			{Name: "comparator, random", U: 3.9, DoF: 5},
			{Name: "comparator, systematic", U: 6.7, DoF: 8},
			Rectangular("expansion of the standard", 11.5e-6, 2e-6),
			thermal,
			temperature,
			{Name: "mean temperature deviation", Value: -0.1, U: 0.2},
			Arcsine("cyclic variation", 0, 0.5),
		},
	}
}

func TestGaugeBlock(t *testing.T) {
	m := gaugeBlock()
	b := propagate(t, m)
	// Value 50.000838 mm and 32 nm as the GUM prints; the sum of the
	// components gives 31.7.
	near(t, "length", b.Value, 50.000838e6, 0.5)
	near(t, "u", b.U, 31.7, 0.05)
	near(t, "u as printed", b.U, 32, 0.5)
	for row, want := range map[int]float64{0: 25, 1: 5.8, 2: 3.9, 3: 6.7, 5: 2.88679, 6: 16.599} {
		near(t, b.Rows[row].Name, math.Abs(b.Rows[row].Contribution), want, 1e-3)
	}
	near(t, "expansion of the standard", b.Rows[4].Contribution, 0, 1e-9)
	// The components above give 16.8; the GUM's text says 16.7 (from memory).
	near(t, "effective degrees of freedom", b.DoF, 16.75, 0.1)
	// The GUM cuts them to 16 and takes t99(16) = 2.92, U99 = 93 nm (from memory).
	near(t, "t99(16)", CoverageFactor(0.99, 16), 2.92, 0.005)
	near(t, "U99", CoverageFactor(0.99, math.Floor(b.DoF))*b.U, 93, 0.6)

	second, err := m.SecondOrder()
	if err != nil {
		t.Fatal(err)
	}
	near(t, "u with second order", math.Sqrt(b.U*b.U+second), 34, 0.5) // H.1.7

	d, err := m.MonteCarlo(200_000, 1)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "u by Monte Carlo over second order", d.U/math.Sqrt(b.U*b.U+second), 1, 0.01)
}

// JCGM 100:2008 H.2, resistance and reactance measured together. Inputs and
// results as read in a general-purpose open library, which carries more digits
// than the GUM and so avoids its rounding.
func TestResistanceAndReactance(t *testing.T) {
	inputs := []Input{
		{Name: "V", Value: 4.999, U: 3.2e-3},
		{Name: "I", Value: 0.019661, U: 9.5e-6},
		{Name: "phi", Value: 1.04446, U: 7.5e-4},
	}
	cs := []Correlation{{0, 1, -0.36}, {0, 2, 0.86}, {1, 2, -0.65}}
	budget := func(f func(x []float64) float64) Budget {
		return propagate(t, Model{F: f, Inputs: inputs, Correlations: cs})
	}
	r := budget(func(x []float64) float64 { return x[0] / x[1] * math.Cos(x[2]) })
	x := budget(func(x []float64) float64 { return x[0] / x[1] * math.Sin(x[2]) })
	z := budget(func(x []float64) float64 { return x[0] / x[1] })

	near(t, "R", r.Value, 127.732, 5e-4)
	near(t, "X", x.Value, 219.85, 5e-3)
	near(t, "Z", z.Value, 254.26, 5e-3)
	near(t, "u(R)", r.U, 0.070, 5e-4)
	near(t, "u(X)", x.U, 0.30, 5e-3)
	near(t, "u(Z)", z.U, 0.24, 5e-3)
	coefficient := func(a, b Budget) float64 { return Covariance(a, b, cs) / (a.U * b.U) }
	near(t, "r(R,X)", coefficient(r, x), -0.59, 5e-3)
	near(t, "r(R,Z)", coefficient(r, z), -0.49, 5e-3)
	near(t, "r(X,Z)", coefficient(x, z), 0.99, 5e-3)

	// Z = √(R²+X²), so the covariances must agree with u(Z).
	vz := (r.Value*r.Value*r.U*r.U + x.Value*x.Value*x.U*x.U +
		2*r.Value*x.Value*Covariance(r, x, cs)) / (z.Value * z.Value)
	near(t, "u(Z) through R and X", math.Sqrt(vz), z.U, 1e-4)

	var shares float64
	for _, row := range r.Rows {
		shares += row.Share
	}
	near(t, "shares", shares, 1, 1e-12)
}

// JCGM 100:2008 H.3, calibration of a thermometer. Data and results as read in
// a general-purpose open library; the finer digits are a calculation from the
// same data.
func TestThermometerCalibration(t *testing.T) {
	reading := []float64{21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511}
	correction := []float64{-.171, -.169, -.166, -.159, -.164, -.165, -.156, -.157, -.159, -.161, -.160}
	l, err := FitLine(reading, correction, 20)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "y1", l.Intercept, -0.17120379, 1e-8)
	near(t, "s(y1)", l.UIntercept, 0.00287760, 1e-8)
	near(t, "y2", l.Slope, 0.00218269774, 1e-11)
	near(t, "s(y2)", l.USlope, 0.000667938773, 1e-12)
	near(t, "r", l.Correlation, -0.930430, 1e-6)
	near(t, "s", l.S, 0.0035, 5e-5)
	near(t, "sum of squares", l.S*l.S*float64(l.DoF), 1.10096583109e-4, 1e-14)
	b30, u30 := l.At(30)
	near(t, "b(30 °C)", b30, -0.149377, 5e-7)
	near(t, "u(b(30 °C))", u30, 0.004138596, 5e-9)

	for _, bad := range []struct{ x, y []float64 }{
		{[]float64{1, 2}, []float64{1, 2}},
		{[]float64{3, 3, 3}, []float64{1, 2, 4}},
		{[]float64{1, 2, math.NaN()}, []float64{1, 2, 3}},
	} {
		if _, err := FitLine(bad.x, bad.y, 0); !errors.Is(err, ErrModel) {
			t.Errorf("FitLine(%v): error %v, want ErrModel", bad.x, err)
		}
	}
}

// effectiveness is the plain temperature ratio with 0.30 K on each sensor.
func effectiveness(cs ...Correlation) Model {
	return Model{
		F: func(x []float64) float64 { return (x[1] - x[0]) / (x[2] - x[0]) },
		Inputs: []Input{
			{Name: "cold-in", Value: 10, U: 0.3},
			{Name: "preheat-out", Value: 24, U: 0.3},
			{Name: "waste-in", Value: 36, U: 0.3},
		},
		Correlations: cs,
	}
}

func TestEffectiveness(t *testing.T) {
	b := propagate(t, effectiveness())
	near(t, "effectiveness", b.Value, 14.0/26, 1e-12)
	// By hand: 0.3/26·√(1 + ε² + (1-ε)²) = 0.0141456; differences over ±u
	// leave (u/26)² of it.
	near(t, "u", b.U, 0.0141456, 3e-6)

	exact := effectiveness()
	exact.Gradient = func(x []float64) []float64 {
		span, e := x[2]-x[0], (x[1]-x[0])/(x[2]-x[0])
		return []float64{(e - 1) / span, 1 / span, -e / span}
	}
	near(t, "u by gradient", propagate(t, exact).U, 0.0141456, 5e-8)

	// An offset common to all three cancels altogether.
	common := effectiveness(Correlation{0, 1, 1}, Correlation{0, 2, 1}, Correlation{1, 2, 1})
	near(t, "u of a common offset", propagate(t, common).U, 0, 2e-6)
}

// Measuring instruments add their limits of error and do not take the root of
// the sum of squares (Directive 2014/32/EU Annex VI: E = Ef + Et + Ec). The
// class formulas are from memory of EN 1434-1: class 2, qp 1.5 and
// q 0.54 m³/h, limits 3 K and 14 K. Full correlation is the arithmetic sum.
func TestHeatMeterLimits(t *testing.T) {
	m := Model{
		F: func(x []float64) float64 { return x[0] + x[1] + x[2] },
		Inputs: []Input{
			{Name: "flow", U: 2 + 0.02*1.5/0.54},
			{Name: "temperature pair", U: 0.5 + 3*3.0/14},
			{Name: "calculator", U: 0.5 + 3.0/14},
		},
	}
	near(t, "root of squares", propagate(t, m).U, 2.457974, 5e-7)
	m.Correlations = []Correlation{{0, 1, 1}, {0, 2, 1}, {1, 2, 1}}
	b := propagate(t, m)
	near(t, "sum", b.U, 3.912698, 5e-7)
	near(t, "share of flow", b.Rows[0].Share, 2.055556/3.912698, 1e-6)
}

func TestCoverageFactor(t *testing.T) {
	// JCGM 100:2008 Table G.2 (from memory; any table of Student's t).
	for _, row := range []struct{ p, dof, k float64 }{
		{0.95, 1, 12.71}, {0.95, 5, 2.57}, {0.95, 10, 2.23}, {0.95, 50, 2.01},
		{0.9545, 20, 2.13}, {0.99, 2, 9.92}, {0.95, math.Inf(1), 1.960}, {0.9545, 1e12, 2.000},
	} {
		near(t, "k", CoverageFactor(row.p, row.dof), row.k, 0.0051)
	}
	for _, k := range []float64{CoverageFactor(1, 5), CoverageFactor(0.95, 0), CoverageFactor(0.95, math.NaN()), CoverageFactor(math.NaN(), 5)} {
		if !math.IsNaN(k) {
			t.Errorf("coverage factor %g out of range, want NaN", k)
		}
	}
}

func TestDegreesOfFreedom(t *testing.T) {
	sum := func(x []float64) float64 { return x[0] + x[1] }
	m := Model{F: sum, Inputs: []Input{{Name: "a", U: 3}, {Name: "b", U: 4, DoF: 8}}}
	b := propagate(t, m)
	near(t, "DoF", b.DoF, 625/(256.0/8), 1e-9) // formula by hand
	near(t, "Expanded", b.Expanded(0.95), CoverageFactor(0.95, 625.0/32)*5, 1e-9)
	near(t, "U95", b.U95(), 10, 1e-12)

	m.Correlations = []Correlation{{0, 1, 0.5}}
	if b := propagate(t, m); !math.IsNaN(b.DoF) || !math.IsNaN(b.Expanded(0.95)) {
		t.Errorf("correlated input of 8 degrees of freedom: DoF %g, want NaN", b.DoF)
	}
	m.Inputs[1].DoF = 0
	if b := propagate(t, m); !math.IsInf(b.DoF, 1) {
		t.Errorf("DoF %g, want +Inf", b.DoF)
	}
}

func TestBadModel(t *testing.T) {
	sum := func(x []float64) float64 { return x[0] - x[1] + x[2] }
	good := func() Model {
		return Model{F: sum, Inputs: []Input{{Name: "a", U: 1}, {Name: "b", U: 1}, {Name: "c", U: 1}}}
	}
	for name, spoil := range map[string]func(*Model){
		"NaN value":               func(m *Model) { m.Inputs[1].Value = math.NaN() },
		"negative u":              func(m *Model) { m.Inputs[1].U = -1 },
		"infinite u":              func(m *Model) { m.Inputs[1].U = math.Inf(1) },
		"negative dof":            func(m *Model) { m.Inputs[1].DoF = -1 },
		"unknown shape":           func(m *Model) { m.Inputs[1].Shape = numShapes },
		"correlation above 1":     func(m *Model) { m.Correlations = []Correlation{{0, 1, 1.1}} },
		"correlation with itself": func(m *Model) { m.Correlations = []Correlation{{1, 1, 0.5}} },
		"no such input":           func(m *Model) { m.Correlations = []Correlation{{0, 3, 0.5}} },
		"impossible triple":       func(m *Model) { m.Correlations = []Correlation{{0, 1, 0.9}, {1, 2, 0.9}, {0, 2, -0.9}} },
		"NaN result":              func(m *Model) { m.F = func([]float64) float64 { return math.NaN() } },
		"short gradient":          func(m *Model) { m.Gradient = func([]float64) []float64 { return []float64{1} } },
	} {
		m := good()
		spoil(&m)
		if _, err := m.Propagate(); !errors.Is(err, ErrModel) {
			t.Errorf("%s: error %v, want ErrModel", name, err)
		}
	}
}
