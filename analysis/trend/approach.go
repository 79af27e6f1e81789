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

	fall []float64 // exp(-p1·t) - 1 at the rate asked last
}

// Bounds of rate times span, outside of which the curve is a straight line or
// a jump to the precision of any field data.
const (
	minCurvature = 1e-2
	maxCurvature = 1e3
)

func (c *curve) span() float64 { return c.t[len(c.t)-1] }

// bestRate returns the rate of a grid of 60 that fits best.
func (c *curve) bestRate() float64 {
	const steps = 60
	best, rate := math.Inf(1), 0.0
	l := newLinear(c.linear, c.y, c.w, c.penalty)
	for i := range steps {
		x := minCurvature * math.Pow(maxCurvature/minCurvature, float64(i)/(steps-1)) / c.span()
		if rss := c.rssAsLeft(c.atRateWith(x, l)); rss < best {
			best, rate = rss, x
		}
	}
	return rate
}

// atRate returns the best parameters for a given rate: a linear problem.
func (c *curve) atRate(rate float64) []float64 {
	return c.atRateWith(rate, newLinear(c.linear, c.y, c.w, c.penalty))
}

func (c *curve) atRateWith(rate float64, l *linear) []float64 {
	c.fallAt(rate)
	rise := make([]float64, len(c.t))
	for i, v := range c.fall {
		rise[i] = -v
	}
	b, _ := l.with(rise)
	if b == nil {
		b = make([]float64, 1+len(c.linear))
	}
	return append([]float64{b[0], rate}, b[1:]...)
}

// fallAt sets fall for a rate.
func (c *curve) fallAt(rate float64) {
	if c.fall == nil {
		c.fall = make([]float64, len(c.t))
	}
	was := math.NaN()
	for i, t := range c.t {
		if t == was { // all that lies before the curve begins
			c.fall[i] = c.fall[i-1]
			continue
		}
		was = t
		c.fall[i] = math.Expm1(-rate * t)
	}
}

func (c *curve) rss(p []float64) float64 {
	c.fallAt(p[1])
	return c.rssAsLeft(p)
}

// rssAsLeft is rss where fall is that of p.
func (c *curve) rssAsLeft(p []float64) float64 {
	sum := c.penalty.of(p[min(len(p), 2+c.penalty.from):])
	for i, y := range c.y {
		r := y - c.at(p, i)
		sum += c.w[i] * r * r
	}
	return sum
}

// at is the value at point i where fall is that of p.
func (c *curve) at(p []float64, i int) float64 {
	y := -p[0] * c.fall[i]
	for k, col := range c.linear {
		y += p[2+k] * col[i]
	}
	return y
}

// row writes the derivatives at point i by the parameters, where fall is that of p.
func (c *curve) row(dst, p []float64, i int) {
	dst[0] = -c.fall[i]
	dst[1] = p[0] * c.t[i] * (1 + c.fall[i])
	for k, col := range c.linear {
		dst[2+k] = col[i]
	}
}

// normal returns the normal equations of a step from p, whose fall is set: JᵀWJ and
// JᵀW times what is left.
func (c *curve) normal(p []float64) (*mat.SymDense, *mat.VecDense) {
	k := len(p)
	sum, g, row := make([]float64, k*k), make([]float64, k), make([]float64, k)
	for i, w := range c.w {
		c.row(row, p, i)
		r := c.y[i] - c.at(p, i)
		for a, x := range row {
			x *= w
			g[a] += x * r
			to := sum[a*k : a*k+k]
			for b := a; b < k; b++ {
				to[b] += x * row[b]
			}
		}
	}
	return mat.NewSymDense(k, sum), mat.NewVecDense(k, g)
}

// A solution is a minimum with (JᵀWJ)⁻¹ there.
type solution struct {
	p   []float64
	rss float64
	cov *mat.SymDense
}

// solve is Levenberg-Marquardt from p, with the damping scaled by the
// diagonal as Marquardt has it.
func (c *curve) solve(p []float64) (solution, error) {
	const maxDamping = 1e12
	rss, damping := c.rss(p), 1e-3
	for range c.steps {
		normal, g := c.normal(p)
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

// linear is a weighted linear problem that one column is added to, now and another
// time: the products of the others stay.
type linear struct {
	cols    [][]float64
	y, w    []float64
	penalty penalty
	among   []float64 // products of the columns, row by row from the diagonal on
	withY   []float64
}

func newLinear(cols [][]float64, y, w []float64, p penalty) *linear {
	l := &linear{cols: cols, y: y, w: w, penalty: p.after(1)}
	for a := range cols {
		for b := a; b < len(cols); b++ {
			l.among = append(l.among, weightedDot(cols[a], cols[b], w))
		}
		l.withY = append(l.withY, weightedDot(cols[a], y, w))
	}
	return l
}

// with is [leastSquares] with the column in front of the others.
func (l *linear) with(column []float64) ([]float64, *mat.SymDense) {
	k := 1 + len(l.cols)
	normal, g := mat.NewSymDense(k, nil), mat.NewVecDense(k, nil)
	normal.SetSym(0, 0, weightedDot(column, column, l.w))
	g.SetVec(0, weightedDot(column, l.y, l.w))
	at := 0
	for a, col := range l.cols {
		normal.SetSym(0, 1+a, weightedDot(column, col, l.w))
		for b := a; b < len(l.cols); b++ {
			normal.SetSym(1+a, 1+b, l.among[at])
			at++
		}
		g.SetVec(1+a, l.withY[a])
	}
	l.penalty.addTo(normal, g)
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
