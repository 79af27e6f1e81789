// Package water gives the properties of liquid water that a heat balance
// needs (density, heat capacity, enthalpy) and those that heat transfer follows
// (viscosity, conductivity, Prandtl number).
//
// The formulas are those of the IAPWS release SR6-08(2011), liquid water at
// 0.1 MPa. They hold for pure, air-free water; mains pressure of 0.3 MPa
// changes the density by +0.01 % and the heat capacity by -0.01 %, soap and
// hardness of a shower by less than the meter can tell, and all of it is left
// out. The release covers -20 °C to 110 °C (metastable below 0 °C).
//
// Two families stand side by side. [Density] and its neighbours follow the
// release term by term, refuse what is not between 0 °C and 100 °C, and are
// meant for one value at a time. [VolumetricHeat], [MassFlow], [EnthalpyRise]
// and [HeatRate] are for every sample of a record: they read a table made from
// the same formulas and answer NaN instead of an error.
package water

import (
	"errors"
	"fmt"
	"math"
)

// ErrRange is returned, wrapped, for a temperature outside 0 °C to 100 °C.
var ErrRange = errors.New("water: temperature out of range")

// Constants of SR6-08(2011): specific gas constant, reference temperature and
// pressure, and the poles of the reduced temperatures alpha and beta.
const (
	gasR    = 461.51805 // J/(kg K)
	refT    = 10.0      // K
	refP    = 0.1e6     // Pa
	poleA   = 593.0     // K
	poleB   = 232.0     // K
	zeroC   = 273.15    // K
	firstC  = -20.0     // °C, lower end of the release
	lastC   = 110.0     // °C, upper end of the release
	lowestC = 0.0       // °C, lower end for the checked functions
	highC   = 100.0     // °C, upper end for the checked functions
)

// A term is c·x^e.
type term struct{ c, e float64 }

// Coefficients of SR6-08(2011). Gibbs energy: equation (1) with c1 to c3;
// volume: its pressure derivative at 0.1 MPa.
var (
	gibbsA = [...]term{{-1.661470539e5, 4}, {2.708781640e6, 5}, {-1.557191544e8, 7}}
	gibbsB = [...]term{{-8.237426256e-1, 2}, {1.908956353, 3}, {-2.017597384, 4}, {8.546361348e-1, 5}}
	gibbsC = [...]float64{-2.452093414e2, 3.869269598e1, -8.983025854}

	volume0 = 1.93763157e-2
	volumeA = [...]term{{6.74458446e3, 4}, {-2.22521604e5, 5}, {1.00231247e8, 7}, {-1.63552118e9, 8}, {8.32299658e9, 9}}
	volumeB = [...]term{{5.78545292e-3, 1}, {-1.53195665e-2, 2}, {3.11337859e-2, 3}, {-4.23546241e-2, 4}, {3.38713507e-2, 5}, {-1.19946761e-2, 6}}

	viscosity    = [...]term{{280.68e-6, -1.9}, {511.45e-6, -7.7}, {61.131e-6, -19.6}, {0.45903e-6, -40}}
	conductivity = [...]term{{1.6630, -1.15}, {-1.7781, -3.4}, {1.1567, -6.0}, {-0.432115, -7.6}}
)

// Density returns the density of water at 0.1 MPa in kg/m³ for t in °C, 0 to
// 100; NaN and temperatures outside give [ErrRange].
// Source: IAPWS SR6-08(2011).
func Density(t float64) (float64, error) {
	return checked(t, func(k float64) float64 { return 1 / specificVolume(k) })
}

// HeatCapacity returns the specific heat capacity at constant pressure in
// J/(kg K) for t in °C, 0 to 100; NaN and temperatures outside give
// [ErrRange]. Source: IAPWS SR6-08(2011).
func HeatCapacity(t float64) (float64, error) { return checked(t, heatCapacity) }

// Enthalpy returns the specific enthalpy in J/kg for t in °C, 0 to 100; NaN
// and temperatures outside give [ErrRange]. Its zero is that of IAPWS: internal
// energy and entropy of the liquid vanish at the triple point. Use differences.
// Source: IAPWS SR6-08(2011), h = g + T s.
func Enthalpy(t float64) (float64, error) {
	return checked(t, func(k float64) float64 { return gibbs(k) + k*entropy(k) })
}

// Viscosity returns the dynamic viscosity in Pa s for t in °C, 0 to 100; NaN
// and temperatures outside give [ErrRange]. The release states 1 % as the
// equation's uncertainty (from memory); two formulations of IAPWS differ by
// less than 0.01 % from 0 °C to 60 °C. Source: IAPWS SR6-08(2011), the viscosity
// equation.
func Viscosity(t float64) (float64, error) { return checked(t, viscosityAt) }

// Conductivity returns the thermal conductivity in W/(m K) for t in °C, 0 to
// 100; NaN and temperatures outside give [ErrRange]. The release states 2 % as
// the equation's uncertainty (from memory); two formulations of IAPWS differ by
// less than 0.01 % from 0 °C to 60 °C. Source: IAPWS SR6-08(2011), the thermal
// conductivity equation.
func Conductivity(t float64) (float64, error) { return checked(t, conductivityAt) }

// KinematicViscosity returns the dynamic viscosity over the density in m²/s for
// t in °C, 0 to 100; NaN and temperatures outside give [ErrRange]. Source: as
// [Viscosity] and [Density].
func KinematicViscosity(t float64) (float64, error) {
	return checked(t, func(k float64) float64 { return viscosityAt(k) * specificVolume(k) })
}

// Prandtl returns the Prandtl number, viscosity times heat capacity over
// conductivity, for t in °C, 0 to 100: 13.5 at 0 °C, 4.3 at 40 °C. NaN and
// temperatures outside give [ErrRange]. Source: as [Viscosity], [HeatCapacity]
// and [Conductivity].
func Prandtl(t float64) (float64, error) {
	return checked(t, func(k float64) float64 { return viscosityAt(k) * heatCapacity(k) / conductivityAt(k) })
}

func checked(t float64, f func(kelvin float64) float64) (float64, error) {
	if !(t >= lowestC && t <= highC) {
		return 0, fmt.Errorf("%w: %.2f °C, want %g to %g", ErrRange, t, lowestC, highC)
	}
	return f(t + zeroC), nil
}

// The functions below take kelvin and follow the release's symbols.

func viscosityAt(t float64) float64    { return sum(viscosity[:], t/300) }
func conductivityAt(t float64) float64 { return sum(conductivity[:], t/300) }

func gibbs(t float64) float64 {
	tau := t / refT
	g := gibbsC[0] + gibbsC[1]*tau + gibbsC[2]*tau*math.Log(tau)
	return gasR * refT * (g + sum(gibbsA[:], alpha(t)) + sum(gibbsB[:], beta(t)))
}

func entropy(t float64) float64 {
	s := gibbsC[1] + gibbsC[2]*(1+math.Log(t/refT))
	return -gasR * (s + slope(gibbsA[:], alpha(t)) - slope(gibbsB[:], beta(t)))
}

func heatCapacity(t float64) float64 {
	return -gasR * (gibbsC[2] + t/refT*(curvature(gibbsA[:], alpha(t))+curvature(gibbsB[:], beta(t))))
}

func specificVolume(t float64) float64 {
	return gasR * refT / refP * (volume0 + sum(volumeA[:], alpha(t)) + sum(volumeB[:], beta(t)))
}

// densitySlope is dρ/dT in kg/(m³ K).
func densitySlope(t float64) float64 {
	v := specificVolume(t)
	dv := gasR / refP * (slope(volumeA[:], alpha(t)) - slope(volumeB[:], beta(t)))
	return -dv / (v * v)
}

func alpha(t float64) float64 { return refT / (poleA - t) }
func beta(t float64) float64  { return refT / (t - poleB) }

func sum(terms []term, x float64) float64 {
	var s float64
	for _, k := range terms {
		s += k.c * math.Pow(x, k.e)
	}
	return s
}

// slope is the derivative of sum to refT/T for alpha, and its negative for
// beta: dα/dT = α²/Tr, dβ/dT = -β²/Tr.
func slope(terms []term, x float64) float64 {
	var s float64
	for _, k := range terms {
		s += k.e * k.c * math.Pow(x, k.e+1)
	}
	return s
}

func curvature(terms []term, x float64) float64 {
	var s float64
	for _, k := range terms {
		s += k.e * (k.e + 1) * k.c * math.Pow(x, k.e+2)
	}
	return s
}
