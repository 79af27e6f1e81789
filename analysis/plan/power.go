package plan

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

const (
	confidence = 0.95 // of the test, two-sided
	power      = 0.80
)

// powerOfT returns the probability that a two-sided t-test finds a shift of delta
// standard errors with nu degrees of freedom: that Student's t about delta leaves
// the bounds for none. By quadrature over the distribution of the standard error.
// Source: the noncentral t distribution in any handbook of statistics.
func powerOfT(delta, nu float64) float64 {
	bound := distuv.StudentsT{Sigma: 1, Nu: nu}.Quantile((1 + confidence) / 2)
	chi := distuv.ChiSquared{K: nu}
	lo, hi := chi.Quantile(1e-10), chi.Quantile(1-1e-10)
	return quad.Fixed(func(x float64) float64 {
		s := math.Sqrt(x / nu)
		beyond := distuv.UnitNormal.CDF(delta-bound*s) + distuv.UnitNormal.CDF(-delta-bound*s)
		return beyond * chi.Prob(x)
	}, lo, hi, 400, quad.Legendre{}, 0)
}

// detectable returns the shift, in standard errors, that is found with a probability
// of 0.8; +Inf without degrees of freedom.
func detectable(nu float64) float64 {
	if nu < 1 {
		return math.Inf(1)
	}
	lo, hi := 0.0, 1.0
	for powerOfT(hi, nu) < power {
		hi *= 2
	}
	for range 60 {
		if m := (lo + hi) / 2; powerOfT(m, nu) < power {
			lo = m
		} else {
			hi = m
		}
	}
	return (lo + hi) / 2
}
