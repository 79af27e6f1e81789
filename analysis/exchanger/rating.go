package exchanger

import (
	"math"

	"greywatt"
)

// A Rating turns the rated points of a certificate, all at equal flow on both
// sides, into what to expect at any pair of flows.
//
// At equal flow a point fixes NTU, and so the conductance UA at that flow. The
// resistance 1/UA is the sum of three: the falling film of waste water, falling
// with the drain flow to the power m; the mains water in its coil, falling with
// the mains flow to the power n; and the wall with its contact, which does not
// depend on flow. One certificate cannot tell the three apart, so Rating
// carries all plausible splits at once, each weighted by how well it fits the
// points. What they disagree about at unequal flows is the uncertainty of the
// expected value.
//
// The splits and their prior are centred on three things. Falling films carry
// heat with flow to the power 0.2 to 0.4, from transition to turbulence (VDI
// Heat Atlas, part M3, from memory; its constants are not used); water in a coil
// with 0.5 to 0.8, from transition to Dittus and Boelter's developed turbulence
// (textbook, from memory). And a correction published with an open building
// simulation (CSE, function wr_EffAdjusted), a fit to tested vertical units, has
// effectiveness grow by 0.345 ln(drain flow/mains flow), which makes the film's
// part in UA as strong as the coil's. In a horizontal unit the waste runs as a
// sheet that more flow also makes wider. The widths are this project's choice.
type Rating struct {
	lnRef   float64 // ln of the reference flow, the geometric mean of the points' flows
	minFlow float64 // l/min, of the points
	maxFlow float64
	splits  []split
	flows   []float64 // ln(flow/reference) of the points
	resid   []float64 // what the mean split leaves of ln UA at each point
}

// The exponents that the splits combine.
var (
	filmExponents = [...]float64{0.1, 0.2, 0.3, 0.4, 0.5, 0.6}
	coilExponents = [...]float64{0.2, 0.35, 0.5, 0.65, 0.8}
)

// split is one plausible division of the resistance at the reference flow.
type split struct {
	weight      float64
	film, coil  float64 // shares of resistance; the wall has the rest
	m, n        int     // index its flow exponents
	conductance float64 // UA at the reference flow, in l/min of water
}

// powers are the flows to the splits' exponents, negative, flows over the
// reference flow.
type powers struct {
	film [len(filmExponents)]float64
	coil [len(coilExponents)]float64
}

func (p *powers) at(lnWaste, lnMains float64) {
	for i, m := range filmExponents {
		p.film[i] = math.Exp(-m * lnWaste)
	}
	for i, n := range coilExponents {
		p.coil[i] = math.Exp(-n * lnMains)
	}
}

// ua returns the conductance at the flows of p.
func (s *split) ua(p *powers) float64 {
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
	p := prior{film: 0.5, m: 0.34}
	if x.Orientation == greywatt.Horizontal {
		p = prior{film: 0.52, m: 0.45}
	}
	r.weigh(lnUA, lnU, p)
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

// prior is the middle of what is plausible: the film's share of the resistance
// and its exponent.
type prior struct{ film, m float64 }

// weigh fits every split of the grid to the points and weights it by prior and
// likelihood.
func (r *Rating) weigh(lnUA, lnU []float64, prior prior) {
	var total float64
	at := make([]powers, len(lnUA))
	for i := range at {
		at[i].at(r.flows[i], r.flows[i])
	}
	for m := range filmExponents {
		for n := range coilExponents {
			for film := 0.2; film < 0.81; film += 0.12 {
				for _, wall := range []float64{0, 0.08, 0.16, 0.26} {
					coil := 1 - film - wall
					if coil < 0.05 {
						continue
					}
					s := split{film: film, coil: coil, m: m, n: n, conductance: 1}
					lnPrior := -(square((film-prior.film)/0.11) + square((wall-0.09)/0.08) +
						square((filmExponents[m]-prior.m)/0.08) + square((coilExponents[n]-0.55)/0.17)) / 2
					var sw, swd float64
					left := make([]float64, len(lnUA))
					for i := range lnUA {
						left[i] = lnUA[i] - math.Log(s.ua(&at[i]))
						w := 1 / (lnU[i] * lnU[i])
						sw += w
						swd += w * left[i]
					}
					mean := swd / sw
					var chi2 float64
					for i := range lnUA {
						chi2 += square((left[i] - mean) / lnU[i])
					}
					s.conductance = math.Exp(mean)
					s.weight = math.Exp(lnPrior - chi2/2)
					total += s.weight
					r.splits = append(r.splits, s)
				}
			}
		}
	}
	kept := r.splits[:0]
	for _, s := range r.splits {
		if s.weight /= total; s.weight > 2e-4 {
			kept = append(kept, s)
		}
	}
	r.splits = kept
	total = 0
	for _, s := range kept {
		total += s.weight
	}
	for i := range kept {
		kept[i].weight /= total
	}
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
