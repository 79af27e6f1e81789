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
// Range of the splits: film exponent 0.2 to 0.4, the span between the
// transition and the turbulent falling film (VDI Heat Atlas, part M3, from
// memory; its constants are not used); mains exponent 0.5 to 0.85, from a coil
// in transition to Dittus-Boelter's 0.8 for developed turbulence (textbook,
// from memory). The prior on the shares is this project's choice.
type Rating struct {
	lnRef   float64 // ln of the reference flow, the geometric mean of the points' flows
	minFlow float64 // l/min, of the points
	maxFlow float64
	splits  []split
	flows   []float64 // ln(flow/reference) of the points
	resid   []float64 // what the mean split leaves of ln UA at each point
}

// split is one plausible division of the resistance at the reference flow.
type split struct {
	weight        float64
	film, coil    float64 // shares of resistance; the wall has the rest
	m, n          float64 // flow exponents
	lnConductance float64 // ln UA at the reference flow, UA in units of l/min of water
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
		var mean float64
		for _, s := range r.splits {
			mean += s.weight * s.lnUA(r.flows[i], r.flows[i])
		}
		r.resid[i] = lnUA[i] - mean
	}
	return r
}

// prior is the middle of what is plausible: the film's share of the resistance
// and its exponent. In a horizontal unit the waste runs as a sheet that more
// flow also makes wider.
type prior struct{ film, m float64 }

// weigh fits every split of the grid to the points and weights it by prior and
// likelihood.
func (r *Rating) weigh(lnUA, lnU []float64, prior prior) {
	var total float64
	for _, m := range []float64{0.1, 0.2, 0.3, 0.4, 0.5, 0.6} {
		for _, n := range []float64{0.2, 0.35, 0.5, 0.65, 0.8} {
			for film := 0.2; film < 0.81; film += 0.12 {
				for _, wall := range []float64{0, 0.08, 0.16, 0.26} {
					coil := 1 - film - wall
					if coil < 0.05 {
						continue
					}
					s := split{film: film, coil: coil, m: m, n: n}
					lnPrior := -(square((film-prior.film)/0.11) + square((wall-0.09)/0.08) + square((m-prior.m)/0.08) + square((n-0.55)/0.17)) / 2
					var sw, swd float64
					for i := range lnUA {
						w := 1 / (lnU[i] * lnU[i])
						sw += w
						swd += w * (lnUA[i] - s.lnUA(r.flows[i], r.flows[i]))
					}
					s.lnConductance = swd / sw
					var chi2 float64
					for i := range lnUA {
						d := (lnUA[i] - s.lnUA(r.flows[i], r.flows[i])) / lnU[i]
						chi2 += d * d
					}
					s.weight = math.Exp(lnPrior - chi2/2)
					total += s.weight
					r.splits = append(r.splits, s)
				}
			}
		}
	}
	kept := r.splits[:0]
	for _, s := range r.splits {
		if s.weight /= total; s.weight > 1e-5 {
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

// lnUA returns ln of the conductance at the logarithms of both flows over the
// reference flow.
func (s *split) lnUA(lnWaste, lnMains float64) float64 {
	return s.lnConductance - math.Log(s.film*math.Exp(-s.m*lnWaste)+s.coil*math.Exp(-s.n*lnMains)+(1-s.film-s.coil))
}

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
	left := r.residAt(lw)
	var e, e2, ua float64
	for i := range r.splits {
		s := &r.splits[i]
		c := math.Exp(s.lnUA(lw, lm) + left)
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
	var ua float64
	for i := range r.splits {
		ua += r.splits[i].weight * math.Exp(r.splits[i].lnUA(lw, lm)) * left
	}
	return ua
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
