package trend

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// A series is what the kinds are fitted to. Time runs from 0 at the first point
// to 1 at the last; covariates are about their means, in units of their
// standard deviations.
type series struct {
	t0, span    float64
	t, y, u     []float64
	covariates  [][]float64
	mean, scale []float64 // mean and standard deviation of each covariate
	prior       prior     // of their coefficients
	minSegment  int
	middle      []float64             // see [middles]
	faded       map[float64][]float64 // see [series.fading]

	noise   noise
	sigma   []float64
	initial []float64 // weights to start from
	growth  float64   // of the variance, by serial correlation
}

// A shape is a fitted kind.
type shape struct {
	kind   Kind
	change int       // of Step, StepAndLine: index of the first point after; of Bend, LateApproach: of the point where it begins
	theta  float64   // time of place; 0 for kinds without
	rate   float64   // of Approach and LateApproach
	coef   []float64 // of the columns of gradient, then of the covariates
	w      []float64 // weights at the end: Huber's over the variance

	loss      float64
	criterion float64
	cov       *mat.SymDense
}

func newSeries(ps []Point, o Options) (*series, error) {
	n := len(ps)
	s := &series{
		t0: ps[0].T, span: ps[n-1].T - ps[0].T, minSegment: o.MinSegment,
		t: make([]float64, n), y: values(ps), u: make([]float64, n), sigma: make([]float64, n), initial: make([]float64, n),
	}
	for i, p := range ps {
		s.t[i], s.u[i] = (p.T-s.t0)/s.span, p.U
	}
	s.middle = middles(s.y)
	for k, c := range o.Covariates {
		if err := s.addCovariate(k, c); err != nil {
			return nil, err
		}
	}
	return s, nil
}

// setNoise sets the standard deviations, and the weights to start from: those
// of Huber about the median of neighbours, so that a wild point does not
// attract a step.
func (s *series) setNoise(n noise) {
	s.noise = n
	for i, u := range s.u {
		s.sigma[i] = n.of(u)
	}
	for i, y := range s.y {
		s.initial[i] = huberWeight((y-s.middle[i])/s.sigma[i]) / (s.sigma[i] * s.sigma[i])
	}
}

// closeTo reports whether the two give nearly the same standard deviations.
func (n noise) closeTo(o noise) bool {
	const part = 0.02
	return math.Abs(n.factor-o.factor) <= part*o.factor && math.Abs(n.extra-o.extra) <= part*max(o.extra, n.extra)
}

// mostParameters is the largest number of a kind's parameters.
const mostParameters = 4

// parameters is the number of a kind's parameters, covariates apart; that of a
// step's place is not among them.
func (k Kind) parameters() int { return [...]int{1, 2, 2, 3, 3, 3, 4}[k] }

func (k Kind) hasChange() bool { return k == Step || k == StepAndLine || k.beginsAtPoint() }

// beginsAtPoint reports whether the change begins at a point, rather than lying
// between two.
func (k Kind) beginsAtPoint() bool { return k == Bend || k == LateApproach }

func (k Kind) hasRate() bool { return k == Approach || k == LateApproach }

// gradient writes the derivatives of the kind's value at t by its parameters.
// Those that the value is not linear in come last: the rate of Approach and
// LateApproach, then the place of Bend and LateApproach.
func (f shape) gradient(dst []float64, t float64) []float64 {
	after := 0.0
	if t >= f.theta {
		after = 1
	}
	switch f.kind {
	case Constant:
		return append(dst, 1)
	case Line:
		return append(dst, 1, t)
	case Step:
		return append(dst, 1, after)
	case StepAndLine:
		return append(dst, 1, t, after)
	case Bend:
		return append(dst, 1, (t-f.theta)*after, -f.coef[1]*after)
	}
	x := t
	if f.kind == LateApproach {
		x = max(0, t-f.theta)
	}
	fall := f.coef[1] * math.Exp(-f.rate*x)
	dst = append(dst, 1, -math.Expm1(-f.rate*x), x*fall)
	if f.kind == LateApproach {
		dst = append(dst, -f.rate*fall*after)
	}
	return dst
}

// value is the kind's value at t for the covariates' means.
func (f shape) value(t float64) float64 {
	var row [mostParameters]float64
	g := f.gradient(row[:0], t)
	y := f.coef[0] * g[0]
	for i := 1; i < f.linear(); i++ {
		y += f.coef[i] * g[i]
	}
	return y
}

// linear is the number of parameters that the value is linear in.
func (f shape) linear() int {
	if f.kind == Bend || f.kind.hasRate() {
		return 2
	}
	return f.kind.parameters()
}

// rest returns the points less the shape and what it makes of the covariates.
func (s *series) rest(f shape) []float64 {
	rest := make([]float64, len(s.y))
	for i, y := range s.y {
		rest[i] = y - f.value(s.t[i])
		for k, col := range s.covariates {
			rest[i] -= f.coef[f.kind.parameters()+k] * col[i]
		}
	}
	return rest
}

func (s *series) standardised(rest []float64, n noise) []float64 {
	z := make([]float64, len(rest))
	for i, r := range rest {
		z[i] = r / n.of(s.u[i])
	}
	return z
}

// criterion is that of [Fit]. A series of few effective points is judged no more
// leniently than one of fifty: its scatter and correlation are poorly known,
// and at a strong correlation (0.9 over 200 points) this halves the trends that
// are seen where there is none. From 60 independent points on it costs nothing.
func (s *series) criterion(f shape, strictness float64) float64 {
	n := float64(len(s.y))
	effective := n / s.growth
	const fewest = 50
	// Below a millionth of a standard deviation the loss is rounding.
	misfit := effective * math.Log(max(f.loss/n, 1e-12))
	return misfit + strictness*f.kind.cost()*math.Log(max(effective, fewest)) + s.marginal(f)
}

// fit fits the kind with Huber's loss; ok is false where the points do not
// determine it.
func (s *series) fit(k Kind) (f shape, ok bool) {
	return s.settle(shape{kind: k, change: -1, w: s.initial}, true)
}

// settle repeats least squares with Huber's weights until those stand. With
// search it looks for the place of a change in every round, otherwise that
// stays.
func (s *series) settle(f shape, search bool) (shape, bool) {
	const rounds, still = 50, 1e-3
	for range rounds {
		before, ok := f, false
		if f, ok = s.refit(f, search); !ok {
			return f, false
		}
		f.loss = s.penalty(0).of(f.coef[f.kind.parameters():])
		f.w = make([]float64, len(s.y))
		moved := 0.0
		for i, r := range s.rest(f) {
			z, variance := r/s.sigma[i], s.sigma[i]*s.sigma[i]
			f.loss += huberLoss(z)
			f.w[i] = huberWeight(z) / variance
			moved = max(moved, math.Abs(f.w[i]-before.w[i])*variance)
		}
		if moved < still || before.coef != nil && f.change == before.change && math.Abs(f.loss-before.loss) < 1e-6*f.loss {
			break
		}
	}
	return f, true
}

// refit fits the shape by least squares with its weights.
func (s *series) refit(f shape, search bool) (shape, bool) {
	base := s.base(f.kind)
	if f.kind.hasChange() {
		if search {
			f.change, f.rate = s.bestChange(f.kind, base, f.w)
		}
		if f.change < 0 {
			return f, false
		}
		f.theta = s.t[f.change]
	}
	if f.kind.hasRate() {
		return s.refitApproach(f, base)
	}
	own := make([][]float64, f.linear())
	f.coef = make([]float64, mostParameters) // the gradient of Bend asks for one
	var row [mostParameters]float64
	for _, t := range s.t {
		g := f.gradient(row[:0], t)
		for j := range own {
			own[j] = append(own[j], g[j])
		}
	}
	b, _ := leastSquares(append(own, s.covariates...), s.y, f.w, s.penalty(len(own)))
	if b == nil {
		return f, false
	}
	f.coef = append([]float64(nil), b[:len(own)]...)
	if f.kind == Bend {
		f.coef = append(f.coef, f.theta)
	}
	f.coef = append(f.coef, b[len(own):]...)
	return f, true
}

// base returns the columns that a kind has whatever its place or rate: a one,
// the covariates, and time where there is a line.
func (s *series) base(k Kind) [][]float64 {
	one := make([]float64, len(s.t))
	for i := range one {
		one[i] = 1
	}
	base := append([][]float64{one}, s.covariates...)
	if k == StepAndLine {
		base = append(base, s.t)
	}
	return base
}

func (s *series) refitApproach(f shape, base [][]float64) (shape, bool) {
	c := curve{t: s.t, y: s.y, w: f.w, linear: base, penalty: s.penalty(1), steps: 50, still: 1e-6}
	if f.kind == LateApproach { // nothing until it begins
		c.t = make([]float64, len(s.t))
		for i, t := range s.t {
			c.t[i] = max(0, t-f.theta)
		}
	}
	rate := f.rate
	if rate == 0 {
		rate = c.bestRate()
	}
	fit, err := c.solve(c.atRate(rate))
	if err != nil {
		return f, false
	}
	f.rate = fit.p[1]
	if on := s.onTheWay(f); on < s.minSegment { // a few odd points at the start are no curve
		return f, false
	}
	f.coef = []float64{fit.p[2], fit.p[0], fit.p[1]}
	if f.kind == LateApproach {
		f.coef = append(f.coef, f.theta)
	}
	f.coef = append(f.coef, fit.p[3:]...)
	return f, true
}

// onTheWay returns how many points lie within the first two time constants of a
// curve towards a limit.
func (s *series) onTheWay(f shape) int {
	n := 0
	for _, t := range s.t {
		if x := f.rate * (t - f.theta); x >= 0 && x < 2 {
			n++
		}
	}
	return n
}

// information returns that of the shape's parameters, priors included.
func (s *series) information(f shape) *mat.SymDense {
	k := len(f.coef)
	sum, row := make([]float64, k*k), make([]float64, 0, k)
	for i, t := range s.t {
		row = f.gradient(row[:0], t)
		for _, col := range s.covariates {
			row = append(row, col[i])
		}
		for a, x := range row {
			for b := a; b < k; b++ {
				sum[a*k+b] += f.w[i] * x * row[b]
			}
		}
	}
	for i := range sum {
		sum[i] /= s.growth
	}
	for i, p := range s.prior.precision {
		at := f.kind.parameters() + i
		sum[at*k+at] += p
	}
	return mat.NewSymDense(k, sum)
}

// covariance returns that of the shape's parameters.
func (s *series) covariance(f shape) *mat.SymDense {
	k := len(f.coef)
	_, inverse := solveNormal(s.information(f), mat.NewVecDense(k, nil))
	if inverse == nil { // a parameter without effect, such as the point at which a bend of no slope begins
		inverse = mat.NewSymDense(k, nil)
		for i := range k {
			inverse.SetSym(i, i, math.Inf(1))
		}
	}
	return inverse
}
