package exchanger

import (
	"math"
	"slices"

	"greywatt"
)

// A Rating turns the rated points of a certificate, all at equal flow on both
// sides and at one pair of inlet temperatures, into what to expect at any pair
// of flows and at any inlets.
//
// At equal flow a point fixes NTU, and so the conductance UA at that flow. How
// UA divides into what follows the waste side and what follows the mains side,
// equal flows do not tell: Rating carries all plausible divisions at once, each
// weighted by prior and by how well it fits the points. What they disagree about
// at unequal flows is the uncertainty of the expected value. They are of three
// kinds:
//
//   - Series. The resistance 1/UA is the sum of three: the falling film of waste
//     water, falling with the waste flow to the power m; the mains water in its
//     coil, falling with the mains flow to the power n; and the wall with its
//     contact, which does not depend on flow. Falling films carry heat with flow
//     to the power 0.2 to 0.4, from transition to turbulence (VDI Heat Atlas, part
//     M3, from memory); water in a coil with 0.5 to 0.8, from transition to
//     Dittus and Boelter's developed turbulence (textbook, from memory). The
//     heat-atlas film of 9.5 l/min in a pipe of 76 mm has a third of the resistance
//     of a unit of 46 %; the published fit below has half: the prior is between.
//     In a horizontal unit the waste runs as a sheet that more flow also makes
//     wider.
//   - Power. UA is a product of a power of either flow, as in fits to tested units.
//     An equal-flow curve published with an open building simulation (CSE, function
//     wr_EffAdjusted) falls with flow as a sum of both exponents of 0.27 to 0.5
//     does.
//   - Published fits to tested units at unequal flow, which are no division but a
//     factor on the effectiveness at equal flow; see [fits].
//
// Film and coil also follow the temperature of their water, through its
// properties at each side's mean temperature against those of the rating test;
// see [Strength].
//
// The weights and the widths are this project's choice.
type Rating struct {
	lnRef     float64 // ln of the reference flow, the geometric mean of the points' flows
	minFlow   float64 // l/min, of the points
	maxFlow   float64
	inlets    Inlets // of the rating test
	inletU    float64
	strengths Strengths
	film0     float64 // the laws of temperature at the mean temperatures of the test
	coil0     float64
	series    []seriesSplit // the splits, by law
	power     []powerSplit
	flows     []float64   // ln(flow/reference) of the points
	resid     []float64   // what the mean split leaves of ln UA at each point
	equal     equalCurve  // ln UA at equal flow and the test's mean temperatures
	shares    sharesPower // of the power law
}

// The exponents that the splits combine: of the film and the coil in series, and
// of either flow in the power law.
var (
	filmExponents  = [...]float64{0.1, 0.2, 0.3, 0.4, 0.5, 0.6}
	coilExponents  = [...]float64{0.2, 0.35, 0.5, 0.65, 0.8, 0.95}
	powerExponents = [...]float64{0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4}
)

// seriesExponents are those of film and coil, as many as [powers] has room for.
var seriesExponents = func() (e struct{ film, coil [8]float64 }) {
	copy(e.film[:], filmExponents[:])
	copy(e.coil[:], coilExponents[:])
	return e
}()

// split is one plausible division of the conductance.
type split struct {
	weight      float64
	conductance float64 // UA at the reference flow and the test's temperatures, W/K
	film, coil  float64 // shares of resistance there; the wall has the rest
	m, n        int     // index its flow exponents
	power       bool    // by the power law, whose shares are the prior's
}

// sharesPower is how the power law takes part in the laws of temperature, as its
// exponents do not tell film from coil.
type sharesPower struct{ film, coil float64 }

// warmth is the logarithm of the film's and the coil's conductance at their mean
// temperatures over those at some other pair of temperatures.
type warmth struct{ film, coil float64 }

func (w warmth) minus(v warmth) warmth { return warmth{w.film - v.film, w.coil - v.coil} }

// conditions are flows over the reference flow, as logarithms, and the warmth of
// film and coil over the test's mean temperatures. At unequal flows those means
// move even at the test's inlets, by benchWarmth. A law made of tests at unequal
// flow has that in it already.
type conditions struct {
	lnWaste, lnMains    float64
	warmth, benchWarmth warmth
}

// A seriesSplit is a split of resistances in series and a powerSplit one by the power law,
// as [Rating.mean] takes them: rated is weight times conductance.
type seriesSplit struct {
	film, coil, wall   float64 // shares of resistance
	rated, conductance float64
	m, n               uint8
}

type powerSplit struct {
	rated, conductance float64
	m, n               uint8
}

// powers are the factors of the splits at given conditions: on resistances in
// series, on the conductance by the power law. There are more than exponents, so that
// an index below 8 needs no check.
type powers struct {
	film, coil, waste, mains [8]float64
}

func (r *Rating) powers(p *powers, c conditions) {
	// The exponents go up by equal steps, and so do the logarithms of the powers.
	w := c.warmth.minus(c.benchWarmth)
	progress(p.film[:len(filmExponents)], filmExponents[:], -c.lnWaste, -c.warmth.film)
	progress(p.coil[:len(coilExponents)], coilExponents[:], -c.lnMains, -c.warmth.coil)
	progress(p.waste[:], powerExponents[:], c.lnWaste, r.shares.film*w.film)
	progress(p.mains[:], powerExponents[:], c.lnMains, r.shares.coil*w.coil)
}

// progress writes exp(exponent·ln + more) for exponents that go up by equal steps.
func progress(to, exponents []float64, ln, more float64) {
	at, step := math.Exp(exponents[0]*ln+more), math.Exp((exponents[1]-exponents[0])*ln)
	for i := range to {
		to[i] = at
		at *= step
	}
}

// ua returns the conductance at the conditions of p.
func (s *split) ua(p *powers) float64 {
	if s.power {
		return s.conductance * p.waste[s.m] * p.mains[s.n]
	}
	return s.conductance / (s.film*p.film[s.m] + s.coil*p.coil[s.n] + (1 - s.film - s.coil))
}

// pointSpread is the standard uncertainty of a rated effectiveness: printed to
// 0.01, rectangular, with what a test bench repeats to (this project's choice).
var pointSpread = math.Hypot(0.005/math.Sqrt(3), 0.002)

// NewRating returns the rating of a certificate's points, ascending in flow. Points
// without a flow above 0 or an effectiveness between 0 and 1 are left out. Without any
// point nothing can be expected: all figures of [Rating.At] are NaN.
func NewRating(x greywatt.Exchanger) *Rating {
	points := slices.DeleteFunc(slices.Clone(x.Rated), func(p greywatt.RatedPoint) bool {
		return !(p.FlowLMin > 0 && p.FlowLMin < math.Inf(1) && p.Effectiveness > 0 && p.Effectiveness < 1)
	})
	if len(points) == 0 {
		points = []greywatt.RatedPoint{{FlowLMin: math.NaN(), Effectiveness: math.NaN()}}
	}
	r := &Rating{minFlow: math.Inf(1), maxFlow: math.Inf(-1), strengths: strengthsOf(&x), inletU: statedInletU}
	r.inlets.ColdInC, r.inlets.WasteInC = x.RatedInlets()
	if x.RatedColdInC == 0 && x.RatedWasteInC == 0 {
		r.inletU = usualInletU
	}
	mid := prior{film: 0.43, m: 0.3}
	if x.Orientation == greywatt.Horizontal {
		mid = prior{film: 0.52, m: 0.45}
	}
	r.shares = sharesPower{film: mid.film, coil: 1 - mid.film - wallShare}

	var meanEffectiveness float64
	for _, p := range points {
		r.lnRef += math.Log(p.FlowLMin) / float64(len(points))
		meanEffectiveness += p.Effectiveness / float64(len(points))
		r.minFlow = min(r.minFlow, p.FlowLMin)
		r.maxFlow = max(r.maxFlow, p.FlowLMin)
	}
	flow := math.Exp(r.lnRef)
	test := streamsAt(Flows{flow, flow}, r.inlets, meanEffectiveness)
	r.film0, r.coil0 = filmTable.at(test.wasteMeanC), coilTable.at(test.coldMean)

	rated := make([]ratedPoint, len(points))
	for i, p := range points {
		e := p.Effectiveness
		s := streamsAt(Flows{p.FlowLMin, p.FlowLMin}, r.inlets, e)
		ln := math.Log(p.FlowLMin) - r.lnRef
		r.flows = append(r.flows, ln)
		rated[i] = ratedPoint{
			lnUA: math.Log(s.conductance(e)),
			lnU:  pointSpread / (e * (1 - e)), // d ln NTU = d e / (e (1 - e)) at equal rates
		}
		r.powers(&rated[i].at, conditions{lnWaste: ln, lnMains: ln, warmth: r.warmth(&s)})
	}
	for _, s := range normalised(slices.Concat(
		weighed(series(mid), 1-powerWeight, rated),
		weighed(power(), powerWeight, rated))) {
		if s.power {
			r.power = append(r.power, powerSplit{s.weight * s.conductance, s.conductance, uint8(s.m), uint8(s.n)})
		} else {
			r.series = append(r.series, seriesSplit{s.film, s.coil, 1 - s.film - s.coil, s.weight * s.conductance, s.conductance, uint8(s.m), uint8(s.n)})
		}
	}
	r.resid = make([]float64, len(points))
	for i := range rated {
		m := r.mean(&rated[i].at)
		r.resid[i] = rated[i].lnUA - math.Log(m.ua)
	}
	r.equal = r.equalCurve()
	return r
}

// Inlets returns the inlet temperatures of the rating test.
func (r *Rating) Inlets() Inlets { return r.inlets }

// Strengths returns how strongly the rated unit's two sides follow temperature,
// with the uncertainties that its sensitivities in [Expectation] refer to.
func (r *Rating) Strengths() Strengths { return r.strengths }

// ratedPoint is one rated point as the fit of the splits takes it.
type ratedPoint struct {
	at        powers
	lnUA, lnU float64 // ln W/K and its standard uncertainty
}

const (
	powerWeight = 0.2 // prior probability of the power law against resistances in series
	wallShare   = 0.1 // of the resistance, the middle of the prior
)

// prior is the middle of what is plausible in series: the film's share of the
// resistance and its exponent.
type prior struct{ film, m float64 }

// series returns the divisions of a resistance in series, weighted by prior.
func series(mid prior) []split {
	var splits []split
	for m := range filmExponents {
		for n := range coilExponents {
			for film := 0.2; film < 0.81; film += 0.08 {
				for _, wall := range []float64{0, 0.08, 0.16, 0.26} {
					coil := 1 - film - wall
					if coil < 0.05 {
						continue
					}
					w := math.Exp(-(square((film-mid.film)/0.08) + square((wall-wallShare)/0.06) +
						square((filmExponents[m]-mid.m)/0.07) + square((coilExponents[n]-0.65)/0.10)) / 2)
					splits = append(splits, split{weight: w, conductance: 1, film: film, coil: coil, m: m, n: n})
				}
			}
		}
	}
	return splits
}

// power returns the divisions by the power law, weighted by prior.
func power() []split {
	var splits []split
	for m, waste := range powerExponents {
		for n, mains := range powerExponents {
			w := math.Exp(-(square((waste-0.21)/0.045) + square((mains-0.2)/0.05)) / 2)
			splits = append(splits, split{weight: w, conductance: 1, m: m, n: n, power: true})
		}
	}
	return splits
}

// weighed fits the splits of one law to the points and gives each the
// probability of the law, times its share of the prior, times its likelihood.
func weighed(splits []split, law float64, rated []ratedPoint) []split {
	var prior float64
	for i := range splits {
		prior += splits[i].weight
	}
	left := make([]float64, len(rated))
	for k := range splits {
		s := &splits[k]
		var sw, swd, chi2 float64
		for i := range rated {
			p := &rated[i]
			left[i] = p.lnUA - math.Log(s.ua(&p.at))
			w := 1 / (p.lnU * p.lnU)
			sw += w
			swd += w * left[i]
		}
		mean := swd / sw
		for i := range rated {
			chi2 += square((left[i] - mean) / rated[i].lnU)
		}
		s.conductance = math.Exp(mean)
		s.weight *= law / prior * math.Exp(-chi2/2)
	}
	return splits
}

// normalised drops what weighs next to nothing and makes the rest sum to one.
func normalised(splits []split) []split {
	var total float64
	for i := range splits {
		total += splits[i].weight
	}
	kept := slices.DeleteFunc(splits, func(s split) bool { return s.weight < 2e-4*total })
	total = 0
	for i := range kept {
		total += kept[i].weight
	}
	for i := range kept {
		kept[i].weight /= total
	}
	return kept
}

func square(x float64) float64 { return x * x }

// residAt interpolates what the splits leave of the points, so that at the
// rated flows the rated values come back; beyond the points it stays. slope is
// its derivative.
func (r *Rating) residAt(ln float64) (value, slope float64) {
	k := len(r.flows)
	switch {
	case k == 1 || ln <= r.flows[0]:
		return r.resid[0], 0
	case ln >= r.flows[k-1]:
		return r.resid[k-1], 0
	}
	i := 1
	for r.flows[i] < ln {
		i++
	}
	slope = (r.resid[i] - r.resid[i-1]) / (r.flows[i] - r.flows[i-1])
	return r.resid[i-1] + (ln-r.flows[i-1])*slope, slope
}
