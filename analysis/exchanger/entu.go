// Package exchanger holds the steady physics of the unit: effectiveness and
// number of transfer units (NTU), and what a certificate measured at equal
// flows says about other pairs of flows.
//
// Effectiveness is always on the smaller capacity rate: the heat moved against
// the most that the side with the smaller product of mass flow and specific
// heat could take or give. Where the mains side is that side, or both are
// equal, it is the plain temperature ratio of the certificates.
package exchanger

import "math"

// equalRates is how near 1 the ratio of capacity rates must be for the limit
// formulas; beyond it the general ones keep nine digits.
const equalRates = 1e-6

// Counterflow returns the effectiveness of a counterflow exchanger with the
// given NTU (0 or more) and ratio of capacity rates cr = C_min/C_max (0 to 1).
// Source: W. M. Kays, A. L. London, Compact Heat Exchangers, chapter 2.
func Counterflow(ntu, cr float64) float64 {
	d := 1 - cr
	if math.Abs(d) < equalRates {
		return ntu / (1 + ntu)
	}
	e := math.Expm1(-ntu * d) // exp(...) - 1, in (-1, 0]
	return -e / (d - cr*e)
}

// CounterflowNTU inverts [Counterflow]. It returns NaN for an effectiveness
// below 0 or one that no NTU reaches (1 and more).
func CounterflowNTU(eff, cr float64) float64 {
	if !(eff >= 0 && eff < 1) {
		return math.NaN()
	}
	d := 1 - cr
	if math.Abs(d) < equalRates {
		return eff / (1 - eff)
	}
	return math.Log1p(eff*d/(1-eff)) / d
}

// Parallel returns the effectiveness where both streams run the same way.
// Source: as [Counterflow].
func Parallel(ntu, cr float64) float64 {
	return -math.Expm1(-ntu*(1+cr)) / (1 + cr)
}
