package trend

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// A Mixture is a series read as two populations: points about a trend, and a
// share of points about a level below it, such as showers during which a bypass
// stood open.
type Mixture struct {
	// Two reports whether two populations describe the series better, beyond
	// doubt: Evidence above 6, Bimodality above 2, and four low points or more.
	Two bool
	// Evidence is by how much two populations lower -2 ln(likelihood), penalties
	// and serial correlation included; below 0 one population does better.
	Evidence float64
	// Bimodality is √2·Separation/√(s² + s²), with the scatters of the two: above 2
	// they stand clearly apart (K. M. Ashman, C. M. Bird and S. E. Zepf,
	// Astron. J. 108 (1994) 2348; from memory).
	Bimodality float64

	Share, UShare           float64   // of points in the low population, 0 to 1
	Separation, USeparation float64   // by how much it lies below the trend, in units of Y
	Scatter, LowScatter     float64   // standard deviations of the two, outliers counting little
	Low                     []float64 // probability that a point is of the low population, one a point

	// The share before and after the time at which it changes most: ShareT is the
	// time of the first point after. ShareEvidence is by how much the change
	// lowers -2 ln(likelihood) less three times ln(n) as a penalty; below 0 the
	// share is as good as constant.
	ShareT                  float64
	ShareBefore, ShareAfter float64
	ShareEvidence           float64

	// Trend is that of the points above; the model of all points where these are
	// too few for one.
	Trend Model
}

// Choices of this project.
const (
	mixtureEvidence   = 6.0 // "strong" on the scale of A. E. Raftery, Sociol. Methodol. 25 (1995) 111 (from memory)
	mixtureBimodality = 2.0
	mixtureFewest     = 4.0 // points
	mixtureCost       = 5.0 // of share, level and scatter, in units of ln(n): three, and two for the search
)

// FitMixture compares two hypotheses about twenty points or more: one population
// about a trend, and two populations of which one lies below it. The options are those of the
// trend, see [Fit].
//
// Both have scatter with tails of Student's t, whose degrees of freedom are
// fitted, so that wild points do not make a population; one population
// may be flat-topped as well. A step is a trend, and levels in turn, as [Changes]
// finds them, are one population that moved: two populations must alternate. Share, level and scatter of
// the second are fitted by expectation and maximisation (A. P. Dempster et al.,
// J. R. Stat. Soc. B 39 (1977) 1; K. L. Lange et al., J. Am. Stat. Assoc. 84 (1989)
// 881 for t; both from memory), and the trend is fitted again to the points above. The
// hypotheses are compared by the criterion of Fit; the second population costs five
// parameters.
//
// Errors: [ErrTooFew], [ErrSeries], and those of Fit.
func FitMixture(ps []Point, o Options) (Mixture, error) {
	if err := check(ps, 20); err != nil {
		return Mixture{}, err
	}
	all, err := Fit(ps, o)
	if err != nil {
		return Mixture{}, err
	}
	one := newScattered(ps, all, o.Covariates)
	price := math.Log(float64(len(ps)))
	if o.Strictness > 0 {
		price *= o.Strictness
	}
	single := max(one.single()-price*all.Kind.cost()/2, levelsInTurn(ps, one, price))
	main, trend := one, all
	var pair population
	const rounds = 4
	for range rounds {
		if pair = main.split(); pair.low == nil {
			break
		}
		upper, covariates := upperOf(ps, o.Covariates, pair.low)
		again := o
		again.Covariates = covariates
		m, err := Fit(upper, again)
		if err != nil {
			break // too few points are left to the trend: that of all stays
		}
		next := newScattered(ps, m, o.Covariates)
		if p := next.split(); p.low != nil && p.logLikelihood > pair.logLikelihood+0.01 {
			main, trend, pair = next, m, p
			continue
		}
		break
	}
	if pair.low == nil {
		nan := math.NaN()
		return Mixture{
			Evidence: math.Inf(-1), Scatter: one.typical(), Low: make([]float64, len(ps)), Trend: all,
			Separation: nan, USeparation: nan, LowScatter: nan, Bimodality: nan, ShareT: nan, ShareEvidence: math.Inf(-1),
		}, nil
	}
	return main.describe(ps, trend, pair, price, single), nil
}

// upperOf returns the points that are likelier of the upper population, with
// their covariates.
func upperOf(ps []Point, covariates []Covariate, low []float64) ([]Point, []Covariate) {
	var upper []Point
	cs := make([]Covariate, len(covariates))
	for k := range cs {
		cs[k].Coefficient = covariates[k].Coefficient
	}
	for i, p := range ps {
		if low[i] > 0.5 {
			continue
		}
		upper = append(upper, p)
		for k := range cs {
			cs[k].Values = append(cs[k].Values, covariates[k].Values[i])
		}
	}
	return upper, cs
}

// scattered are points less a trend, with the standard deviation that the trend
// gives to each.
type scattered struct {
	rest, sigma []float64
	precision   []float64 // 1/sigma
	middle      float64   // the median of sigma
}

func newScattered(ps []Point, m Model, covariates []Covariate) scattered {
	rest, sigma := make([]float64, len(ps)), make([]float64, len(ps))
	for i, p := range ps {
		y, _ := m.At(p.T)
		rest[i] = p.Y - y
		for k, c := range covariates {
			rest[i] -= m.Effects[k] * (c.Values[i] - m.design.mean[k])
		}
		sigma[i] = m.noise.of(p.U)
	}
	return scatter(rest, sigma)
}

func scatter(rest, sigma []float64) scattered {
	s := scattered{rest: rest, sigma: sigma, precision: make([]float64, len(sigma)), middle: median(sigma)}
	for i, sd := range sigma {
		s.precision[i] = 1 / sd
	}
	return s
}

func (s scattered) typical() float64 { return s.middle }

// A population is one population about center, or two: then with a share about
// level.
type population struct {
	freedom       float64 // of Student's t
	center, scale float64 // scale times a point's sigma
	share         float64
	level, spread float64
	low           []float64 // nil: one population
	upperW, lowW  float64   // sums of the weights that center and level have
	logLikelihood float64
}

// tails are the degrees of freedom tried; the last is as good as normal.
var tails = []float64{3, 5, 10, 100}

// best fits the population from a start with each of the tails.
func (s scattered) best(start population) population {
	var best population
	for i, freedom := range tails {
		p := start
		p.freedom = freedom
		p = s.settle(p, 60)
		if i == 0 || p.logLikelihood > best.logLikelihood {
			best = p
		}
	}
	return best
}

// split fits two populations, from several shares of the lowest points; low is
// nil where none stands below the other.
func (s scattered) split() population {
	order := slices.Clone(s.rest)
	slices.Sort(order)
	n := len(order)
	var best population
	seen := -1
	for _, share := range []float64{0.03, 0.06, 0.12, 0.2, 0.3, 0.4, 0.5, 0.65, 0.8} {
		k := max(3, int(share*float64(n)))
		if k == seen || n-k < 3 {
			continue
		}
		seen = k
		p := population{
			freedom: 5, share: float64(k) / float64(n), low: make([]float64, n), scale: 1,
			level: median(order[:k]), center: median(order[k:]),
		}
		p.spread = max(1.4826*deviationMedian(order[:k], p.level), s.least())
		p.scale = max(1.4826*deviationMedian(order[k:], p.center)/s.typical(), 0.2)
		if p = s.settle(p, 25); p.low != nil && (best.low == nil || p.logLikelihood > best.logLikelihood) {
			best = p
		}
	}
	if best.low == nil {
		return best
	}
	return s.best(best)
}

// least is the least scatter of a population, lest it settle on a few points
// that happen to be alike.
func (s scattered) least() float64 { return 0.5 * s.typical() }

// deviationMedian is the median of absolute deviations.
func deviationMedian(xs []float64, from float64) float64 {
	d := make([]float64, len(xs))
	for i, x := range xs {
		d[i] = math.Abs(x - from)
	}
	return median(d)
}

// settle repeats expectation and maximisation until the likelihood stands.
//
// With Student's t of (freedom+1)/2 = h, a density is a constant times x^h, x being
// 1/(1+z²/freedom). The tails' h are whole or half numbers, and the logarithms of the points' densities are taken
// of products of many, so that a round costs no exponential and next to no logarithm.
func (s scattered) settle(p population, rounds int) population {
	if p.scale == 0 {
		p.scale, p.center = 1, median(s.rest)
	}
	two := p.low != nil
	count := len(s.rest)
	n := float64(count)
	memory := make([]float64, 5*count)
	part := func(k int) []float64 { return memory[k*count : (k+1)*count : (k+1)*count] }
	low, xa, xb, fa, fb := part(0), part(1), part(2), part(3), part(4)
	normal := math.Exp(distuv.StudentsT{Mu: 0, Sigma: 1, Nu: p.freedom}.LogProb(0))
	perFreedom, most := 1/p.freedom, (p.freedom+1)/p.freedom
	precision := s.precision[:count]
	last := math.Inf(-1)
	for range rounds {
		var a, b struct{ w, wy, members float64 }
		perScale, perSpread := 1/p.scale, 1/p.spread
		for i, r := range s.rest {
			z := (r - p.center) * precision[i] * perScale
			xa[i] = 1 / (1 + z*z*perFreedom)
		}
		powers(fa, xa, p.freedom)
		var likelihood product
		if two {
			for i, r := range s.rest {
				z := (r - p.level) * perSpread
				xb[i] = 1 / (1 + z*z*perFreedom)
			}
			powers(fb, xb, p.freedom)
			upper, lower := normal*(1-p.share)*perScale, normal*p.share*perSpread
			for i, r := range s.rest {
				da, db := upper*precision[i]*fa[i], lower*fb[i]
				both := da + db
				if !(both > leastDensity) {
					la := math.Log(upper*precision[i]) + (p.freedom+1)/2*math.Log(xa[i])
					lb := math.Log(lower) + (p.freedom+1)/2*math.Log(xb[i])
					likelihood.ln += max(la, lb) + math.Log1p(math.Exp(-math.Abs(la-lb)))
					low[i] = 1 / (1 + math.Exp(la-lb))
				} else {
					likelihood.by(both)
					low[i] = db / both
				}
				wa, wb := (1-low[i])*most*xa[i], low[i]*most*xb[i]
				xb[i] = wb
				b.w, b.wy, b.members = b.w+wb, b.wy+wb*r, b.members+low[i]
				wa *= precision[i] * precision[i]
				xa[i] = wa
				a.w, a.wy = a.w+wa, a.wy+wa*r
			}
			a.members = n - b.members
		} else {
			upper := normal * perScale
			for i, r := range s.rest {
				if d := upper * precision[i] * fa[i]; d > leastDensity {
					likelihood.by(d)
				} else {
					likelihood.ln += math.Log(upper*precision[i]) + (p.freedom+1)/2*math.Log(xa[i])
				}
				wa := most * xa[i] * precision[i] * precision[i]
				xa[i] = wa
				a.w, a.wy = a.w+wa, a.wy+wa*r
			}
			a.members = n
		}
		p.logLikelihood = likelihood.log()
		p.upperW, p.lowW = a.w/(p.scale*p.scale), b.w/(p.spread*p.spread)
		if p.logLikelihood-last < 1e-6*n {
			break
		}
		last = p.logLikelihood
		if a.members < 3 || two && b.members < 1 {
			p.low = nil
			return p
		}
		p.center = a.wy / a.w
		var square, squareLow float64
		for i, r := range s.rest {
			d := r - p.center
			square += xa[i] * d * d
		}
		p.scale = max(math.Sqrt(square/a.members), 0.2)
		if two {
			p.share, p.level = b.members/n, b.wy/b.w
			for i, r := range s.rest {
				d := r - p.level
				squareLow += xb[i] * d * d
			}
			p.spread = max(math.Sqrt(squareLow/b.members), s.least())
		}
	}
	if two {
		if p.low = low; !(p.level < p.center) {
			p.low = nil
		}
	}
	return p
}

// powers raises each of xs to (freedom+1)/2.
func powers(to, xs []float64, freedom float64) {
	to = to[:len(xs)]
	switch freedom {
	case 3:
		for i, x := range xs {
			to[i] = x * x
		}
	case 5:
		for i, x := range xs {
			to[i] = x * x * x
		}
	case 10:
		for i, x := range xs {
			x2 := x * x
			to[i] = x2 * x2 * x * math.Sqrt(x)
		}
	case 100:
		for i, x := range xs {
			x2 := x * x
			x4 := x2 * x2
			x8 := x4 * x4
			x16 := x8 * x8
			to[i] = x16 * x16 * x16 * x2 * math.Sqrt(x)
		}
	default:
		for i, x := range xs {
			to[i] = math.Pow(x, (freedom+1)/2)
		}
	}
}

// leastDensity is that from which on a density may be a factor of a [product].
const leastDensity = 1e-100

// A product of many factors between leastDensity and its inverse, as a logarithm.
type product struct{ ln, factor float64 }

func (p *product) by(x float64) {
	if p.factor == 0 {
		p.factor = 1
	}
	p.factor *= x
	if p.factor < leastDensity || p.factor > 1/leastDensity {
		p.ln, p.factor = p.ln+math.Log(p.factor), 1
	}
}

func (p *product) log() float64 {
	if p.factor == 0 {
		return p.ln
	}
	return p.ln + math.Log(p.factor)
}

// single returns ln(likelihood) of one population, of tails as they fit best or
// flat-topped.
func (s scattered) single() float64 {
	return max(s.best(population{}).logLikelihood, s.flat())
}

// flat returns ln(likelihood) of one population whose scatter is uniform with
// normal flanks, the best of a few widths.
func (s scattered) flat() float64 {
	n := float64(len(s.rest))
	var center, square float64
	for i, r := range s.rest {
		center += r / s.sigma[i] / n
	}
	for i, r := range s.rest {
		square += (r/s.sigma[i] - center) * (r/s.sigma[i] - center) / n
	}
	var lnPrecision float64
	for _, p := range s.precision {
		lnPrecision += math.Log(p)
	}
	best := math.Inf(-1)
	for _, ratio := range []float64{1, 2, 4, 8, 16} { // half width over the flanks' standard deviation
		for _, part := range []float64{0.9, 0.95, 1, 1.05, 1.1} {
			flank := part * math.Sqrt(square/(1+ratio*ratio/3))
			var likelihood product
			for i, r := range s.rest {
				z := math.Abs(r*s.precision[i]-center) / flank
				mass := betweenTails((z-ratio)/math.Sqrt2, (z+ratio)/math.Sqrt2) / 2
				if mass > leastDensity {
					likelihood.by(mass)
				} else {
					likelihood.ln += math.Log(max(mass, 1e-300))
				}
			}
			best = max(best, likelihood.log()+lnPrecision-n*math.Log(2*ratio*flank))
		}
	}
	return best
}

// betweenTails is erfc(a) - erfc(b) of a below b, which keeps the digits of upper tails.
func betweenTails(a, b float64) float64 {
	const end = 6 // beyond, what erfc is from 0 or 2 is no digit of 2
	if a < -end && b > end {
		return 2
	}
	of := 2.0
	if a >= -end {
		of = math.Erfc(a)
	}
	if b*b-a*a > 40 && b > 0 { // less than a digit of the other
		return of
	}
	return of - math.Erfc(b)
}

// levelsInTurn returns ln(likelihood) of one population whose level changes now
// and then, less half the price of the changes.
func levelsInTurn(ps []Point, s scattered, price float64) float64 {
	cut, err := Changes(ps, ChangeOptions{})
	if err != nil {
		return math.Inf(-1)
	}
	at := 0
	rest := make([]float64, len(ps))
	for i, p := range ps {
		for at < len(cut.Changes) && i >= cut.Changes[at].Index {
			at++
		}
		rest[i] = p.Y - cut.Levels[at]
	}
	return scatter(rest, s.sigma).single() - price*3*float64(len(cut.Changes))/2
}

// describe compares the hypotheses and says what the second population is; single
// is ln(likelihood) of one population, less half its price.
func (s scattered) describe(ps []Point, trend Model, pair population, price, single float64) Mixture {
	n := float64(len(ps))
	var z []float64
	for i, r := range s.rest {
		if pair.low[i] <= 0.5 {
			z = append(z, (r-pair.center)/(pair.scale*s.sigma[i]))
		}
	}
	growth := max(inflation(z), 1)
	two := pair.logLikelihood - price*(mixtureCost+trend.Kind.cost())/2
	m := Mixture{
		Evidence: 2 * (two - single) / growth,
		Share:    pair.share, Separation: pair.center - pair.level,
		Scatter: pair.scale * s.typical(), LowScatter: pair.spread,
		USeparation: math.Sqrt(growth/pair.upperW + 1/pair.lowW),
		Low:         pair.low, Trend: trend,
	}
	m.Bimodality = math.Sqrt2 * m.Separation / math.Hypot(m.Scatter, m.LowScatter)
	var score float64 // information about the share
	for _, p := range m.Low {
		d := (p - m.Share) / (m.Share * (1 - m.Share))
		score += d * d
	}
	m.UShare = 1 / math.Sqrt(score)
	m.Two = m.Evidence > mixtureEvidence && m.Bimodality > mixtureBimodality && m.Share*n >= mixtureFewest
	m.shareOverTime(ps)
	return m
}

// shareOverTime finds the time at which the share changes most.
func (m *Mixture) shareOverTime(ps []Point) {
	n := len(ps)
	sum := make([]float64, n+1)
	for i, p := range m.Low {
		sum[i+1] = sum[i] + p
	}
	part := func(from, to int) float64 {
		k, of := sum[to]-sum[from], float64(to-from)
		entropy := 0.0
		for _, x := range []float64{k, of - k} {
			if x > 1e-9 {
				entropy += x * math.Log(x/of)
			}
		}
		return entropy
	}
	m.ShareT, m.ShareBefore, m.ShareAfter, m.ShareEvidence = math.NaN(), m.Share, m.Share, math.Inf(-1)
	const segment = 5
	for i := segment; i+segment <= n; i++ {
		if ps[i].T == ps[i-1].T {
			continue
		}
		if gain := 2*(part(0, i)+part(i, n)-part(0, n)) - 3*math.Log(float64(n)); gain > m.ShareEvidence {
			m.ShareEvidence, m.ShareT = gain, ps[i].T
			m.ShareBefore, m.ShareAfter = sum[i]/float64(i), (sum[n]-sum[i])/float64(n-i)
		}
	}
}
