package uncert

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"
)

// A Distribution is what Monte Carlo knows of a result.
type Distribution struct {
	Mean float64
	U    float64 // standard deviation

	sorted []float64
}

// MonteCarlo draws the inputs trials times from their distributions, from the
// given seed, and returns the distribution of the result (JCGM 101:2008
// clause 7; a million trials fix a 95 % interval to two or three digits).
// The inputs are normal (6.4.7), jointly so where correlated (6.4.8). The error
// wraps [ErrModel].
func (m Model) MonteCarlo(trials int, seed uint64) (Distribution, error) {
	if trials < 100 {
		panic("uncert: Monte Carlo with fewer than 100 trials")
	}
	if _, err := m.estimates(); err != nil {
		return Distribution{}, err
	}
	mix, err := m.mixing()
	if err != nil {
		return Distribution{}, err
	}
	rng := rand.New(rand.NewPCG(seed, stream))
	n := len(m.Inputs)
	x, z := make([]float64, n), make([]float64, n)
	ys := make([]float64, trials)
	for k := range ys {
		for i := range z {
			z[i] = rng.NormFloat64()
		}
		for i, in := range m.Inputs {
			deviate := z[i]
			if mix != nil {
				deviate = 0
				for j, c := range mix.RawRowView(i) {
					deviate += c * z[j]
				}
			}
			x[i] = in.Value + in.U*deviate
		}
		ys[k] = m.F(x)
		if !finite(ys[k]) {
			return Distribution{}, fmt.Errorf("%w: result %g at %v, within the inputs' distributions", ErrModel, ys[k], x)
		}
	}
	slices.Sort(ys)
	mean, sd := stat.MeanStdDev(ys, nil)
	return Distribution{Mean: mean, U: sd, sorted: ys}, nil
}

// mixing returns the matrix that turns independent unit normals into ones of
// the model's correlations, or nil where there are none. By eigenvectors, not
// Cholesky: a correlation of exactly 1 is singular and common here.
func (m Model) mixing() (*mat.Dense, error) {
	if len(m.Correlations) == 0 {
		return nil, nil
	}
	var e mat.EigenSym
	if !e.Factorize(m.correlation(), true) {
		return nil, fmt.Errorf("%w: correlation matrix without eigenvalues", ErrModel)
	}
	values := e.Values(nil)
	var mix mat.Dense
	e.VectorsTo(&mix)
	for j, v := range values {
		if v < -psdTolerance*float64(len(values)) {
			return nil, fmt.Errorf("%w: correlations that no quantities can have (eigenvalue %.3g)", ErrModel, v)
		}
		for i := range values {
			mix.Set(i, j, mix.At(i, j)*math.Sqrt(max(v, 0)))
		}
	}
	return &mix, nil
}

// stream is the second half of the generator's seed: any constant.
const stream = 0x9e3779b97f4a7c15

// Symmetric returns the probabilistically symmetric coverage interval for
// probability p, 0 to 1: as much lies below as above (JCGM 101 7.7.2).
func (d Distribution) Symmetric(p float64) (lo, hi float64) {
	q := d.span(p)
	r := (len(d.sorted) - q) / 2
	return d.sorted[r], d.sorted[r+q]
}

// span is the number of steps between the ends of an interval.
func (d Distribution) span(p float64) int {
	if !(p > 0 && p < 1) {
		panic("uncert: coverage probability outside 0 to 1")
	}
	return min(int(p*float64(len(d.sorted))+0.5), len(d.sorted)-1)
}
