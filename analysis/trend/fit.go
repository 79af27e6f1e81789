package trend

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
)

// A Kind is a shape that a trend can have.
type Kind uint8

// The kinds, the simplest first.
const (
	Constant     Kind = iota // no change
	Line                     // a slope from first to last
	Step                     // one change of level
	Bend                     // level, then a slope
	Approach                 // the Kern-Seaton curve: fast at first, towards a limit
	StepAndLine              // one change of level on a slope
	LateApproach             // level, then the Kern-Seaton curve
	numKinds
)

// String returns the kind in words.
func (k Kind) String() string {
	names := [...]string{"no change", "line", "step", "bend", "approach to a limit", "step and line", "level, then approach to a limit"}
	if int(k) < len(names) {
		return names[k]
	}
	return fmt.Sprintf("kind(%d)", uint8(k))
}

// cost is what the kind must gain over no change, in units of ln(n). A change
// of level counts three, as in the modified BIC (N. R. Zhang and D. O.
// Siegmund, Biometrics 63 (2007) 22): one for its size and two for the search
// for its place. A slope would count one by G. Schwarz, Ann. Statist. 6 (1978)
// 461; it counts two here, and the others in proportion, so that of a hundred
// units without a trend hardly one is said to have one (TestFitLevel). That is
// this project's choice.
func (k Kind) cost() float64 {
	return [...]float64{0, 2, 3, 3, 3, 5, 4}[k]
}

// Options are the choices of [Fit]; the zero value tries every kind.
type Options struct {
	// Kinds are the kinds to try beside Constant; nil: all.
	Kinds []Kind
	// Covariates stand beside time: see [Covariate]. The model is for their means.
	Covariates []Covariate
	// Strictness multiplies what a kind must gain to be chosen; 0: 1.
	Strictness float64
	// MinSegment is the least number of points on either side of a change; 0: 5.
	MinSegment int
}

// A Candidate is one kind as it was weighed.
type Candidate struct {
	Kind      Kind
	Criterion float64 // smaller is better; differences are on the scale of -2·ln(likelihood)
	Weight    float64 // exp(-difference/2), scaled so that all add to 1: roughly the probability of the kind
}

// A Model is the kind of trend that [Fit] chose, with its parameters. Standard
// uncertainties include the growth by serial correlation and take the kind, and
// for a step the place, as given.
type Model struct {
	Kind       Kind
	Why        string      // the choice in words
	Candidates []Candidate // best first; a kind that could not be fitted is not among them

	N         int
	T0, T1    float64 // times of the first and last point
	Scatter   float64 // standard deviation of a typical point about the model
	Inflation float64 // of the variance, by serial correlation; N/Inflation points would do if independent
	Outliers  int     // points more than four standard deviations off

	Slope, USlope float64 // per day, at the last point

	// Of Step and StepAndLine.
	Step, UStep float64
	// Of Step and StepAndLine the first point after the change, of Bend and
	// LateApproach the point at which it begins, with the 95 % interval from the
	// last time surely before to the first surely after. NaN for the others.
	ChangeT, ChangeLo, ChangeHi float64

	// Of Approach and LateApproach: the level that the curve tends to; its rate
	// per day, of which 1/Rate is the time constant; the share of the way to the
	// limit that the last point has seen; and whether that is less than 0.8, so
	// that the limit is an extrapolation and ULimit, which takes the curve for
	// granted, too small.
	Limit, ULimit float64
	Rate, URate   float64
	Reached       float64
	Extrapolated  bool

	// Effects are the changes of Y for a change of 1 in each covariate, by record
	// and prior together.
	Effects, UEffects []float64
	// Attribution shares the change over the record out between time and the
	// covariates; nil without covariates.
	Attribution *Attribution

	shape  shape
	design design
	noise  noise
}

// Fit chooses what describes eight or more points best: no change, a line, a
// step, a bend, an approach to a limit from the start or after a time without
// change, or a step and a line.
//
// Each kind is fitted with Huber's loss, so that wild points count but do not
// decide. Points are weighed by their uncertainty together with a scatter that
// the residuals of the chosen kind show. Kinds are compared by
//
//	n' ln(D/n) + cost·ln(n')
//
// with D the loss summed, n' the number of points divided by the growth of
// variance that their serial correlation causes, and cost what the kind has to
// pay for its freedom; this is the Bayesian information criterion with a larger
// penalty than Schwarz's and an effective sample size. The departure of the
// covariates' coefficients from their priors is part of D, as further points would
// be, and coefficients with a prior are integrated out: ln det(1 + information /
// prior information) is added, with the information that the kind's own parameters
// leave. So a kind gains nothing by a change that the prior allows the covariate
// to cause. Scatter and correlation are taken from the residuals of the best kind
// and the comparison is repeated until it is stable; the correlation only grows
// on the way, so that in doubt the simpler kind is chosen.
//
// More than one change of level is a matter for [Changes]; a cleaning is a
// matter for the caller, who cuts the series there. Errors: [ErrTooFew],
// [ErrSeries]; [ErrNoFit] for covariates that depend on each other.
func Fit(ps []Point, o Options) (Model, error) {
	if err := check(ps, 8); err != nil {
		return Model{}, err
	}
	if ps[len(ps)-1].T == ps[0].T {
		return Model{}, badSeries("all points are of one time")
	}
	if o.Strictness == 0 {
		o.Strictness = 1
	}
	if o.MinSegment == 0 {
		o.MinSegment = 5
	}
	if o.Strictness < 0 || o.MinSegment < 1 {
		panic("trend: fit options out of range")
	}
	s, err := newSeries(ps, o)
	if err != nil {
		return Model{}, err
	}
	kinds := []Kind{Constant}
	for k := Line; k < numKinds; k++ {
		if o.Kinds == nil || slices.Contains(o.Kinds, k) {
			kinds = append(kinds, k)
		}
	}
	shapes, ok := s.choose(kinds, o.Strictness)
	if !ok {
		return Model{}, noFit("the covariates depend on each other: leave one out")
	}
	return s.model(shapes), nil
}

// choose fits the kinds, Constant first among them, and returns them best first;
// ok is false where even that cannot be fitted. It leaves noise and growth as the
// best has them.
func (s *series) choose(kinds []Kind, strictness float64) (shapes []shape, ok bool) {
	floor := rounding(s.y)
	s.setNoise(neighbourNoise(s.y, s.u, floor))
	growth := 1.0
	const rounds = 8 // growth settles in two or three
	for round := range rounds {
		s.growth = growth
		shapes = make([]shape, 0, len(kinds))
		for _, k := range kinds {
			if f, ok := s.fit(k); ok {
				f.criterion = s.criterion(f, strictness)
				shapes = append(shapes, f)
			}
		}
		if len(shapes) == 0 || shapes[0].kind != Constant {
			return nil, false
		}
		slices.SortStableFunc(shapes, func(a, b shape) int { return cmp.Compare(a.criterion, b.criterion) })
		best := shapes[0]
		rest := s.rest(best)
		now := noiseOf(rest, s.u, len(best.coef), floor)
		g := max(growth, min(inflation(s.standardised(rest, now)), mostGrowth(len(s.y))))
		if g <= growth*1.01 && now.closeTo(s.noise) || round == rounds-1 {
			s.growth = g
			break
		}
		growth = g
		s.setNoise(now)
	}
	return shapes, true
}

// mostGrowth is the largest growth of variance that serial correlation may
// cause: ten effective points are left, or a quarter of few. The residuals of a
// curve of none of the kinds are correlated over half of the record; taken for
// noise, they would hide a fall of a hundred standard deviations.
func mostGrowth(n int) float64 { return max(4, float64(n)/10) }

// model turns the best of the shapes into a Model.
func (s *series) model(shapes []shape) Model {
	best := shapes[0]
	m := Model{
		Kind: best.kind, N: len(s.y), T0: s.t0, T1: s.t0 + s.span, Inflation: s.growth, Scatter: median(s.sigma),
		ChangeT: math.NaN(), ChangeLo: math.NaN(), ChangeHi: math.NaN(),
	}
	if best.kind.hasChange() {
		best = s.changed(&m, best)
	}
	best.cov = s.covariance(best)
	m.shape, m.design, m.noise = best, s.design(best), s.noise
	m.Attribution = s.attribution(shapes)
	var total float64
	for _, f := range shapes {
		total += math.Exp((best.criterion - f.criterion) / 2)
	}
	for _, f := range shapes {
		m.Candidates = append(m.Candidates, Candidate{f.kind, f.criterion, math.Exp((best.criterion-f.criterion)/2) / total})
	}
	for i, r := range s.rest(best) {
		if math.Abs(r) > 4*s.sigma[i] {
			m.Outliers++
		}
	}
	const short = 1e-4 // of the span: the slope at the end
	rise, u := m.Between(m.T1-short*s.span, m.T1)
	m.Slope, m.USlope = rise/(short*s.span), u/(short*s.span)
	own := best.kind.parameters()
	sd := func(i int) float64 { return math.Sqrt(best.cov.At(i, i)) }
	switch best.kind {
	case Step, StepAndLine:
		m.Step, m.UStep = best.coef[own-1], sd(own-1)
		m.Slope, m.USlope = 0, 0
		if best.kind == StepAndLine {
			m.Slope, m.USlope = best.coef[1]/s.span, sd(1)/s.span
		}
	case Approach, LateApproach:
		rate := best.coef[2]
		m.Limit = best.coef[0] + best.coef[1]
		m.ULimit = math.Sqrt(best.cov.At(0, 0) + best.cov.At(1, 1) + 2*best.cov.At(0, 1))
		m.Rate, m.URate = rate/s.span, sd(2)/s.span
		m.Reached = -math.Expm1(-rate * (1 - best.theta))
		m.Extrapolated = m.Reached < seenEnough
	}
	for k := range s.covariates {
		m.Effects = append(m.Effects, best.coef[own+k]/s.scale[k])
		m.UEffects = append(m.UEffects, sd(own+k)/s.scale[k])
	}
	m.Why = m.explain()
	return m
}

// changed finds the place of the change and writes it to the model.
func (s *series) changed(m *Model, f shape) shape {
	limit := likelihoodRatio95
	smooth := f.kind.beginsAtPoint() // its likelihood is smooth in the place
	if smooth {
		limit = z95 * z95
	}
	f, first, last := s.locate(f, limit*m.Inflation)
	time := func(i int) float64 { return s.t0 + s.span*s.t[max(0, min(i, len(s.t)-1))] }
	m.ChangeT, m.ChangeLo, m.ChangeHi = time(f.change), time(first-1), time(last)
	if smooth { // it can lie between points
		m.ChangeHi = time(last + 1)
	}
	return f
}

// explain says what was chosen and against what.
func (m Model) explain() string {
	var b strings.Builder
	switch m.Kind {
	case Constant:
		y, u := m.At(m.T1)
		fmt.Fprintf(&b, "no change: level %.3g ± %.2g", y, 2*u)
	case Line:
		fmt.Fprintf(&b, "a line of %+.2g ± %.1g a day", m.Slope, 2*m.USlope)
	case Step:
		fmt.Fprintf(&b, "a step of %+.2g ± %.1g at day %.1f (%.1f to %.1f)", m.Step, 2*m.UStep, m.ChangeT, m.ChangeLo, m.ChangeHi)
	case Bend:
		fmt.Fprintf(&b, "level, and from day %.1f (%.1f to %.1f) a slope of %+.2g ± %.1g a day", m.ChangeT, m.ChangeLo, m.ChangeHi, m.Slope, 2*m.USlope)
	case Approach, LateApproach:
		if m.Kind == LateApproach {
			fmt.Fprintf(&b, "level, and from day %.1f (%.1f to %.1f) ", m.ChangeT, m.ChangeLo, m.ChangeHi)
		}
		fmt.Fprintf(&b, "an approach to %.3g ± %.1g with a time constant of %.3g days", m.Limit, 2*m.ULimit, 1/m.Rate)
		if m.Extrapolated {
			fmt.Fprintf(&b, ", of which %.0f %% is seen: the limit is an extrapolation", 100*m.Reached)
		}
	case StepAndLine:
		fmt.Fprintf(&b, "a step of %+.2g ± %.1g at day %.1f (%.1f to %.1f) on a line of %+.2g ± %.1g a day",
			m.Step, 2*m.UStep, m.ChangeT, m.ChangeLo, m.ChangeHi, m.Slope, 2*m.USlope)
	}
	for i, c := range m.Candidates[1:] {
		lead := ", "
		if i == 0 {
			lead = "; better by "
		}
		fmt.Fprintf(&b, "%s%.1f than %s", lead, c.Criterion-m.Candidates[0].Criterion, c.Kind)
	}
	fmt.Fprintf(&b, " (penalised -2 ln likelihood; above 6 is strong). %d points with a scatter of %.2g", m.N, m.Scatter)
	if m.Inflation > 1.2 {
		fmt.Fprintf(&b, ", correlated, as good as %.0f independent ones", float64(m.N)/m.Inflation)
	}
	if m.Outliers > 0 {
		fmt.Fprintf(&b, "; %d far off, which count little", m.Outliers)
	}
	return b.String() + "."
}
