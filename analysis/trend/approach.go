package trend

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// seenEnough is the share of the way at which a limit counts as seen; below it
// the limit is the curve's word and not the data's. This project's choice.
const seenEnough = 0.8

// A curve is the least-squares problem y = p0·(1 - exp(-p1·t)) + Σ p·linear
// with weights w; t is 0 or more. Without linear columns it is the fouling curve
// of D. Q. Kern and R. E. Seaton, Br. Chem. Eng. 4 (1959) 258 (from memory). It
// is solved with the algorithm of Levenberg and Marquardt (D. W. Marquardt,
// J. SIAM 11 (1963) 431).
type curve struct {
	t, y, w []float64
	linear  [][]float64 // columns
	penalty penalty     // of their coefficients
	steps   int         // of the algorithm at most
	still   float64     // relative step of every parameter at which it ends
}

// Bounds of rate times span, outside of which the curve is a straight line or
// a jump to the precision of any field data.
const (
	minCurvature = 1e-2
	maxCurvature = 1e3
)

func (c curve) span() float64 { return c.t[len(c.t)-1] }

// bestRate returns the rate of a grid of 60 that fits best.
func (c curve) bestRate() float64 {
	const steps = 60
	best, rate := math.Inf(1), 0.0
	for i := range steps {
		x := minCurvature * math.Pow(maxCurvature/minCurvature, float64(i)/(steps-1)) / c.span()
		if rss := c.rss(c.atRate(x)); rss < best {
			best, rate = rss, x
		}
	}
	return rate
}

// atRate returns the best parameters for a given rate: a linear problem.
func (c curve) atRate(rate float64) []float64 {
	rise := make([]float64, len(c.t))
	for i, t := range c.t {
		rise[i] = -math.Expm1(-rate * t)
	}
	b, _ := leastSquares(append([][]float64{rise}, c.linear...), c.y, c.w, c.penalty.after(1))
	if b == nil {
		b = make([]float64, 1+len(c.linear))
	}
	return append([]float64{b[0], rate}, b[1:]...)
}

func (c curve) at(p []float64, i int) float64 {
	y := -p[0] * math.Expm1(-p[1]*c.t[i])
	for k, col := range c.linear {
		y += p[2+k] * col[i]
	}
	return y
}

func (c curve) rss(p []float64) float64 {
	sum := c.penalty.of(p[min(len(p), 2+c.penalty.from):])
	for i := range c.t {
		r := c.y[i] - c.at(p, i)
		sum += c.w[i] * r * r
	}
	return sum
}

// row writes the derivatives of the curve by its parameters.
func (c curve) row(dst, p []float64, i int) {
	e := math.Exp(-p[1] * c.t[i])
	dst[0] = -math.Expm1(-p[1] * c.t[i])
	dst[1] = p[0] * c.t[i] * e
	for k, col := range c.linear {
		dst[2+k] = col[i]
	}
}

// A solution is a minimum with (JᵀWJ)⁻¹ there.
type solution struct {
	p   []float64
	rss float64
	cov *mat.SymDense
}

// solve is Levenberg-Marquardt from p, with the damping scaled by the
// diagonal as Marquardt has it.
func (c curve) solve(p []float64) (solution, error) {
	const maxDamping = 1e12
	k := len(p)
	row := make([]float64, k)
	rss, damping := c.rss(p), 1e-3
	for range c.steps {
		normal, g := mat.NewSymDense(k, nil), mat.NewVecDense(k, nil)
		for i := range c.t {
			c.row(row, p, i)
			r := c.y[i] - c.at(p, i)
			v := mat.NewVecDense(k, row)
			normal.SymRankOne(normal, c.w[i], v)
			g.AddScaledVec(g, c.w[i]*r, v)
		}
		q := c.penalty.after(2)
		q.addTo(normal, g)
		for i, w := range q.weight {
			g.SetVec(q.from+i, g.AtVec(q.from+i)-w*p[q.from+i])
		}
		moved := false
		for ; damping < maxDamping; damping *= 10 {
			next, size := marquardtStep(p, normal, g, damping)
			if next == nil || !(next[1] > 0) {
				continue
			}
			if r := c.rss(next); r <= rss {
				p, rss, moved = next, r, size > c.still
				damping = max(damping/10, 1e-12)
				break
			}
		}
		switch x := p[1] * c.span(); {
		case x < minCurvature:
			return solution{}, noFit("no curvature towards a limit")
		case x > maxCurvature:
			return solution{}, noFit("all of the change lies between two points")
		case moved:
			continue
		}
		_, cov := solveNormal(normal, g)
		if cov == nil {
			return solution{}, noFit("change and rate cannot be told apart")
		}
		return solution{p: p, rss: rss, cov: cov}, nil
	}
	return solution{}, noFit("no minimum in %d steps", c.steps)
}

// marquardtStep returns p moved by one damped step and the step's relative
// size, or nil where the damped matrix is singular.
func marquardtStep(p []float64, normal *mat.SymDense, g *mat.VecDense, damping float64) ([]float64, float64) {
	damped := mat.NewSymDense(len(p), nil)
	damped.CopySym(normal)
	for i := range p {
		damped.SetSym(i, i, normal.At(i, i)*(1+damping))
	}
	step, _ := solveNormal(damped, g)
	if step == nil {
		return nil, 0
	}
	next, size := make([]float64, len(p)), 0.0
	for i, d := range step {
		next[i] = p[i] + d
		size = max(size, math.Abs(d)/(math.Abs(p[i])+math.SmallestNonzeroFloat64))
	}
	return next, size
}

// leastSquares solves the weighted linear problem with the given columns and
// the penalty of their coefficients, and returns the coefficients and the inverse of the normal matrix, nil where the columns depend on each
// other.
func leastSquares(cols [][]float64, y, w []float64, p penalty) ([]float64, *mat.SymDense) {
	k := len(cols)
	normal, g := mat.NewSymDense(k, nil), mat.NewVecDense(k, nil)
	for a := range cols {
		for b := a; b < k; b++ {
			normal.SetSym(a, b, weightedDot(cols[a], cols[b], w))
		}
		g.SetVec(a, weightedDot(cols[a], y, w))
	}
	p.addTo(normal, g)
	return solveNormal(normal, g)
}

// solveNormal returns the solution of normal·x = g and the inverse of normal,
// or nil where it is singular. It works on the matrix scaled to a unit
// diagonal, since parameters in their own units differ by many orders.
func solveNormal(normal *mat.SymDense, g *mat.VecDense) ([]float64, *mat.SymDense) {
	const worst = 1e14 // condition beyond which no digit is left
	k := g.Len()
	scale := make([]float64, k)
	scaled := mat.NewSymDense(k, nil)
	for i := range scale {
		if scale[i] = math.Sqrt(normal.At(i, i)); !(scale[i] > 0) {
			return nil, nil
		}
	}
	for i := range k {
		for j := i; j < k; j++ {
			scaled.SetSym(i, j, normal.At(i, j)/(scale[i]*scale[j]))
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(scaled) || chol.Cond() > worst {
		return nil, nil
	}
	inverse := mat.NewSymDense(k, nil)
	if err := chol.InverseTo(inverse); err != nil {
		return nil, nil
	}
	x := make([]float64, k)
	for i := range k {
		for j := range k {
			x[i] += inverse.At(i, j) * g.AtVec(j) / scale[j]
		}
		x[i] /= scale[i]
	}
	for i := range k {
		for j := i; j < k; j++ {
			inverse.SetSym(i, j, inverse.At(i, j)/(scale[i]*scale[j]))
		}
	}
	return x, inverse
}

func weightedDot(a, b, w []float64) (sum float64) {
	for i := range a {
		sum += w[i] * a[i] * b[i]
	}
	return sum
}
