package water

import (
	"math"
	"testing"
)

// The second formulation of IAPWS for viscosity, R12-08 (2008) without its
// critical term: hI over powers of the reduced temperature, hIJ over powers i of
// 1/T-1 and j of density-1. The coefficients were written down from memory; the
// release's own check table, in TestSecondFormulation, proves them.
var (
	viscosityH = [...]float64{1.67752, 2.20462, 0.6366564, -0.241605}

	viscosityHIJ = []struct {
		i, j int
		h    float64
	}{
		{0, 0, 0.520094}, {1, 0, 0.0850895}, {2, 0, -1.08374}, {3, 0, -0.289555},
		{0, 1, 0.222531}, {1, 1, 0.999115}, {2, 1, 1.88797}, {3, 1, 1.26613}, {5, 1, 0.120573},
		{0, 2, -0.281378}, {1, 2, -0.906851}, {2, 2, -0.772479}, {3, 2, -0.489837}, {4, 2, -0.257040},
		{0, 3, 0.161913}, {1, 3, 0.257399}, {0, 4, -0.0325372}, {3, 4, 0.0698452},
		{4, 5, 0.00872102}, {3, 6, -0.00435673}, {5, 6, -0.000593264},
	}
)

// viscosityR12 returns µPa s at t in K and rho in kg/m³.
func viscosityR12(t, rho float64) float64 {
	t, rho = t/647.096, rho/322
	var dilute, dense float64
	for i, h := range viscosityH {
		dilute += h / math.Pow(t, float64(i))
	}
	for _, k := range viscosityHIJ {
		dense += k.h * math.Pow(1/t-1, float64(k.i)) * math.Pow(rho-1, float64(k.j))
	}
	return 100 * math.Sqrt(t) / dilute * math.Exp(rho*dense)
}

// The second formulation for conductivity, R15-11 (2011) without its critical
// enhancement; coefficients as above.
var (
	conductivityL   = [...]float64{2.443221e-3, 1.323095e-2, 6.770357e-3, -3.454586e-3, 4.096266e-4}
	conductivityLIJ = [5][6]float64{
		{1.60397357, -0.646013523, 0.111443906, 0.102997357, -0.0504123634, 0.00609859258},
		{2.33771842, -2.78843778, 1.53616167, -0.463045512, 0.0832827019, -0.00719201245},
		{2.19650529, -4.54580785, 3.55777244, -1.40944978, 0.275418278, -0.0205938816},
		{-1.21051378, 1.60812989, -0.621178141, 0.0716373224, 0, 0},
		{-2.7203370, 4.57586331, -3.18369245, 1.1168348, -0.19268305, 0.012913842},
	}
)

// conductivityR15 returns mW/(m K) at t in K and rho in kg/m³.
func conductivityR15(t, rho float64) float64 {
	t, rho = t/647.096, rho/322
	var dilute, dense float64
	for i, l := range conductivityL {
		dilute += l / math.Pow(t, float64(i))
	}
	for i, row := range conductivityLIJ {
		for j, l := range row {
			dense += l * math.Pow(1/t-1, float64(i)) * math.Pow(rho-1, float64(j))
		}
	}
	return math.Sqrt(t) / dilute * math.Exp(rho*dense)
}

// Viscosity and conductivity against an independent formulation, from 0 °C to
// 60 °C at the density of this package. First the check tables of the releases
// R12-08 (Table 4) and R15-11 (Table 4, without enhancement), read second hand
// in general-purpose open libraries, hold the second formulation itself to
// 1e-7; then the two formulations must agree to 0.01 %. The enhancement near the
// critical point, which is left out, is far below that here.
func TestSecondFormulation(t *testing.T) {
	for _, row := range []struct{ k, rho, mu float64 }{
		{298.15, 998, 889.735100}, {298.15, 1200, 1437.649467}, {373.15, 1000, 307.883622},
		{433.15, 1, 14.538324}, {433.15, 1000, 217.685358}, {873.15, 1, 32.619287},
		{873.15, 100, 35.802262}, {873.15, 600, 77.430195}, {1173.15, 1, 44.217245},
		{1173.15, 100, 47.640433}, {1173.15, 400, 64.154608},
	} {
		near(t, "R12-08 viscosity", viscosityR12(row.k, row.rho)/row.mu, 1, 1e-7)
	}
	for _, row := range []struct{ k, rho, lambda float64 }{
		{298.15, 0, 18.4341883}, {298.15, 998, 607.712868}, {298.15, 1200, 799.038144}, {873.15, 0, 79.1034659},
	} {
		near(t, "R15-11 conductivity", conductivityR15(row.k, row.rho)/row.lambda, 1, 1e-7)
	}
	var worstMu, worstLambda float64
	for c := 0.0; c <= 60; c += 2.5 {
		rho := must(t, Density, c)
		mu := must(t, Viscosity, c) * 1e6 / viscosityR12(c+zeroC, rho)
		lambda := must(t, Conductivity, c) * 1e3 / conductivityR15(c+zeroC, rho)
		near(t, "viscosity of both formulations", mu, 1, 1e-4)
		near(t, "conductivity of both formulations", lambda, 1, 1e-4)
		worstMu, worstLambda = max(worstMu, math.Abs(mu-1)), max(worstLambda, math.Abs(lambda-1))
	}
	t.Logf("largest difference of the formulations: viscosity %.4f %%, conductivity %.4f %%", 100*worstMu, 100*worstLambda)
}

// Prandtl number and kinematic viscosity, computed from the release's equations
// outside this project and rounded to three digits. Tables of textbooks print
// the Prandtl number of water as 7.0 at 20 °C and 4.3 at 40 °C (from memory).
func TestDerivedTransport(t *testing.T) {
	for _, row := range []struct{ c, mu, lambda, pr float64 }{
		{5, 1518.2, 0.5678, 11.24}, {10, 1305.9, 0.5788, 9.47}, {15, 1137.6, 0.5888, 8.09},
		{20, 1001.6, 0.5980, 7.01}, {40, 652.7, 0.6285, 4.34},
	} {
		near(t, "viscosity", must(t, Viscosity, row.c)*1e6, row.mu, 0.06)
		near(t, "conductivity", must(t, Conductivity, row.c), row.lambda, 6e-5)
		near(t, "Prandtl number", must(t, Prandtl, row.c), row.pr, 6e-3)
		near(t, "kinematic viscosity", must(t, KinematicViscosity, row.c)*must(t, Density, row.c)*1e6, row.mu, 0.06)
	}
}
