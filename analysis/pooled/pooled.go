// Package pooled estimates a figure over the dwellings of a study by random
// effects: units differ from each other by more than their measurements' noise,
// and the next one will differ likewise.
package pooled

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// A Value is one dwelling's figure.
type Value struct {
	Y float64
	U float64 // standard uncertainty, of what no other dwelling shares; above 0
}

// An Estimate is the mean of a figure over a population of dwellings, of which
// the given ones are a sample.
type Estimate struct {
	Dwellings int

	// Mean is weighted by 1/(U² + Tau²), U95 the half-width of its 95 % interval
	// by Student's t with Dwellings-1 degrees of freedom and the standard error of
	// Knapp and Hartung, never narrower than the plain one.
	Mean, U95 float64

	// Tau is the standard deviation between dwellings beyond what U explains, TauLo
	// and TauHi its 95 % interval by the profile of Q.
	Tau, TauLo, TauHi float64

	// Lo and Hi hold the next dwelling's own value with a probability of 95 %:
	// Mean plus and minus t, with Dwellings-2 degrees of freedom, times the root of
	// Tau² and the mean's variance. NaN for two dwellings.
	Lo, Hi float64
}

// ErrTooFew says that fewer than two dwellings have a figure.
var ErrTooFew = errors.New("pooled: fewer than two dwellings have a figure")

const coverage = 0.95

// Over estimates the mean over a population by restricted maximum likelihood.
// It returns ErrTooFew for fewer than two values, and an error for a value that
// is not finite or has no uncertainty above 0.
//
// Sources: W. Viechtbauer, Journal of Educational and Behavioral Statistics 30
// (2005) 261, for the iteration; G. Knapp, J. Hartung, Statistics in Medicine 22
// (2003) 2693; J. P. T. Higgins and others, Journal of the Royal Statistical
// Society A 172 (2009) 137, for the interval of the next value (all from memory).
func Over(values []Value) (Estimate, error) {
	if len(values) < 2 {
		return Estimate{}, ErrTooFew
	}
	for i, v := range values {
		if math.IsNaN(v.Y) || math.IsInf(v.Y, 0) || !(v.U > 0) || math.IsInf(v.U, 0) {
			return Estimate{}, fmt.Errorf("pooled: value %d is %v with a standard uncertainty of %v", i, v.Y, v.U)
		}
	}
	tau2 := reml(values)
	w := weigh(values, tau2)
	n := float64(len(values))
	se2 := max(w.q/(n-1), 1) / w.sum
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: n - 1}.Quantile((1 + coverage) / 2)
	next := math.NaN()
	if n > 2 {
		next = distuv.StudentsT{Mu: 0, Sigma: 1, Nu: n - 2}.Quantile((1+coverage)/2) * math.Sqrt(tau2+se2)
	}
	e := Estimate{
		Dwellings: len(values), Mean: w.mean, U95: t * math.Sqrt(se2), Tau: math.Sqrt(tau2),
		Lo: w.mean - next, Hi: w.mean + next,
	}
	chi := distuv.ChiSquared{K: n - 1}
	e.TauLo = math.Sqrt(tauOfQ(values, chi.Quantile((1+coverage)/2)))
	e.TauHi = math.Sqrt(tauOfQ(values, chi.Quantile((1-coverage)/2)))
	return e, nil
}

// weighted are sums with the weights 1/(U² + tau²).
type weighted struct {
	sum, sum2 float64 // of the weights and of their squares
	mean      float64
	q         float64 // weighted sum of squares about the mean
	q2        float64 // the same with the weights' squares
}

func weigh(values []Value, tau2 float64) weighted {
	var s weighted
	for _, v := range values {
		w := 1 / (v.U*v.U + tau2)
		s.sum += w
		s.sum2 += w * w
		s.mean += w * v.Y
	}
	s.mean /= s.sum
	for _, v := range values {
		w := 1 / (v.U*v.U + tau2)
		d := v.Y - s.mean
		s.q += w * d * d
		s.q2 += w * w * d * d
	}
	return s
}

// reml returns the variance between dwellings at which the restricted
// likelihood is greatest, by bisection of its derivative: Newton's iteration
// can leave the range where the likelihood is flat.
func reml(values []Value) float64 {
	slope := func(tau2 float64) float64 {
		w := weigh(values, tau2)
		return w.q2 - w.sum + w.sum2/w.sum
	}
	if slope(0) <= 0 {
		return 0
	}
	return root(slope, values)
}

// tauOfQ returns the variance between dwellings at which Q is q, 0 where Q lies
// below that without any.
func tauOfQ(values []Value, q float64) float64 {
	excess := func(tau2 float64) float64 { return weigh(values, tau2).q - q }
	if excess(0) <= 0 {
		return 0
	}
	return root(excess, values)
}

// root returns where f, positive at 0, falls through 0.
func root(f func(float64) float64, values []Value) float64 {
	hi := 1e-12
	for _, v := range values {
		hi += v.U * v.U
	}
	for f(hi) > 0 {
		hi *= 2
	}
	lo := 0.0
	for range 200 {
		m := (lo + hi) / 2
		if m == lo || m == hi {
			break
		}
		if f(m) > 0 {
			lo = m
		} else {
			hi = m
		}
	}
	return (lo + hi) / 2
}
