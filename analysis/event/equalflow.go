package event

import (
	"math"

	"greywatt"
	"greywatt/analysis/water"
)

// In connection A all mains water of a shower comes back as waste, unless a leak or
// a second tap takes some of it. So equal flow is likely, not certain. All of this
// is this project's choice.
const (
	unequalPrior = 0.10 // probability that the mains side carries more
	unequalScale = 0.05 // mean of ln(mains/waste) then, exponentially distributed
	// Where a resting flow is seen, it most likely runs on during the shower; or it is
	// the shower's own drip, which comes back as waste.
	leakPrior    = 0.75
	leakCertain  = 3.0  // standard uncertainties from which a resting flow is one
	leakLeastMin = 0.02 // l/min

	// An estimate that is wrong altogether, as of a clamp off its pipe or a meter off
	// scale, tells nothing.
	wrongPrior = 0.01
	wrongScale = 0.10 // half-width at half height of its error in ln, by Cauchy
	// Nodes of the distribution of ln(mains/waste).
	unequalNodes = 72
	unequalStep  = 0.006
	// flagUnequal is the probability from which an event says that the sides are
	// unequal, unequalWorth the ln(mains/waste) from which it matters.
	flagUnequal  = 0.5
	unequalWorth = 0.01
)

// A logRatio is an estimate of ln R, R the mass flow of the mains over that of the
// waste, with its standard uncertainty. u is NaN or infinite where there is none.
type logRatio struct{ value, u float64 }

func (e logRatio) known() bool { return !math.IsNaN(e.value) && e.u > 0 && !math.IsInf(e.u, 0) }

// likelihood returns that of the estimate where ln R is x, and its derivative to the
// estimate.
func (e logRatio) likelihood(x float64) (l, slope float64) {
	d := e.value - x
	z := d / e.u
	sound := (1 - wrongPrior) / (e.u * math.Sqrt(2*math.Pi)) * math.Exp(-z*z/2)
	q := 1 + d*d/(wrongScale*wrongScale)
	wrong := wrongPrior / (math.Pi * wrongScale * q)
	return sound + wrong, -sound*z/e.u - wrong*2*d/(wrongScale*wrongScale*q)
}

// equality is what is known of R in connection A: the average over the hypotheses
// that both sides carry the same and that the mains side carries more.
type equality struct {
	lnR float64 // mean of ln R
	// Response of lnR to the heat balance's estimate and to the drain meter's, 0 to 1.
	perHeat, perMeter float64
	u                 float64 // standard uncertainty of lnR that neither of both carries
	sd                float64 // standard uncertainty of lnR
	unequal           float64 // probability that the mains side carries more
}

// weighEqual combines the prior with the heat balance, a drain meter and the leak
// seen at rest, each as far as known. The prior, likelihoods and their average are
// Bayes' theorem on nodes.
//
// The standard deviation of the outcome is divided between what the estimates'
// errors make of it, by its response to either, and the rest, u: so the
// propagation knows that an error of a clamp moves the effectiveness by the balance
// and by the temperatures at once.
func weighEqual(heat, meter, leak logRatio) equality {
	var weight, first, second, unequal, bySlopeH, bySlopeM, slopeH, slopeM float64
	add := func(x, prior float64) {
		l := prior
		var dh, dm float64
		if heat.known() {
			v, s := heat.likelihood(x)
			l *= v
			dh = s / v
		}
		if meter.known() {
			v, s := meter.likelihood(x)
			l *= v
			dm = s / v
		}
		weight += l
		first += l * x
		second += l * x * x
		if x > unequalWorth {
			unequal += l
		}
		slopeH += l * dh
		slopeM += l * dm
		bySlopeH += l * x * dh
		bySlopeM += l * x * dm
	}
	equal := 1 - unequalPrior
	if leak.known() && leak.value > leakCertain*leak.u {
		for _, z := range [...]float64{-1.5, -0.5, 0.5, 1.5} {
			// probabilities of a normal distribution, in four parts of one u each
			p := 0.1318
			if math.Abs(z) < 1 {
				p = 0.3682
			}
			add(leak.value+z*leak.u, equal*leakPrior*p)
		}
		equal *= 1 - leakPrior
	}
	add(0, equal)
	for i := range unequalNodes {
		x := (float64(i) + 0.5) * unequalStep
		add(x, unequalPrior*unequalStep/unequalScale*math.Exp(-x/unequalScale))
	}
	var e equality
	e.lnR = first / weight
	variance := max(0, second/weight-e.lnR*e.lnR)
	e.sd = math.Sqrt(variance)
	e.unequal = unequal / weight
	rest := variance
	carry := func(of logRatio, slope, bySlope float64) float64 {
		if !of.known() {
			return 0
		}
		// d mean / d estimate = cov(x, d ln likelihood / d estimate)
		per := min(1, max(0, bySlope/weight-e.lnR*slope/weight), math.Sqrt(rest)/of.u)
		rest = max(0, rest-per*per*of.u*of.u)
		return per
	}
	e.perHeat = carry(heat, slopeH, bySlopeH)
	e.perMeter = carry(meter, slopeM, bySlopeM)
	e.u = math.Sqrt(rest)
	return e
}

// equalFlow weighs what the event tells of both sides' flows in connection A.
func (w *window) equalFlow(c *combined, e *Event) equality {
	none := logRatio{math.NaN(), math.NaN()}
	heat, meter, leak := none, none, none
	var metered float64
	for i, p := range c.parts {
		metered += c.weight[i] * p.MeteredWasteLMin
	}
	t := e.ports()
	if !c.fromWaste && e.HeatRatio > 0 {
		var kept float64
		for i, v := range c.weight {
			kept += v * c.kept(i, 0)
		}
		heat = logRatio{math.Log(e.HeatRatio * heatOfMass(t) * kept), w.heatRatioU(c, t)}
	}
	if metered > FlowingLMin {
		density := water.MassFlow(1, t.ColdIn) / water.MassFlow(1, t.WasteIn)
		u := math.Hypot(w.a.buf[greywatt.Flow].sensor.U95Relative, w.a.buf[greywatt.WasteFlow].sensor.U95Relative) / 2
		meter = logRatio{math.Log(e.FlowLMin / metered * density), u}
	}
	if rest := e.RestFlowLMin; rest >= leakLeastMin && rest < e.FlowLMin/2 {
		leak = logRatio{-math.Log1p(-rest / e.FlowLMin), e.RestFlowULMin / (e.FlowLMin - rest)}
	}
	return weighEqual(heat, meter, leak)
}

// heatOfMass is the heat that a kilogram of waste water gives up a kelvin over what
// a kilogram of mains water takes, each over its own temperatures.
func heatOfMass(t greywatt.Ports[float64]) float64 {
	return water.MeanHeatCapacity(t.WasteIn, t.WasteOut) / water.MeanHeatCapacity(t.ColdIn, t.PreheatOut)
}

// heatRatioU returns the relative standard uncertainty of the heat balance as an
// estimate of the ratio of flows, at the ports' temperatures t: every input of the
// model by its derivative.
func (w *window) heatRatioU(c *combined, t greywatt.Ports[float64]) float64 {
	var lost float64
	for i, v := range c.weight {
		lost += v * lossShareU * c.lossBy[i]
	}
	variance := lost * lost
	fall, rise := t.WasteIn-t.WasteOut, t.PreheatOut-t.ColdIn
	var room float64
	signs := greywatt.Ports[float64]{WasteIn: 1 / fall, WasteOut: -1 / fall, ColdIn: 1 / rise, PreheatOut: -1 / rise}
	for ch, sign := range signs.All() {
		f := c.loss.At(ch) / (1 - c.loss.At(ch))
		sensor := w.port.Of(ch).sensor
		var lag, noise float64
		for i, p := range c.parts {
			lag += c.weight[i] * p.lagK.At(ch)
			noise += square(c.weight[i] * p.noiseU.At(ch))
		}
		u := square(sensor.U95K/2) + noise + square(shareU*f*(t.At(ch)-c.room))
		if sensor.ResponseS > 0 {
			u += square(responseU * lag)
		}
		variance += sign * sign * u
		room += sign * f * w.roomU
	}
	return math.Sqrt(variance + room*room)
}

func square(x float64) float64 { return x * x }
