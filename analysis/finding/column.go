package finding

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// A column is a shift of the data of unit size, prepared.
type column struct {
	x  []float64
	xx float64 // xᵀ x with the nuisances out
	xd float64 // and xᵀ data
}

func (e *evidence) column(x []float64) column {
	e.scratch = e.along(x, e.scratch[:0])
	return column{x: x, xx: dot(x, x) - dot(e.scratch, e.scratch), xd: dot(x, e.data) - dot(e.scratch, e.alongD)}
}

// parts writes how far a course is at each group.
func (e *evidence) parts(to []float64, p profile) {
	for j := range e.groups {
		to[j] = p.at(e.groups[j].t)
	}
}

// product is xᵀ y of two columns with the nuisances out.
func (e *evidence) product(a, b *column) float64 {
	return dot(a.x, b.x) - dot(e.along(a.x, nil), e.along(b.x, nil))
}

// gain is the log of the likelihood of a change along c over that of none, with
// its size normal about mean with standard deviation sd; sign -1 or +1 takes only
// that half of a distribution about 0.
func (c *column) gain(mean, sd float64, sign int) (lnL, size, u float64) {
	precision := c.xx + 1/(sd*sd)
	u = 1 / math.Sqrt(precision)
	size = (c.xd + mean/(sd*sd)) / precision
	lnL = 0.5*(size*size*precision-mean*mean/(sd*sd)) - 0.5*math.Log(1+sd*sd*c.xx)
	if sign != 0 {
		lnL += lnNormalTail(float64(sign)*size/u) + math.Ln2
	}
	return lnL, size, u
}

// lnNormalTail is ln Φ(z).
func lnNormalTail(z float64) float64 {
	if z < -8 {
		return -z*z/2 - math.Log(-z*math.Sqrt(2*math.Pi))
	}
	return math.Log(0.5 * math.Erfc(-z/math.Sqrt2))
}

// coefficients returns the estimates of the nuisances, in their own units.
func (e *evidence) coefficients() []float64 {
	var x mat.VecDense
	if err := e.inner.SolveVecTo(&x, mat.NewVecDense(len(e.prodD), e.prodD)); err != nil {
		if _, ok := err.(mat.Condition); !ok {
			return make([]float64, len(e.prodD))
		}
	}
	out := make([]float64, len(e.nuis))
	for i := range out {
		out[i] = x.AtVec(i)
		if i < len(e.sd) {
			out[i] *= e.sd[i]
		}
	}
	return out
}
