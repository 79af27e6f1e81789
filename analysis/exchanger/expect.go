package exchanger

import "math"

// An Expectation is what the rated unit does at a pair of flows and inlets.
type Expectation struct {
	Effectiveness float64 // on the side of the smaller flow; on the mains side where equal
	U             float64 // standard uncertainty of the conversion from the points to these flows
	UAWK          float64 // conductance, W/K
	UALnU         float64 // standard uncertainty of ln UA, of the same conversion

	// Derivatives of ln Effectiveness and ln UA to the logarithms of the flows.
	PerWaste, PerMains     float64
	UAPerWaste, UAPerMains float64
	PerUA                  float64 // d ln Effectiveness / d ln UA, 0 to 1

	// TemperatureFactor is Effectiveness over what is expected at these flows and
	// the certificate's inlets.
	TemperatureFactor float64
	// Of the strengths of the temperature law: derivatives of ln Effectiveness and
	// of ln UA. Their uncertainties are [Rating.Strengths]; U does not hold them.
	LnEffectiveness, LnUA Sensitivity

	Extrapolated bool // either flow lies outside the rated points by more than a tenth
}

// A Sensitivity is a derivative to the strength of either side, dimensionless.
type Sensitivity struct{ Film, Coil float64 }

// U returns the standard uncertainty that the strengths' uncertainties make.
func (s Sensitivity) U(strengths Strengths) float64 {
	return math.Hypot(s.Film*strengths.Film.U, s.Coil*strengths.Coil.U)
}

// At returns what to expect at the given flows and inlets. With a NaN among
// them every figure is NaN.
func (r *Rating) At(f Flows, in Inlets) Expectation {
	fits := r.fits(f)
	here := r.point(f, in, &fits)
	x := r.at(f, in, &here, &fits)
	x.TemperatureFactor = x.Effectiveness / x.Effectiveness // 1, or NaN
	if in != r.inlets {
		rated := r.point(f, r.inlets, &fits)
		x.TemperatureFactor = x.Effectiveness / rated.effectiveness()
	}
	least, most := min(f.WasteLMin, f.MainsLMin), max(f.WasteLMin, f.MainsLMin)
	x.Extrapolated = least < r.minFlow*0.9 || most > r.maxFlow*1.1
	return x
}

// UA returns the expected conductance in W/K at the given flows and inlets; as
// [Rating.At].
func (r *Rating) UA(f Flows, in Inlets) float64 {
	fits := r.fits(f)
	p := r.point(f, in, &fits)
	return math.Exp(p.lnUA)
}

// Parallel returns the effectiveness that the expected conductance would have
// where both streams run the same way, at the given flows and inlets.
func (r *Rating) Parallel(f Flows, in Inlets) float64 {
	fits := r.fits(f)
	p := r.point(f, in, &fits)
	s := streamsAt(f, in, p.effectiveness())
	cr, least := s.ratio()
	return Parallel(math.Exp(p.lnUA)/least, cr) * least / s.onOwn()
}

// warmth returns that of the streams over the test's mean temperatures.
func (r *Rating) warmth(s *streams) warmth {
	return warmth{
		film: r.strengths.Film.Centre * (filmTable.at(s.wasteMeanC) - r.film0),
		coil: r.strengths.Coil.Centre * (coilTable.at(s.coldMean) - r.coil0),
	}
}

// blend is what the splits make of the conductance at some conditions, weighted.
type blend struct {
	ua, spread     float64 // mean and relative standard deviation
	film, coil     float64 // shares of resistance: d ln UA / d ln conductance of either
	perWaste, perM float64 // d ln UA / d ln flow
	series         float64 // weight of resistances in series
}

// response returns what a warmth adds to ln UA, to first order.
func (b *blend) response(w warmth) float64 { return b.film*w.film + b.coil*w.coil }

func (r *Rating) mean(p *powers) blend {
	var b blend
	var square float64
	for i := range r.series {
		s := &r.series[i]
		m, n := s.m&7, s.n&7
		film, coil := s.film*p.film[m], s.coil*p.coil[n]
		per := 1 / (film + coil + s.wall)
		v := s.rated * per
		b.ua += v
		v *= per
		square += v * s.conductance
		film, coil = v*film, v*coil
		b.film += film
		b.coil += coil
		b.perWaste += film * seriesExponents.film[m]
		b.perM += coil * seriesExponents.coil[n]
	}
	b.series = b.ua
	var power float64
	for i := range r.power {
		s := &r.power[i]
		m, n := s.m&7, s.n&7
		by := p.waste[m] * p.mains[n]
		v := s.rated * by
		power += v
		square += v * by * s.conductance
		b.perWaste += v * powerExponents[m]
		b.perM += v * powerExponents[n]
	}
	b.ua += power
	b.film += power * r.shares.film
	b.coil += power * r.shares.coil
	b.spread = math.Sqrt(max(0, square-b.ua*b.ua)) / b.ua
	b.film /= b.ua
	b.coil /= b.ua
	b.perWaste /= b.ua
	b.perM /= b.ua
	b.series /= b.ua
	return b
}

// A point is the conductance at a pair of flows and inlets, and what it follows from.
type point struct {
	lnUA float64
	s    streams
	here warmth
	b    blend
	law  mixed
}

func (p *point) effectiveness() float64 { return p.s.effectiveness(math.Exp(p.lnUA)) }

// A fitPoint is what the published [fits] give at a pair of flows, whatever the inlets.
type fitPoint struct{ even, rule, poly, wRule, wPoly float64 }

func (r *Rating) fits(f Flows) (x fitPoint) {
	x.even = r.even(min(f.WasteLMin, f.MainsLMin))
	x.rule, x.poly = r.fitted(f, x.even)
	x.wRule, x.wPoly = fitWeights(f)
	return x
}

func (r *Rating) point(f Flows, in Inlets, fits *fitPoint) point {
	lw, lm := math.Log(f.WasteLMin)-r.lnRef, math.Log(f.MainsLMin)-r.lnRef

	// The mean temperatures need an effectiveness: a first one from equal flow,
	// then that of the splits, by which the conductance moves to first order.
	s := streamsAt(f, in, 0.5)
	e := s.effectiveness(math.Exp(r.equal.at((lw + lm) / 2)))
	s = streamsAt(f, in, e)
	bench := streamsAt(f, r.inlets, e)
	first, benchWarmth := r.warmth(&s), r.warmth(&bench)
	var p powers
	r.powers(&p, conditions{lw, lm, first, benchWarmth})
	b := r.mean(&p)
	law := r.mixed(lw, lm, fits, math.Log(b.ua)-b.response(first.minus(benchWarmth)))
	lnUA := math.Log(b.ua) + law.shift
	s = streamsAt(f, in, s.effectiveness(math.Exp(lnUA)))
	here := r.warmth(&s)
	lnUA += b.response(here.minus(first))
	return point{lnUA, s, here, b, law}
}

// at is At without what compares two inlets or needs the points' range.
func (r *Rating) at(f Flows, in Inlets, p *point, fits *fitPoint) Expectation {
	s, b, here := p.s, &p.b, p.here
	flow := r.flowLaws(f, &p.law, b, fits)
	x := Expectation{UAWK: math.Exp(p.lnUA)}
	x.Effectiveness = s.effectiveness(x.UAWK)
	filmPerK := b.film * r.strengths.Film.Centre * filmTable.slope(s.wasteMeanC)
	coilPerK := b.coil * r.strengths.Coil.Centre * coilTable.slope(s.coldMean)
	gain := x.slopes(&s, in, flow, filmPerK, coilPerK)
	x.PerUA = gain
	x.LnUA = Sensitivity{b.film * here.film / r.strengths.Film.Centre, b.coil * here.coil / r.strengths.Coil.Centre}
	x.LnEffectiveness = Sensitivity{gain * x.LnUA.Film, gain * x.LnUA.Coil}

	// The bench's inlets: either moves both means by a half at most.
	inlets := r.inletU * math.Hypot(filmPerK, coilPerK)
	x.UALnU = math.Hypot(flow.u, inlets)
	// what the points' own rounding leaves, averaged over as many as there are
	rounding := pointSpread / math.Sqrt(float64(len(r.flows)))
	x.U = math.Hypot(gain*x.Effectiveness*x.UALnU, rounding)
	return x
}

// slopes fills in the derivatives to the flows and returns
// d ln Effectiveness / d ln UA. More flow also moves the mean temperatures, as
// the effectiveness falls; filmPerK and coilPerK are the response of ln UA. Only
// resistances in series have that, the laws made of tests at unequal flow hold
// it already.
func (x *Expectation) slopes(s *streams, in Inlets, flow flowLaws, filmPerK, coilPerK float64) (gain float64) {
	gain, perRatio := s.slopes(x.UAWK)
	half := flow.series * x.Effectiveness * in.spanK() / 2
	coil, film := coilPerK*half*s.onOwn()/s.mains, -filmPerK*half*s.onOwn()/s.waste
	// own is the side that the effectiveness refers to, other the other one; each
	// with the direct response of ln UA to its flow and of that of the means.
	solve := func(direct, ofRates, ofMeans float64) (perUA, perE float64) {
		perUA = (direct + (coil+film)*ofRates + ofMeans) / (1 - (coil+film)*gain)
		return perUA, gain*perUA + ofRates
	}
	if s.onMains {
		x.UAPerMains, x.PerMains = solve(flow.perMains, perRatio-gain, film)
		x.UAPerWaste, x.PerWaste = solve(flow.perWaste, -perRatio, -film)
	} else {
		x.UAPerWaste, x.PerWaste = solve(flow.perWaste, perRatio-gain, coil)
		x.UAPerMains, x.PerMains = solve(flow.perMains, -perRatio, -coil)
	}
	return gain
}

// mixed is what the published fits, mixed with the splits, make of the splits' ln UA.
type mixed struct {
	shift          float64 // to be added to the splits' ln UA
	residW, residM float64 // what the splits leave of the points, at either flow,
	slopeW, slopeM float64 // and its derivatives
	fits           float64 // what the fits alone shift
	dRule, dPoly   float64 // by which either fit lies above splits and residue
	rule0, poly0   float64 // the splits' negative
	wRule, wPoly   float64 // weights
}

// mixed mixes the splits, of the given ln UA at the test's inlets, with the published
// fits; lw and lm are the logarithms of the flows over the reference flow.
func (r *Rating) mixed(lw, lm float64, fits *fitPoint, lnSplits float64) mixed {
	// What the splits leave of the points belongs to either flow, or both.
	var m mixed
	m.residW, m.slopeW = r.residAt(lw)
	m.residM, m.slopeM = r.residAt(lm)
	resid := (m.residW + m.residM) / 2
	m.dRule, m.dPoly = fits.rule-lnSplits-resid, fits.poly-lnSplits-resid
	m.rule0, m.poly0 = m.dRule-fits.rule, m.dPoly-fits.poly
	m.wRule, m.wPoly = fits.wRule, fits.wPoly
	m.fits = m.wRule*m.dRule + m.wPoly*m.dPoly
	m.shift = resid + m.fits
	return m
}

// flowLaws is what all laws of flow together make of the splits' ln UA, about it.
type flowLaws struct {
	u                  float64 // standard deviation of ln UA over all laws
	perWaste, perMains float64 // derivatives of ln UA
	series             float64 // weight of resistances in series
}

func (r *Rating) flowLaws(f Flows, m *mixed, b *blend, fits *fitPoint) flowLaws {
	wSplits := 1 - m.wRule - m.wPoly
	spread := wSplits*square(m.fits) + m.wRule*square(m.dRule-m.fits) + m.wPoly*square(m.dPoly-m.fits)
	out := flowLaws{
		u: math.Sqrt(wSplits*(square(b.spread)+square((m.residW-m.residM)/2)) + spread +
			square(lowFlowU*beyond(f))),
		series: wSplits * b.series,
	}
	// The weights' own change with the ratio of flows goes in with the fits'.
	const h = 0.01
	least := min(f.WasteLMin, f.MainsLMin)
	shift := func(at Flows) float64 {
		even := fits.even
		if l := min(at.WasteLMin, at.MainsLMin); l != least {
			even = r.even(l)
		}
		return r.fitShift(at, even, m.rule0, m.poly0)
	}
	slope := func(up, down Flows) float64 { return (shift(up) - shift(down)) / (2 * h) }
	step := math.Exp(h)
	out.perWaste = wSplits*(b.perWaste+m.slopeW/2) +
		slope(Flows{f.WasteLMin * step, f.MainsLMin}, Flows{f.WasteLMin / step, f.MainsLMin})
	out.perMains = wSplits*(b.perM+m.slopeM/2) +
		slope(Flows{f.WasteLMin, f.MainsLMin * step}, Flows{f.WasteLMin, f.MainsLMin / step})
	return out
}

// beyond returns by how many e-folds the smaller flow lies below those of any
// rating test.
func beyond(f Flows) float64 { return max(0, math.Log(leastTestedLMin/min(f.WasteLMin, f.MainsLMin))) }

// fitShift is what the fits add to the splits' ln UA at the flows f, where the
// splits are held; rule0 and poly0 are the splits' negative.
func (r *Rating) fitShift(f Flows, even, rule0, poly0 float64) float64 {
	rule, poly := r.fitted(f, even)
	wRule, wPoly := fitWeights(f)
	return wRule*(rule+rule0) + wPoly*(poly+poly0)
}
