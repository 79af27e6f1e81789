package water

import (
	"errors"
	"math"
	"testing"
)

type property func(float64) (float64, error)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.10g, want %.10g within %g", what, got, want, tol)
	}
}

func must(t *testing.T, f property, c float64) float64 {
	t.Helper()
	v, err := f(c)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// The check table printed in IAPWS SR6-08(2011), Table 8. It was read second
// hand, as the test values of a general-purpose open library of IAPWS
// formulas, not in the release itself. Tolerance: one unit of the last digit
// given. 260 K lies below the range of the checked functions, so the formulas
// are called directly.
func TestReleaseTable(t *testing.T) {
	for _, row := range []struct{ k, rho, cp, g, s, mu, lambda float64 }{
		{260, 997.068360, 4.30017472, -1.2659892, -0.20998555, 3058.36075, 0.515628010},
		{298.15, 997.047013, 4.18144618, -4.5617537, 0.36720145, 889.996774, 0.606502308},
		{375, 957.009710, 4.21774697, -71.0588021, 1.32806616, 276.207245, 0.677913788},
	} {
		near(t, "density", 1/specificVolume(row.k), row.rho, 1e-6)
		near(t, "heat capacity", heatCapacity(row.k)/1e3, row.cp, 1e-8)
		near(t, "Gibbs energy", gibbs(row.k)/1e3, row.g, 1e-7)
		near(t, "entropy", entropy(row.k)/1e3, row.s, 1e-8)
		near(t, "viscosity", sum(viscosity[:], row.k/300)*1e6, row.mu, 1e-5)
		near(t, "conductivity", sum(conductivity[:], row.k/300), row.lambda, 1e-9)
	}
	near(t, "Density(25)", must(t, Density, 25), 997.047013, 1e-6)
	near(t, "HeatCapacity(25)", must(t, HeatCapacity, 25), 4181.44618, 1e-5)
	// h = g + T s of the row at 298.15 K; its digits leave 0.003 J/kg.
	near(t, "Enthalpy(25)", must(t, Enthalpy, 25), 1e3*(-4.5617537+298.15*0.36720145), 0.004)
	near(t, "Viscosity(25)", must(t, Viscosity, 25), 889.996774e-6, 1e-11)
	near(t, "Conductivity(25)", must(t, Conductivity, 25), 0.606502308, 1e-9)
}

// IAPWS R7-97 (IF97) region 1 at 0.1 MPa, an independent formulation; values
// calculated from its published coefficients (read second hand in two
// libraries that agree on the release's Table 5). Between 5 °C and 80 °C the
// two formulations differ by up to 1.5e-5 in density and 5.1e-4 in heat
// capacity, which sets the tolerances; the enthalpy, being the integral of the
// heat capacity from near 0 °C, may differ by the same part.
func TestAgainstIF97(t *testing.T) {
	for _, row := range []struct{ c, rho, cp, h float64 }{
		{5, 999.9663, 4.20495, 21.1180},
		{10, 999.7009, 4.19545, 42.1174},
		{15, 999.1005, 4.18910, 63.0778},
		{20, 998.2055, 4.18480, 84.0118},
		{25, 997.0474, 4.18190, 104.9281},
		{30, 995.6515, 4.18002, 125.8325},
		{35, 994.0379, 4.17895, 146.7296},
		{40, 992.2237, 4.17856, 167.6231},
		{50, 988.0469, 4.17956, 209.4118},
		{60, 983.2100, 4.18277, 251.2216},
		{80, 971.8023, 4.19552, 334.9905},
	} {
		near(t, "density", must(t, Density, row.c)/row.rho, 1, 1.6e-5)
		near(t, "heat capacity", must(t, HeatCapacity, row.c)/1e3/row.cp, 1, 5.2e-4)
		near(t, "enthalpy", must(t, Enthalpy, row.c), row.h*1e3, 5.2e-4*row.h*1e3)
	}
}

func TestDerivatives(t *testing.T) {
	const d = 1e-3
	for _, c := range []float64{-17.3, 0.7, 11.9, 36.4, 57.8, 93.1} {
		k := c + zeroC
		h := func(k float64) float64 { return gibbs(k) + k*entropy(k) }
		// Rounding of h (1e-11 relative) over 2e-3 K leaves about 1e-3 J/(kg K).
		near(t, "dh/dT", (h(k+d)-h(k-d))/(2*d), heatCapacity(k), 2e-3)
		near(t, "-dg/dT", -(gibbs(k+d)-gibbs(k-d))/(2*d), entropy(k), 1e-3)
		near(t, "dρ/dT", (1/specificVolume(k+d)-1/specificVolume(k-d))/(2*d), densitySlope(k), 1e-6)
	}
}

func TestRange(t *testing.T) {
	for name, f := range map[string]property{
		"Density": Density, "HeatCapacity": HeatCapacity, "Enthalpy": Enthalpy,
		"Viscosity": Viscosity, "Conductivity": Conductivity,
		"KinematicViscosity": KinematicViscosity, "Prandtl": Prandtl,
	} {
		for _, c := range []float64{-0.01, 100.01, math.NaN(), math.Inf(1), math.Inf(-1)} {
			if _, err := f(c); !errors.Is(err, ErrRange) {
				t.Errorf("%s(%g): error %v, want ErrRange", name, c, err)
			}
		}
		for _, c := range []float64{0, 100} {
			if v, err := f(c); err != nil || !(v > 0 || name == "Enthalpy") {
				t.Errorf("%s(%g) = %g, %v", name, c, v, err)
			}
		}
	}
	for _, c := range []float64{-20.001, 110.001, math.NaN(), math.Inf(1), math.Inf(-1)} {
		for name, v := range map[string]float64{
			"VolumetricHeat": VolumetricHeat(c), "MassFlow": MassFlow(0.1, c),
			"EnthalpyRise from": EnthalpyRise(c, 20), "EnthalpyRise to": EnthalpyRise(20, c),
			"MeanHeatCapacity": MeanHeatCapacity(c, 20), "MeanHeatCapacity at": MeanHeatCapacity(c, c),
			"HeatRate": HeatRate(0.1, 10, c), "HeatRate flow": HeatRate(math.NaN(), 10, 20),
		} {
			if !math.IsNaN(v) {
				t.Errorf("%s at %g °C = %g, want NaN", name, c, v)
			}
		}
	}
	for _, c := range []float64{-20, 110} {
		if v := VolumetricHeat(c); !(v > 3.9e6 && v < 4.4e6) {
			t.Errorf("VolumetricHeat(%g) = %g", c, v)
		}
	}
}

// TestTable holds the table to 1e-7 of the formulas at points that are not on
// its grid.
func TestTable(t *testing.T) {
	var worst float64
	rel := func(what string, c, got, want float64) {
		e := math.Abs(got/want - 1)
		worst = max(worst, e)
		if !(e < 1e-7) {
			t.Errorf("%s at %.3f °C: relative error %.2g, want < 1e-7", what, c, e)
		}
	}
	for c := 0.0; c <= 100; c += 0.0437 {
		rho, cp, h := must(t, Density, c), must(t, HeatCapacity, c), must(t, Enthalpy, c)
		rel("VolumetricHeat", c, VolumetricHeat(c), rho*cp)
		rel("MassFlow", c, MassFlow(0.15, c), 0.15e-3*rho)
		rel("MeanHeatCapacity", c, MeanHeatCapacity(c, c), cp)
		if b := c + 0.3; b <= 100 {
			rel("EnthalpyRise", c, EnthalpyRise(c, b), must(t, Enthalpy, b)-h)
			rel("MeanHeatCapacity", c, MeanHeatCapacity(b, c), (must(t, Enthalpy, b)-h)/0.3)
		}
	}
	t.Logf("largest relative error %.2g", worst)
}

// A round of the energy balance by hand: 9 l/min from 10 °C to 25 °C with the
// density at 10 °C and the IF97 enthalpies of the grid above.
func TestHeatRate(t *testing.T) {
	want := 9.0 / 60 * 0.9997019 * (104.9281 - 42.1174) * 1e3
	near(t, "HeatRate", HeatRate(9.0/60, 10, 25), want, 5) // 5 W of 9.4 kW: the formulations' difference
	near(t, "there and back", EnthalpyRise(12.3, 45.6)+EnthalpyRise(45.6, 12.3), 0, 1e-9)
}

var sink float64

func BenchmarkVolumetricHeat(b *testing.B) {
	c := 5.0
	for b.Loop() {
		sink += VolumetricHeat(c)
		c = math.Mod(c+0.37, 60)
	}
}

func BenchmarkHeatRate(b *testing.B) {
	in := 5.0
	for b.Loop() {
		sink += HeatRate(0.15, in, in+17)
		in += 1e-6
	}
}

func BenchmarkFormula(b *testing.B) {
	for b.Loop() {
		v, _ := Density(31.7)
		sink += v
	}
}
