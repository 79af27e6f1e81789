// Package uncert combines the uncertainties of inputs into that of a result,
// by the law of propagation of uncertainty (JCGM 100:2008, the GUM) and, as a
// check on it, by propagation of distributions (JCGM 101:2008, Monte Carlo).
//
// A [Model] is a function of named inputs, some of them correlated. Its
// [Budget] says how much of the variance each input answers for. An offset
// that two sensors share is either an input of its own or a correlation of 1
// between two inputs; both cancel in a difference.
//
// The package knows no physics. The law of propagation takes the model as linear
// over a standard uncertainty; [Model.MonteCarlo] does not. Everything is deterministic:
// random numbers come from a seed that the caller gives.
package uncert

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// ErrModel is returned, wrapped, for a model that cannot be evaluated: values
// that are not finite, negative uncertainties, correlations that no set of
// quantities can have.
var ErrModel = errors.New("uncert: bad model")

const (
	psdTolerance = 1e-9 // rounding of a variance whose terms cancel
	relativeStep = 1e-6 // for the sensitivity to an input without uncertainty
)

// An Input is one input quantity of a model: its estimate and standard
// uncertainty, both in the input's own unit. What is known of it is a normal
// distribution.
type Input struct {
	Name  string
	Value float64
	U     float64 // standard uncertainty (k = 1), 0 or more
}

// A Correlation is the correlation coefficient of two inputs, by their places
// in [Model.Inputs]. Pairs that are not listed are uncorrelated.
type Correlation struct {
	I, J int
	R    float64 // -1 to 1
}

// A Model is a measurement model y = F(x).
type Model struct {
	F            func(x []float64) float64
	Gradient     func(x []float64) []float64 // sensitivities ∂F/∂x; nil: by differences
	Inputs       []Input
	Correlations []Correlation
}

// A Row is one input's line of a budget.
type Row struct {
	Name         string
	Value        float64
	U            float64 // standard uncertainty of the input
	Sensitivity  float64 // ∂y/∂x
	Contribution float64 // Sensitivity·U, signed, in the result's unit
	Share        float64 // of the result's variance; shares add to 1, and one can be negative
}

// A Budget is a result with its standard uncertainty and where that comes from.
type Budget struct {
	Value float64
	U     float64 // combined standard uncertainty, k = 1
	Rows  []Row   // in the order of the inputs
}

// U95 returns the expanded uncertainty with coverage factor 2, which is about
// 95 % where the degrees of freedom are many.
func (b Budget) U95() float64 { return 2 * b.U }

// Propagate applies the law of propagation of uncertainty with correlations
// (JCGM 100:2008 equation (16)). Without a Gradient the sensitivity to an
// input is the central difference over plus and minus its standard uncertainty
// (5.1.3, note 2). A row's share is Contribution·Σ r·Contribution over all
// inputs, divided by the variance: the input's own part and half of each term
// it has in common with another.
//
// The error wraps [ErrModel].
func (m Model) Propagate() (Budget, error) {
	x, err := m.estimates()
	if err != nil {
		return Budget{}, err
	}
	b := Budget{Value: m.F(x), Rows: make([]Row, len(m.Inputs))}
	var gradient []float64
	if m.Gradient != nil {
		if gradient = m.Gradient(x); len(gradient) != len(x) {
			return Budget{}, fmt.Errorf("%w: gradient of length %d for %d inputs", ErrModel, len(gradient), len(x))
		}
	}
	for i, in := range m.Inputs {
		r := Row{Name: in.Name, Value: in.Value, U: in.U}
		if gradient != nil {
			r.Sensitivity = gradient[i]
		} else {
			r.Sensitivity = m.difference(x, i)
		}
		r.Contribution = r.Sensitivity * in.U
		b.Rows[i] = r
	}
	variance := Covariance(b, b, m.Correlations)
	switch {
	case !finite(b.Value) || !finite(variance):
		return Budget{}, fmt.Errorf("%w: result %g with variance %g", ErrModel, b.Value, variance)
	case variance < 0:
		// What is left of terms that cancel is rounding.
		var size float64
		for _, r := range b.Rows {
			size += r.Contribution * r.Contribution
		}
		if variance < -psdTolerance*size {
			return Budget{}, fmt.Errorf("%w: correlations that give a negative variance", ErrModel)
		}
		variance = 0
	}
	b.U = math.Sqrt(variance)
	if variance > 0 {
		b.share(m.Correlations, variance)
	}
	return b, nil
}

// share fills in the shares of the variance.
func (b *Budget) share(cs []Correlation, variance float64) {
	for i := range b.Rows {
		b.Rows[i].Share = b.Rows[i].Contribution * b.Rows[i].Contribution / variance
	}
	for _, c := range cs {
		common := c.R * b.Rows[c.I].Contribution * b.Rows[c.J].Contribution / variance
		b.Rows[c.I].Share += common
		b.Rows[c.J].Share += common
	}
}

// Covariance returns the covariance of two results of the same inputs, whose
// budgets list them in the same order: JCGM 100 H.2, equation (H.9). It panics
// where the budgets differ in length.
func Covariance(a, b Budget, cs []Correlation) float64 {
	if len(a.Rows) != len(b.Rows) {
		panic("uncert: covariance of budgets with different inputs")
	}
	var sum float64
	for i := range a.Rows {
		sum += a.Rows[i].Contribution * b.Rows[i].Contribution
	}
	for _, c := range cs {
		sum += c.R * (a.Rows[c.I].Contribution*b.Rows[c.J].Contribution +
			a.Rows[c.J].Contribution*b.Rows[c.I].Contribution)
	}
	return sum
}

// difference is the central difference of F in input i.
func (m Model) difference(x []float64, i int) float64 {
	h := stepOf(&m.Inputs[i], x[i])
	x0 := x[i]
	x[i] = x0 + h
	up := m.F(x)
	x[i] = x0 - h
	down := m.F(x)
	x[i] = x0
	return (up - down) / (2 * h)
}

// Together returns models of the same inputs whose results one function works out at
// once, n of them, into y. Their gradients are those at the inputs' estimates, by the
// differences that [Model.Propagate] would take, from one evaluation of the function in
// place of n.
func Together(inputs []Input, n int, f func(x, y []float64)) []Model {
	var columns [][]float64 // by result; nil until the first gradient is asked for
	gradients := func(x []float64) {
		all := make([]float64, (len(x)+2)*n)
		up, down := all[:n], all[n:2*n]
		for all = all[2*n:]; len(columns) < n; all = all[len(x):] {
			columns = append(columns, all[:len(x):len(x)])
		}
		for i, x0 := range x {
			h := stepOf(&inputs[i], x0)
			x[i] = x0 + h
			f(x, up)
			x[i] = x0 - h
			f(x, down)
			x[i] = x0
			for k := range columns {
				columns[k][i] = (up[k] - down[k]) / (2 * h)
			}
		}
	}
	models := make([]Model, n)
	y := make([]float64, n)
	for k := range models {
		models[k] = Model{
			Inputs: inputs,
			F: func(x []float64) float64 {
				f(x, y)
				return y[k]
			},
			Gradient: func(x []float64) []float64 {
				if columns == nil {
					gradients(x)
				}
				return columns[k]
			},
		}
	}
	return models
}

// stepOf is the step over which the difference to an input at x is taken.
func stepOf(in *Input, x float64) float64 {
	if in.U == 0 {
		return relativeStep * max(math.Abs(x), 1)
	}
	return in.U
}

// estimates checks the model and returns the inputs' values.
func (m Model) estimates() ([]float64, error) {
	if m.F == nil {
		panic("uncert: model without a function")
	}
	x := make([]float64, len(m.Inputs))
	for i, in := range m.Inputs {
		if !finite(in.Value) || !finite(in.U) || in.U < 0 {
			return nil, fmt.Errorf("%w: input %q: %g with u %g", ErrModel, in.Name, in.Value, in.U)
		}
		x[i] = in.Value
	}
	for _, c := range m.Correlations {
		if c.I < 0 || c.J < 0 || c.I >= len(x) || c.J >= len(x) || c.I == c.J || !(math.Abs(c.R) <= 1) {
			return nil, fmt.Errorf("%w: correlation %g between inputs %d and %d", ErrModel, c.R, c.I, c.J)
		}
	}
	return x, nil
}

// correlation returns the inputs' correlation matrix.
func (m Model) correlation() *mat.SymDense {
	n := len(m.Inputs)
	r := mat.NewSymDense(n, nil)
	for i := range n {
		r.SetSym(i, i, 1)
	}
	for _, c := range m.Correlations {
		r.SetSym(c.I, c.J, c.R)
	}
	return r
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
