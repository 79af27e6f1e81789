package exchanger

import "math"

// fits are published fits to tested units at unequal flow, on the smaller stream:
// effectiveness at equal flow of the smaller flow, times a factor.
//
//   - Rule. 1 + 0.3452 ln(larger flow/smaller flow), R. Manouchehri, University of
//     Waterloo 2015, equation 5.7, second hand: as two open building simulations
//     carry it.
//   - Polynomial. Sixteen terms of both flows, of the report "Residential Drain
//     Water Heat Recovery" for a building code's cycle of 2019, as it stands unused
//     in an open building simulation (CSE): read there, the report was not. Held
//     within 5.5 to 14 l/min and at a ratio of flows of 2.
//
// Both were fitted to tested units. They differ by up to 3 % of effectiveness at a
// ratio of 0.6 and by more below, where they no longer support one another; there,
// and below the flows of ratings, their weight comes down.
const (
	ruleWeight       = 0.08 // of the rule among all laws of flow
	polynomialWeight = 0.03
	fitsAgree        = 0.6 // smaller flow over larger down to which they have their weight
	fitsEnd          = 0.4 // where it has come down to nothing

	ruleSlope    = 0.3452
	ruleMaxRatio = 3    // beyond, an older version of the open program holds it too
	fitsMostE    = 0.95 // no fit goes beyond
	litresPerGal = 3.785411784
	polyMaxRatio = 2

	// Rating tests run from 5.5 to 14 l/min (scope of CSA B55.1-12).
	leastTestedLMin = 5.5
	mostTestedLMin  = 14
	fadeLMin        = 1 // below, the fits' weight comes down to nothing within this

	// Standard uncertainty of ln UA for each e-fold of flow below those tests: no
	// law here has a film that no longer wets its whole pipe, or a coil that turns
	// laminar.
	lowFlowU = 0.08
)

// polynomialTerms are coefficients of p^i d^j, i in the row, p mains and d waste
// in US gal/min; polynomialTerms[j][i].
var polynomialTerms = [4][4]float64{
	{1.50240798, -1.54775844, 0.771878873, -0.121373939},
	{1.01401103, -0.198860634, -0.129877294, 0.0356076077},
	{-0.221066737, 0.0921985918, 0.00106956686, -0.00351465197},
	{0.0138862333, -0.00682229011, 5.86661087e-4, 1.09840430e-4},
}

func polynomial(mains, waste float64) float64 {
	var sum float64
	dj := 1.0
	for _, row := range polynomialTerms {
		sum += dj * (row[0] + mains*(row[1]+mains*(row[2]+mains*row[3])))
		dj *= waste
	}
	return sum
}

// fitFactors returns what the rule and the polynomial multiply the effectiveness
// at equal flow with; flows in l/min.
func fitFactors(least, most float64) (rule, poly float64) {
	rule = 1 + ruleSlope*math.Log(min(most/least, ruleMaxRatio))
	p := min(max(least, leastTestedLMin), mostTestedLMin)
	d := min(p*min(most/least, polyMaxRatio), mostTestedLMin)
	poly = polynomial(p/litresPerGal, d/litresPerGal) / polynomial(p/litresPerGal, p/litresPerGal)
	if rest := most / least / (d / p); rest > 1 {
		// beyond the polynomial's range the rule takes over where it ends
		poly *= rule / (1 + ruleSlope*math.Log(min(d/p, ruleMaxRatio)))
	}
	return rule, poly
}

// fitWeights returns the weights of the rule and of the polynomial at given flows.
func fitWeights(f Flows) (rule, poly float64) {
	ratio := min(f.WasteLMin, f.MainsLMin) / max(f.WasteLMin, f.MainsLMin)
	part := clamped((ratio - fitsEnd) / (fitsAgree - fitsEnd))
	inRange := clamped(1 - (leastTestedLMin-min(f.WasteLMin, f.MainsLMin))/fadeLMin)
	return part * inRange * ruleWeight, part * inRange * polynomialWeight
}

func clamped(x float64) float64 { return min(max(x, 0), 1) }

// equalCurve is ln UA at equal flow and the test's mean temperatures, at steps of
// ln(flow/reference).
type equalCurve [curveNodes]float64

const (
	curveStep  = 0.05
	curveReach = 30 // nodes either way: from 0.22 to 4.5 times the reference flow
	curveNodes = 2*curveReach + 1
)

func (r *Rating) equalCurve() (c equalCurve) {
	for i := range c {
		ln := float64(i-curveReach) * curveStep
		var p powers
		r.powers(&p, conditions{lnWaste: ln, lnMains: ln})
		resid, _ := r.residAt(ln)
		c[i] = math.Log(r.mean(&p).ua) + resid
	}
	return c
}

// at interpolates, and goes on straight beyond its ends.
func (c *equalCurve) at(ln float64) float64 {
	x := ln/curveStep + curveReach
	i := min(max(int(x), 0), curveNodes-2)
	return c[i] + (x-float64(i))*(c[i+1]-c[i])
}

// fitted returns ln UA of the rule and of the polynomial at the test's inlets and
// the given flows; even is [Rating.even] of the smaller.
func (r *Rating) fitted(f Flows, even float64) (rule, poly float64) {
	s := streamsAt(f, r.inlets, 0.5)
	fr, fp := fitFactors(min(f.WasteLMin, f.MainsLMin), max(f.WasteLMin, f.MainsLMin))
	return math.Log(s.conductance(min(even*fr, fitsMostE))), math.Log(s.conductance(min(even*fp, fitsMostE)))
}

// even returns the effectiveness at the test's inlets and equal flows, l/min.
func (r *Rating) even(lMin float64) float64 {
	s := streamsAt(Flows{lMin, lMin}, r.inlets, 0.5)
	return s.effectiveness(math.Exp(r.equal.at(math.Log(lMin) - r.lnRef)))
}
