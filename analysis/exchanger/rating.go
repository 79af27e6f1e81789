package exchanger

import (
	"math"
	"slices"

	"greywatt"
)

// A Rating turns the rated points of a certificate, all at equal flow on both
// sides, into what to expect at any pair of flows.
//
// At equal flow a point fixes NTU, and so the conductance UA at that flow. How
// UA divides into what follows the drain flow and what follows the mains flow,
// equal flows do not tell: Rating carries all plausible divisions at once, each
// weighted by prior and by how well it fits the points. What they disagree about
// at unequal flows is the uncertainty of the expected value. They are of two
// laws:
//
//   - Series. The resistance 1/UA is the sum of three: the falling film of waste
//     water, falling with the drain flow to the power m; the mains water in its
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
//     A correction published with an open building simulation (CSE, function
//     wr_EffAdjusted) has effectiveness grow by 0.345 ln(drain flow/mains flow) at
//     46 %: 0.23 of that is the smaller ratio of capacity rates, the rest makes the
//     drain's exponent 0.21; its equal-flow curve falls with flow as a sum of both
//     exponents of 0.27 to 0.5 does.
//
// The weight of the second law, 0.2, and the widths are this project's choice.
type Rating struct {
	lnRef   float64 // ln of the reference flow, the geometric mean of the points' flows
	minFlow float64 // l/min, of the points
	maxFlow float64
	splits  []split
	flows   []float64 // ln(flow/reference) of the points
	resid   []float64 // what the mean split leaves of ln UA at each point
}

// The exponents that the splits combine: of the film and the coil in series, and
// of either flow in the power law.
var (
	filmExponents  = [...]float64{0.1, 0.2, 0.3, 0.4, 0.5, 0.6}
	coilExponents  = [...]float64{0.2, 0.35, 0.5, 0.65, 0.8, 0.95}
	powerExponents = [...]float64{0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4}
)

// split is one plausible division of the conductance.
type split struct {
	weight      float64
	conductance float64 // UA at the reference flow, in l/min of water
	film, coil  float64 // shares of resistance there; the wall has the rest
	m, n        int     // index its flow exponents
	power       bool    // by the power law, which has no shares
}

// powers are flows over the reference flow, to the splits' exponents: negative
// for resistances in series, positive for the power law.
type powers struct {
	film         [len(filmExponents)]float64
	coil         [len(coilExponents)]float64
	waste, mains [len(powerExponents)]float64
}

func (p *powers) at(lnWaste, lnMains float64) {
	for i, m := range filmExponents {
		p.film[i] = math.Exp(-m * lnWaste)
	}
	for i, n := range coilExponents {
		p.coil[i] = math.Exp(-n * lnMains)
	}
	for i, e := range powerExponents {
		p.waste[i], p.mains[i] = math.Exp(e*lnWaste), math.Exp(e*lnMains)
	}
}

// ua returns the conductance at the flows of p.
func (s *split) ua(p *powers) float64 {
	if s.power {
		return s.conductance * p.waste[s.m] * p.mains[s.n]
	}
	return s.conductance / (s.film*p.film[s.m] + s.coil*p.coil[s.n] + (1 - s.film - s.coil))
}

// pointSpread is the standard uncertainty of a rated effectiveness: printed to
// 0.01, rectangular, with what a test bench repeats to (this project's choice).
var pointSpread = math.Hypot(0.005/math.Sqrt(3), 0.002)

// NewRating returns the rating of a certificate's points, at least one, each
// with a flow above 0 and an effectiveness between 0 and 1.
func NewRating(x greywatt.Exchanger) *Rating {
	points := x.Rated
	r := &Rating{minFlow: math.Inf(1), maxFlow: math.Inf(-1)}
	for _, p := range points {
		r.lnRef += math.Log(p.FlowLMin) / float64(len(points))
		r.minFlow = min(r.minFlow, p.FlowLMin)
		r.maxFlow = max(r.maxFlow, p.FlowLMin)
	}
	lnUA := make([]float64, len(points))
	lnU := make([]float64, len(points))
	for i, p := range points {
		e := p.Effectiveness
		r.flows = append(r.flows, math.Log(p.FlowLMin)-r.lnRef)
		lnUA[i] = math.Log(CounterflowNTU(e, 1) * p.FlowLMin)
		lnU[i] = pointSpread / (e * (1 - e)) // d ln NTU = d e / (e (1 - e)) at equal rates
	}
	p := prior{film: 0.43, m: 0.3}
	if x.Orientation == greywatt.Horizontal {
		p = prior{film: 0.52, m: 0.45}
	}
	r.splits = slices.Concat(
		weighed(series(p), 1-powerWeight, r.flows, lnUA, lnU),
		weighed(power(), powerWeight, r.flows, lnUA, lnU))
	r.splits = normalised(r.splits)
	r.resid = make([]float64, len(points))
	for i := range points {
		var at powers
		at.at(r.flows[i], r.flows[i])
		var mean float64
		for k := range r.splits {
			mean += r.splits[k].weight * math.Log(r.splits[k].ua(&at))
		}
		r.resid[i] = lnUA[i] - mean
	}
	return r
}

// powerWeight is the prior probability of the power law.
const powerWeight = 0.2

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
					w := math.Exp(-(square((film-mid.film)/0.08) + square((wall-0.1)/0.06) +
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
func weighed(splits []split, law float64, flows, lnUA, lnU []float64) []split {
	at := make([]powers, len(flows))
	for i, f := range flows {
		at[i].at(f, f)
	}
	var prior float64
	for i := range splits {
		prior += splits[i].weight
	}
	left := make([]float64, len(lnUA))
	for k := range splits {
		s := &splits[k]
		var sw, swd, chi2 float64
		for i := range lnUA {
			left[i] = lnUA[i] - math.Log(s.ua(&at[i]))
			w := 1 / (lnU[i] * lnU[i])
			sw += w
			swd += w * left[i]
		}
		mean := swd / sw
		for i := range lnUA {
			chi2 += square((left[i] - mean) / lnU[i])
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
	// Cloned, as what is kept is a tenth and lives as long as its dwelling.
	kept := slices.Clone(slices.DeleteFunc(splits, func(s split) bool { return s.weight < 2e-4*total }))
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

// An Expectation is what the rated unit does at a pair of flows.
type Expectation struct {
	Effectiveness float64 // on the smaller capacity rate
	U             float64 // standard uncertainty of the conversion from the points
	UA            float64 // conductance in l/min of water: UA / (density · specific heat)
	PerFlow       float64 // d ln Effectiveness / d ln flow, both sides together
	Extrapolated  bool    // either flow lies outside the rated points by more than a tenth
}

// At returns what to expect at the given flows, l/min, both above 0. Capacity
// rates are taken as proportional to the flows: between 5 and 45 °C the
// density times the specific heat of water changes by half a percent.
func (r *Rating) At(wasteLMin, mainsLMin float64) Expectation {
	x := r.at(wasteLMin, mainsLMin)
	const h = 0.01
	up, down := r.at(wasteLMin*(1+h), mainsLMin*(1+h)), r.at(wasteLMin*(1-h), mainsLMin*(1-h))
	x.PerFlow = (math.Log(up.Effectiveness) - math.Log(down.Effectiveness)) / (math.Log1p(h) - math.Log1p(-h))
	lo, hi := min(wasteLMin, mainsLMin), max(wasteLMin, mainsLMin)
	x.Extrapolated = lo < r.minFlow*0.9 || hi > r.maxFlow*1.1
	return x
}

func (r *Rating) at(wasteLMin, mainsLMin float64) Expectation {
	lw, lm := math.Log(wasteLMin)-r.lnRef, math.Log(mainsLMin)-r.lnRef
	cmin, cmax := min(wasteLMin, mainsLMin), max(wasteLMin, mainsLMin)
	left := math.Exp(r.residAt(lw))
	var p powers
	p.at(lw, lm)
	var e, e2, ua float64
	for i := range r.splits {
		s := &r.splits[i]
		c := s.ua(&p) * left
		eff := Counterflow(c/cmin, cmin/cmax)
		e += s.weight * eff
		e2 += s.weight * eff * eff
		ua += s.weight * c
	}
	// what the points' own rounding leaves, averaged over as many as there are
	rounding := pointSpread / math.Sqrt(float64(len(r.flows)))
	return Expectation{Effectiveness: e, U: math.Sqrt(max(0, e2-e*e) + rounding*rounding), UA: ua}
}

// UA returns the rated unit's conductance at the given flows, l/min, both above
// 0, in l/min of water.
func (r *Rating) UA(wasteLMin, mainsLMin float64) float64 {
	lw, lm := math.Log(wasteLMin)-r.lnRef, math.Log(mainsLMin)-r.lnRef
	left := math.Exp(r.residAt(lw))
	var p powers
	p.at(lw, lm)
	var ua float64
	for i := range r.splits {
		ua += r.splits[i].weight * r.splits[i].ua(&p)
	}
	return ua * left
}

// residAt interpolates what the splits leave of the points, so that at the
// rated flows the rated values come back; beyond the points it stays.
func (r *Rating) residAt(ln float64) float64 {
	k := len(r.flows)
	switch {
	case ln <= r.flows[0]:
		return r.resid[0]
	case ln >= r.flows[k-1]:
		return r.resid[k-1]
	}
	i := 1
	for r.flows[i] < ln {
		i++
	}
	f := (ln - r.flows[i-1]) / (r.flows[i] - r.flows[i-1])
	return r.resid[i-1] + f*(r.resid[i]-r.resid[i-1])
}
