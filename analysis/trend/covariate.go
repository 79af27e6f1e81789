package trend

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// A Covariate is what Y follows beside time, in proportion, such as flow or
// mains temperature.
//
// Coefficient is what is known before the record of the change of Y for a change
// of 1 in the covariate. The record and this prior are combined as a normal
// prior and its data are. What both together leave open of the coefficient goes
// into every uncertainty of the [Model], so that a change in time that the
// covariate could have caused is uncertain by that.
type Covariate struct {
	Values      []float64 // one a point, in any unit
	Coefficient Prior
}

// A Prior is a normal distribution of a coefficient. U is its standard
// uncertainty, finite and 0 or more; with U = 0 nothing is known, and Mean does
// not count.
type Prior struct{ Mean, U float64 }

// A prior is that of the coefficients of a series' covariates, each in units of
// its standard deviation; precision 0: nothing known.
type prior struct{ mean, precision []float64 }

func (s *series) addCovariate(k int, c Covariate) error {
	if len(c.Values) != len(s.y) {
		panic("trend: covariate of another length than the series")
	}
	if !(c.Coefficient.U >= 0) || !finite(c.Coefficient.U) || !finite(c.Coefficient.Mean) {
		panic("trend: prior of a coefficient out of range")
	}
	n := float64(len(c.Values))
	var mean, sd float64
	for _, x := range c.Values {
		mean += x / n
	}
	for _, x := range c.Values {
		sd += (x - mean) * (x - mean) / n
	}
	sd = math.Sqrt(sd)
	if !finite(sd) || sd <= 1e-12*math.Abs(mean) {
		return badSeries("covariate %d has mean %g and standard deviation %g: leave it out", k, mean, sd)
	}
	col := make([]float64, len(c.Values))
	for i, x := range c.Values {
		col[i] = (x - mean) / sd
	}
	s.covariates, s.mean, s.scale = append(s.covariates, col), append(s.mean, mean), append(s.scale, sd)
	precision := 0.0
	if u := c.Coefficient.U * sd; u > 0 {
		precision = 1 / (u * u)
	}
	s.prior.mean, s.prior.precision = append(s.prior.mean, c.Coefficient.Mean*sd), append(s.prior.precision, precision)
	return nil
}

// A penalty is what a prior adds to a sum of weighted squares:
// Σ weight (coefficient - mean)² over the columns from one on.
type penalty struct {
	from         int
	weight, mean []float64
}

// penalty returns that of the covariates' coefficients, the first of which has
// the given index. The sum of squares counts correlated points as independent;
// so that it does not outweigh the prior, the prior grows alike.
func (s *series) penalty(from int) penalty {
	p := penalty{from: from, mean: s.prior.mean, weight: slices.Clone(s.prior.precision)}
	for i := range p.weight {
		p.weight[i] *= s.growth
	}
	return p
}

// after returns the penalty with so many columns more in front.
func (p penalty) after(columns int) penalty {
	p.from += columns
	return p
}

// of returns the penalty of coefficients, the first of which is that of column
// from.
func (p penalty) of(coef []float64) (sum float64) {
	for i, w := range p.weight {
		d := coef[i] - p.mean[i]
		sum += w * d * d
	}
	return sum
}

// addTo adds the penalty to normal equations.
func (p penalty) addTo(normal *mat.SymDense, g *mat.VecDense) {
	for i, w := range p.weight {
		at := p.from + i
		normal.SetSym(at, at, normal.At(at, at)+w)
		g.SetVec(at, g.AtVec(at)+w*p.mean[i])
	}
}

// marginal is what integrating over the coefficients that have a prior adds to
// -2 ln(likelihood): ln det(1 + I/P), with P their prior's information and I the
// record's, less what the kind's own parameters and the coefficients without a
// prior take of it.
func (s *series) marginal(f shape) float64 {
	own := f.kind.parameters()
	var with, without []int
	known := 0.0
	for i := range f.coef {
		if i >= own && s.prior.precision[i-own] > 0 {
			with = append(with, i)
			known += math.Log(s.prior.precision[i-own])
			continue
		}
		without = append(without, i)
	}
	if len(with) == 0 {
		return 0
	}
	h := s.information(f)
	without = slices.DeleteFunc(without, func(i int) bool { return !(h.At(i, i) > 0) })
	return logDet(h, append(without, with...)) - logDet(h, without) - known
}

// logDet returns ln det of the rows and columns of h given, scaled to a unit
// diagonal and kept from being singular by a part in 10¹⁰.
func logDet(h *mat.SymDense, rows []int) float64 {
	k := len(rows)
	if k == 0 {
		return 0
	}
	var sum float64
	scaled := mat.NewSymDense(k, nil)
	for a, i := range rows {
		sum += math.Log(h.At(i, i))
		for b, j := range rows[a:] {
			v := h.At(i, j) / math.Sqrt(h.At(i, i)*h.At(j, j))
			if b == 0 {
				v = 1 + 1e-10
			}
			scaled.SetSym(a, a+b, v)
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(scaled) {
		return math.Inf(-1)
	}
	return sum + chol.LogDet()
}

// An Attribution splits the change that a straight line shows from the first
// point to the last into a part by time and a part by the course of each
// covariate, all in units of Y with standard uncertainties. Apparent is their
// sum: the change of a line fitted without covariates. Where Fit chose no change,
// UTime says how large a change could still be hidden.
//
// Where Apparent is resolved and Time is not, record and priors do not separate
// the two; [Model.NeedAlong] and [Model.Separate] return what would.
type Attribution struct {
	Apparent, UApparent float64
	Time, UTime         float64 // UTime is +Inf where nothing separates the covariates from time
	// One each, in the order of the options; U as their coefficients go.
	Covariates, UCovariates []float64
}

// attribution fits a line with the covariates, or takes that among the shapes.
func (s *series) attribution(shapes []shape) *Attribution {
	if len(s.covariates) == 0 {
		return nil
	}
	at := slices.IndexFunc(shapes, func(f shape) bool { return f.kind == Line })
	var line shape
	if at >= 0 {
		line = shapes[at]
	} else {
		var ok bool
		if line, ok = s.fit(Line); !ok {
			nan := make([]float64, len(s.covariates))
			for i := range nan {
				nan[i] = math.NaN()
			}
			return &Attribution{math.NaN(), math.NaN(), math.NaN(), math.Inf(1), nan, slices.Clone(nan)}
		}
	}
	cov := s.covariance(line)
	a := &Attribution{Time: line.coef[1], UTime: math.Sqrt(cov.At(1, 1)), Apparent: line.coef[1]}
	effect := []float64{0, 1} // on Apparent, of each coefficient
	one := make([]float64, len(s.t))
	for i := range one {
		one[i] = 1
	}
	for k, col := range s.covariates {
		course, _ := leastSquares([][]float64{one, s.t}, col, line.w, penalty{})
		if course == nil {
			course = []float64{0, 0}
		}
		by := line.coef[2+k] * course[1]
		a.Covariates = append(a.Covariates, by)
		a.UCovariates = append(a.UCovariates, math.Abs(course[1])*math.Sqrt(cov.At(2+k, 2+k)))
		a.Apparent += by
		effect = append(effect, course[1])
	}
	line.cov = cov
	a.UApparent = line.spread(effect)
	return a
}
