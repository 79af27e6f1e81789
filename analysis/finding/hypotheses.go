package finding

import (
	"math"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/exchanger"
	"greywatt/analysis/robust"
)

// A shower is what the findings need of one event with a steady part.
type shower struct {
	e         *event.Event
	t         [4]float64 // °C at the ports, as corrected
	room      float64    // °C
	loss      float64    // share of the waste side's heat that goes to the room
	flow      float64    // l/min, mains side
	wasteFlow float64    // l/min, waste side where measured, else NaN
	ratio     float64    // effectiveness over the expected
	lnUA      float64    // ln of UA ratio
	uRandom   float64    // standard uncertainty of lnUA, from event to event
	uAll      float64    // the same with all that stays
}

// logRatios are what one reading of a shower gives: the logarithm of the heat
// ratio (fall of the waste side over rise of the mains) and of the conductance ratio.
type logRatios struct{ heat, ua float64 }

// An assumption is a dwelling as one hypothesis has it: its connection may differ
// from the declared one.
type assumption struct {
	connection greywatt.Connection
	hotC       float64
	rating     *exchanger.Rating
}

// evaluate returns the ratios that temperatures t, °C, and the mains side's flow,
// l/min, give where the waste side loses the share loss of its heat; NaN where there is none. Without waste-out there is no heat ratio,
// and a conductance in A only.
func (a assumption) evaluate(t [4]float64, flow, loss float64) logRatios {
	fall, rise, span := t[0]-t[1], t[3]-t[2], t[0]-t[2]
	unread := a.connection == greywatt.ConnectionA && math.IsNaN(t[greywatt.WasteOut]) // equal flow stands for it
	if !((fall > 0.2 || unread) && rise > 0.2 && span > 2) {
		return logRatios{math.NaN(), math.NaN()}
	}
	v := logRatios{heat: math.Log(fall / rise)}
	r := 1.0
	if a.connection != greywatt.ConnectionA {
		r = math.Min(1, fall/rise*(1-loss))
		if r < 0.2 {
			return logRatios{v.heat, math.NaN()}
		}
	}
	flows, inlets := exchanger.Flows{WasteLMin: flow / r, MainsLMin: flow}, exchanger.Inlets{WasteInC: t[0], ColdInC: t[2]}
	v.ua = math.Log(exchanger.Conductance(rise/span, flows, inlets) / a.rating.UA(flows, inlets))
	return v
}

// ratioAt is the effectiveness over the expected that temperatures t, °C, and the mains
// side's flow, l/min, give; NaN where there is none.
func (a assumption) ratioAt(t [4]float64, flow, loss float64) float64 {
	if math.IsNaN(a.evaluate(t, flow, loss).ua) {
		return math.NaN()
	}
	r := 1.0
	if a.connection != greywatt.ConnectionA {
		r = min(1, (t[0]-t[1])/(t[3]-t[2])*(1-loss))
	}
	flows, inlets := exchanger.Flows{WasteLMin: flow / r, MainsLMin: flow}, exchanger.Inlets{WasteInC: t[0], ColdInC: t[2]}
	return (t[3] - t[2]) / (t[0] - t[2]) / a.rating.At(flows, inlets).Effectiveness
}

// balance is the logarithm of the heat ratio, the share loss of the waste side's
// heat left out, over what it should be: of 1 in A, of the mixer's ratio of flows in B and C. Where the mixer's temperatures
// give none it is NaN.
func (a assumption) balance(t [4]float64, loss float64) float64 {
	h := math.Log((t[0]-t[1])/(t[3]-t[2])) - loss
	if a.connection != greywatt.ConnectionA {
		h -= a.mixRatio(t)
	}
	return h
}

// HeatBalance returns the logarithm of an event's heat ratio, the fall of the waste side over the rise of the mains, relative to what the dwelling's connection
// lets expect: 0 in a sound installation, NaN where the temperatures give none.
func HeatBalance(dw *greywatt.Dwelling, e *event.Event) float64 {
	a := assumption{connection: dw.Connection, hotC: dw.Heater.HotC}
	return a.balance([4]float64{e.WasteInC, e.WasteOutC, e.ColdInC, e.PreheatOutC}, 0)
}

// mix is what balance takes off.
func (a assumption) mix(t [4]float64) float64 {
	if a.connection == greywatt.ConnectionA {
		return 0
	}
	return a.mixRatio(t)
}

// mixRatio is ln of mains over waste flow as the mixer's temperatures have it.
func (a assumption) mixRatio(t [4]float64) float64 {
	head := t[0] + event.HandDropK
	if a.connection == greywatt.ConnectionC {
		return math.Log((head - t[2]) / (a.hotC - t[2]))
	}
	return math.Log((a.hotC - head) / (a.hotC - t[3]))
}

// levels are a stretch of showers reduced to medians, with the standard
// uncertainty of what all of them share.
type levels struct {
	n         int
	heat      float64 // ln heat ratio
	ua        float64 // ln UA ratio
	uHeat     float64
	uUA       float64
	mix       float64 // ln of the expected ratio by mixing, for the connection asked
	loss      float64 // share of the waste side's heat that goes to the room
	parallel  float64 // median of ln(measured effectiveness / that in parallel flow)
	parRMS    float64 // scatter of that about its median
	wasteFlow float64 // ln of the waste flow, l/min
	heatRMS   float64 // scatter of the balance about its median: a connection that explains it leaves little
	uaRMS     float64 // scatter of ln UA about its median
	perUA     float64 // d ln effectiveness / d ln UA of the counterflow unit that shows what was measured
}

// summarise reduces showers seen through change (nil: as they are) under the assumption.
func (a assumption) summarise(ss []shower, change func(*shower) [4]float64) levels {
	var heat, ua, mix, par, waste, bal, uH, uU, loss, perUA []float64
	step := max(1, len(ss)/60) // sixty showers tell a median as well as six hundred
	for i := 0; i < len(ss); i += step {
		s := &ss[i]
		t := s.t
		if change != nil {
			t = change(s)
		}
		v := a.evaluate(t, s.flow, s.loss)
		if math.IsNaN(v.ua) {
			continue
		}
		if !math.IsNaN(v.heat) {
			heat = append(heat, v.heat)
		}
		ua = append(ua, v.ua)
		if m := a.mixRatio(t); !math.IsNaN(m) {
			mix = append(mix, m)
		}
		if b := a.balance(t, s.loss); !math.IsNaN(b) {
			bal = append(bal, b)
		}
		r := 1.0
		if a.connection != greywatt.ConnectionA {
			r = min(1, math.Exp(v.heat)*(1-s.loss))
		}
		waste = append(waste, math.Log(s.flow/r))
		limit := a.rating.Parallel(exchanger.Flows{WasteLMin: s.flow / r, MainsLMin: s.flow}, exchanger.Inlets{WasteInC: t[0], ColdInC: t[2]})
		par = append(par, math.Log((t[3]-t[2])/(t[0]-t[2])/limit))
		uH, loss = append(uH, s.uHeat()), append(loss, s.loss)
		uU = append(uU, s.uAll)
		perUA = append(perUA, responseOf((t[3]-t[2])/(t[0]-t[2]), r))
	}
	l := levels{n: len(ua), heat: robust.Median(heat), ua: robust.Median(ua), uHeat: robust.Median(uH), uUA: robust.Median(uU), mix: robust.Median(mix), loss: robust.Median(loss), wasteFlow: robust.Median(waste)}
	l.parallel, l.parRMS = robust.MedianAndSpread(par)
	_, l.uaRMS = robust.MedianAndSpread(ua)
	_, l.heatRMS = robust.MedianAndSpread(bal)
	l.perUA = robust.Median(perUA)
	return l
}

// responseOf is d ln effectiveness / d ln UA of a counterflow unit that shows an effectiveness at
// a ratio of capacity rates.
func responseOf(effectiveness, r float64) float64 {
	const h = 0.01
	ntu := exchanger.CounterflowNTU(effectiveness, r)
	return math.Log(exchanger.Counterflow(ntu*(1+h), r)/exchanger.Counterflow(ntu*(1-h), r)) / math.Log((1+h)/(1-h))
}

// uHeat is the standard uncertainty of ln(heat ratio) from the clamps.
func (s *shower) uHeat() float64 {
	rise, fall := s.t[3]-s.t[2], s.t[0]-s.t[1]
	u := s.clampU()
	return math.Hypot(math.Hypot(u[0], u[1])/math.Abs(fall), math.Hypot(u[2], u[3])/math.Abs(rise))
}

// A shower's flow: 5 to 12 l/min, as field studies have it (common practice for
// a sanity band), in ln of l/min.
const (
	usualFlow   = 2.1
	usualSpread = 0.3
)

// flowGain is how much of an error of ln flow shows in ln UA: 1 less the
// exponent with which UA follows flow, about 0.45.
const flowGain = 0.55

// Spreads of sound installations, this project's choice.
const (
	unitSpread = 0.045 // of ln UA among units that do what their certificate says
	lossSpread = 0.02  // of ln heat ratio, by heat that goes to the room
	mixSpread  = 0.22  // of ln flow ratio about what the mixer's temperatures give
)

// normal is the density of a normal distribution.
func normal(x, mean, sigma float64) float64 {
	z := (x - mean) / sigma
	return math.Exp(-z*z/2) / (sigma * math.Sqrt(2*math.Pi))
}

// uniform is the density at x of a uniform distribution over a to b, blurred by
// sigma.
func uniform(x, a, b, sigma float64) float64 {
	return (math.Erf((x-a)/(sigma*math.Sqrt2)) - math.Erf((x-b)/(sigma*math.Sqrt2))) / (2 * (b - a))
}

// heatDensity is the density of the heat ratio of a sound dwelling: 1 and a
// little in A, what the mixer makes of it in B and C; and of its scatter. A
// bather who likes it warmer draws relatively less through the unit in B and
// more in C, and the same in A: under the right connection the balance hardly
// scatters.
func (a assumption) heatDensity(l levels) float64 {
	if math.IsNaN(l.heat) {
		return 1 // not measured: it tells nothing
	}
	return a.heatLevelDensity(l) * math.Pow(l.heatRMS+scatterFloor, -float64(min(l.n, scatterMost))/4)
}

// The scatter of the balance, and of ln UA, below which no account is told from
// another, and how many showers count as independent.
const (
	scatterFloor   = 0.008
	scatterFloorUA = 0.006
	scatterMost    = 16
)

// scatterLikelihood is the density of the scatter of ln UA: of a unit to which nothing
// happens it is the same on warm days and cold, at every flow, once the showers
// are read as they should be; a wrong reading makes it follow them. Between
// connections it says nothing: they differ in how noise goes in.
func scatterLikelihood(l levels) float64 {
	return math.Pow(l.uaRMS+scatterFloorUA, -float64(min(l.n, scatterMost))/4)
}

// unsteady is how likely it is that an account leaves a scatter of rms, in ln UA, beside that of a counterflow
// unit. Less says nothing for it: units have laws of flow and temperature of their own.
func (l *levels) unsteady(rms float64) float64 {
	return math.Exp(-float64(l.n) / 4 * max(0, math.Log((rms*rms+1e-5)/(l.uaRMS*l.uaRMS+1e-5))))
}

func (a assumption) heatLevelDensity(l levels) float64 {
	spread := lossSpread * max(1, l.loss/event.LossShare)
	if a.connection == greywatt.ConnectionA {
		return normal(l.heat, l.loss, math.Hypot(l.uHeat, spread))
	}
	if math.IsNaN(l.mix) {
		return uniform(l.heat, math.Log(0.35), math.Log(0.95), l.uHeat)
	}
	// the mains side carries a part of the shower's water, never more
	possible := 0.5 * math.Erfc((l.heat-2*l.loss)/(math.Sqrt2*math.Hypot(l.uHeat, spread)))
	return possible * normal(l.heat, l.mix+l.loss, math.Hypot(l.uHeat, mixSpread))
}

// A hypothesis is one account of a stretch of showers, with its weight: prior
// times likelihood.
type hypothesis struct {
	code   Code
	weight float64
	sensor greywatt.Channel    // of sensor-loose
	share  float64             // of sensor-loose: how much of the pipe it still shows
	across greywatt.Channel    // of undecided: of the mains side, in the place of sensor of the waste side; 0: no such
	ua     float64             // of the same: ln UA ratio, read so
	round  float64             // of no-recovery: share of the mains water that goes through the unit, the rest round it
	rms    float64             // of the same: scatter of ln effectiveness, read so
	past   float64             // of undecided: share of the mains water that goes through unit and meter; 0: no such
	as     greywatt.Connection // of connection-differs
}

// Priors: how often each is met, this project's choice. Sound units are the
// rule.
const (
	priorHealthy    = 0.70
	priorLow        = 0.08
	priorParallel   = 0.05
	priorFlow       = 0.04
	priorBoth       = 0.001 // both meters of two, by one factor
	priorConnection = 0.05
	priorLoose      = 0.07
	priorSwap       = 0.05  // of one side's clamps
	priorAcross     = 0.01  // of one of either side
	priorUnequal    = 0.03  // the sides of A do not carry the same flow, or nothing listed fits
	priorPast       = 0.015 // mains water goes past unit and meter alike, in all showers
	priorPastA      = 0.003 // the same in A, where another connection makes the same flows more often
	priorUnlisted   = 0.003 // nothing listed is so, in any connection
	priorRound      = 0.02  // a bypass stands open, or a valve across the unit is turned, in all showers
	barely          = 0.08  // of weak units: those below half of their certificate
	hardly          = 0.02  // and those below 0.3 of it: so little is rather a bypass
)

// An open bypass and the unit share the water by the roots of their resistances to flow: a coil
// of many metres, some tens of kPa, against a valve and two elbows, about one. So much of it goes through the unit, with a
// standard deviation of ln as below: this project's choice, of usual pressure losses.
const (
	throughUnit       = 0.15
	throughUnitSpread = 0.8
)

// weighStatic weighs the hypotheses about a stretch of showers over which nothing
// changes. others is how many draws without warm waste passed the unit, days
// the time they had.
//
// The arguments. In a sound unit the waste side's heat is the mains' heat, and UA is
// the certificate's. A weak unit keeps the first and loses the second. Parallel
// flow does so too, in a way that its flow and rating fix: effectiveness
// (1 - exp(-NTU (1 + Cr)))/(1 + Cr) with the rated NTU. A meter off scale
// leaves temperatures alone and moves only what is expected of them, by the
// power of flow that UA follows. A loose clamp shows a mix of pipe and room: the
// account that holds is the one that brings both figures back at once when that
// mix is undone. A different connection shows in the heat ratio, which is the
// ratio of flows.
func (d *diagnoser) weighStatic(ss []shower, others int, days float64) []hypothesis {
	here := d.assumption
	l := here.summarise(ss, nil)
	var hs []hypothesis
	add := func(h hypothesis) {
		if !math.IsNaN(h.weight) {
			hs = append(hs, h)
		}
	}
	if l.n > 0 {
		sHeat := here.heatDensity(l) * scatterLikelihood(l)
		sound := math.Hypot(l.uUA, unitSpread)
		passing := othersDensity(here.connection, others, days)
		add(hypothesis{code: Healthy, weight: priorHealthy * passing * sHeat * normal(l.ua, 0, sound)})
		add(hypothesis{code: LowFromStart, weight: priorLow * passing * sHeat *
			((1-barely-hardly)*uniform(l.ua, math.Log(0.5), math.Log(0.90), l.uUA) + barely*uniform(l.ua, math.Log(0.3), math.Log(0.5), l.uUA) +
				hardly*uniform(l.ua, math.Log(0.05), math.Log(0.3), l.uUA))})
		// the same density in terms of ln UA: in parallel flow effectiveness moves
		// little with UA, so a spread there is a wider one here
		add(hypothesis{code: ParallelFlow, weight: priorParallel * passing * sHeat * l.unsteady(l.parRMS) * normal(l.parallel, 0, math.Hypot(l.uUA/2, 0.02)) * 0.5})
		add(here.roundUnit(ss, l, priorRound*passing*sHeat))
		// a flow that is unusual for a shower as read and usual as corrected
		usual := normal(l.wasteFlow-l.ua/flowGain, usualFlow, usualSpread) / normal(l.wasteFlow, usualFlow, usualSpread)
		prior := priorFlow
		if d.metersAgree {
			prior = priorBoth
		}
		if here.connection == greywatt.ConnectionA {
			// the sides carry unequal flows: another tap, a leak, or nothing that is listed
			level, scatter := uniform(l.heat, -0.2, 0.3, l.uHeat), l.heatRMS
			if math.IsNaN(l.heat) {
				level, scatter = 1, 1-scatterFloor
			}
			add(hypothesis{code: Undecided, weight: priorUnequal * passing * math.Pow(scatter+scatterFloor, -float64(min(l.n, scatterMost))/4) * scatterLikelihood(l) *
				level * uniform(l.ua, math.Log(0.6), math.Log(1.3), l.uUA)})
		}
		add(hypothesis{code: FlowOffScale, weight: prior * passing * sHeat * usual * (uniform(l.ua, flowGain*math.Log(0.55), flowGain*math.Log(0.87), l.uUA) + uniform(l.ua, flowGain*math.Log(1.15), flowGain*math.Log(1.7), l.uUA)) / 2})
	}
	for _, other := range []greywatt.Connection{greywatt.ConnectionA, greywatt.ConnectionB, greywatt.ConnectionC} {
		if other == here.connection {
			continue
		}
		there := here
		there.connection = other
		lo := there.summarise(ss, nil)
		if lo.n == 0 {
			continue
		}
		w := priorConnection / 2 * othersDensity(other, others, days) * there.heatDensity(lo) * scatterLikelihood(l) * normal(lo.ua, 0, math.Hypot(lo.uUA, unitSpread))
		add(hypothesis{code: ConnectionDiffers, weight: w, as: other})
	}
	add(here.unlisted(ss, l))
	add(here.pastMeter(ss, l, othersDensity(here.connection, others, days)))
	passing := othersDensity(here.connection, others, days)
	for waste := greywatt.WasteIn; waste <= greywatt.WasteOut; waste++ {
		for mains := greywatt.ColdIn; mains <= greywatt.PreheatOut; mains++ {
			lo := here.summarise(ss, func(s *shower) [4]float64 {
				t := s.t
				t[waste], t[mains] = t[mains], t[waste]
				return t
			})
			if 2*lo.n > min(len(ss), 60) {
				add(hypothesis{code: Undecided, sensor: waste, across: mains, ua: lo.ua,
					weight: priorAcross / 4 * passing * here.heatDensity(lo) * scatterLikelihood(lo) * normal(lo.ua, 0, math.Hypot(lo.uUA, unitSpread))})
			}
		}
	}
	for p := range greywatt.NumPorts {
		if math.IsNaN(l.heat) {
			break // one clamp more would be a guess without the balance
		}
		for _, share := range []float64{0.25, 0.35, 0.45, 0.55, 0.65, 0.75, 0.85} {
			lo := here.summarise(ss, undoPartialContact(p, share))
			if lo.n == 0 {
				continue
			}
			w := priorLoose / 4 / 6 * passing * here.heatDensity(lo) * scatterLikelihood(lo) * normal(lo.ua, 0, math.Hypot(lo.uUA, unitSpread))
			add(hypothesis{code: SensorLoose, weight: w, sensor: greywatt.Channel(p), share: share})
		}
		target := func(t [4]float64, loss float64) float64 { return loss + here.mix(t) }
		if o := here.assumeDetached(ss, p, target); o.n > 0 {
			w := priorLoose / 4 / 6 * passing * o.density() * math.Pow(o.heatRMS+scatterFloor, -float64(min(o.n, scatterMost))/4) *
				scatterLikelihood(o.levels) * normal(o.ua, 0, math.Hypot(o.uUA, unitSpread))
			add(hypothesis{code: SensorLoose, weight: w, sensor: greywatt.Channel(p)})
		}
	}
	return hs
}

// What is so broad that it loses against any account that fits, and wins where none
// does: ln of heat ratio and of UA ratio anywhere in these. This project's choice.
var (
	anyHeat = [2]float64{math.Log(0.05), math.Log(3)}
	anyUA   = [2]float64{math.Log(0.05), math.Log(5)}
)

// unreadSpread stands for the scatter of showers that cannot be read as they are.
const unreadSpread = 0.05

// broadUA is the density of ln UA, and of its scatter, where nothing is known of either, in n showers.
func (l *levels) broadUA(n int) float64 {
	if l.n == 0 || math.IsNaN(l.ua) {
		return math.Pow(unreadSpread, -float64(min(n, scatterMost))/4) / (anyUA[1] - anyUA[0])
	}
	return scatterLikelihood(*l) * uniform(l.ua, anyUA[0], anyUA[1], l.uUA)
}

// unlisted is that none of the accounts is so.
func (a assumption) unlisted(ss []shower, l levels) hypothesis {
	heat, spread, n := a.heatOf(ss)
	if n == 0 {
		return hypothesis{code: Undecided, weight: math.NaN()}
	}
	density := math.Pow(max(spread, unreadSpread), -float64(min(n, scatterMost))/4)
	if l.n > 0 {
		density = math.Pow(l.heatRMS+scatterFloor, -float64(min(l.n, scatterMost))/4)
	}
	return hypothesis{code: Undecided, weight: priorUnlisted * density * uniform(heat, anyHeat[0], anyHeat[1], mixSpread) * l.broadUA(n)}
}

// roundUnit is that only a share of the mains water goes through the unit, in all showers, and the rest round
// it, behind the meter and between the clamps of the mains side. What passes so slowly leaves almost
// as warm as the waste enters, at any flow, and what goes round cools it: effectiveness is the share, times that of the
// unit at so little water, and follows flow and temperature less than a weak unit's. weight is prior times the density of
// balance and scatter.
func (a assumption) roundUnit(ss []shower, l levels, weight float64) hypothesis {
	none := hypothesis{code: NoRecovery, weight: math.NaN()}
	if !(l.ua < math.Log(leastRound)) {
		return none
	}
	share, rms, inside := math.Exp(l.ua), math.NaN(), math.NaN()
	const rounds = 8 // each at least halves what is left
	for range rounds {
		var off, within []float64
		step := max(1, len(ss)/60)
		for i := 0; i < len(ss); i += step {
			s := &ss[i]
			v := a.evaluate(s.t, s.flow, s.loss)
			if math.IsNaN(v.ua) {
				continue
			}
			r := 1.0
			if a.connection != greywatt.ConnectionA {
				r = min(1, math.Exp(v.heat)*(1-s.loss))
			}
			f, in := exchanger.Flows{WasteLMin: s.flow / r, MainsLMin: share * s.flow}, exchanger.Inlets{WasteInC: s.t[0], ColdInC: s.t[2]}
			e := exchanger.Effectiveness(a.rating.UA(f, in), f, in)
			off, within = append(off, math.Log((s.t[3]-s.t[2])/(s.t[0]-s.t[2])/(share*e))), append(within, e)
		}
		by := 0.0
		by, rms = robust.MedianAndSpread(off)
		inside = robust.Median(within)
		if share *= math.Exp(by); !(share < 1) {
			return none
		}
		if math.Abs(by) < 0.002 {
			break
		}
	}
	// the unit's own spread, and the certificate's at so little water, count little where it heats all there is
	u := math.Hypot(l.uUA*l.perUA, (1-inside)*(unitSpread+0.1*math.Abs(math.Log(share))))
	return hypothesis{code: NoRecovery, round: share, rms: rms,
		weight: weight * l.unsteady(rms/l.perUA) * l.perUA * normal(math.Log(share), math.Log(throughUnit), math.Hypot(throughUnitSpread, u))}
}

// leastRound is the UA ratio from which on so much water goes through the unit that it is not looked for: this project's choice.
const leastRound = 0.7

// pastMeter is that mains water goes past unit and meter alike, in all showers: the heat ratio, which is that of
// the flows, is a share of what the connection lets expect.
func (a assumption) pastMeter(ss []shower, l levels, passing float64) hypothesis {
	heat, spread, n := a.heatOf(ss)
	if n == 0 {
		return hypothesis{code: Undecided, weight: math.NaN()}
	}
	u, prior := mixSpread, priorPast
	if a.connection == greywatt.ConnectionA {
		u, prior = lossSpread, priorPastA
		read := a
		read.connection = greywatt.ConnectionC // unequal flows, whatever the preheat feeds
		l = read.summarise(ss, nil)
	}
	ua := l.broadUA(n)
	if l.n > 0 && !math.IsNaN(l.ua) {
		// what passes is heated as the certificate has it at so little of it, which lies far outside its flows
		ua = scatterLikelihood(l) * normal(l.ua, 0, math.Hypot(l.uUA, unitSpread+0.1*math.Abs(heat)))
	}
	return hypothesis{code: Undecided, past: math.Exp(heat),
		weight: prior * passing * math.Pow(spread+scatterFloor, -float64(min(n, scatterMost))/4) * uniform(heat, math.Log(0.05), math.Log(0.8), u) * ua}
}

// heatOf is the median, with the scatter, of ln of the heat ratio over what the connection lets
// expect, of the showers in which both sides change at all.
func (a assumption) heatOf(ss []shower) (heat, spread float64, n int) {
	var of []float64
	for i := range ss {
		s := &ss[i]
		if b := a.balance(s.t, s.loss); !math.IsNaN(b) && !math.IsInf(b, 0) && s.t[0]-s.t[1] > 0.2 && s.t[3]-s.t[2] > 0.2 {
			of = append(of, b)
		}
	}
	heat, spread = robust.MedianAndSpread(of)
	return heat, spread, len(of)
}

// undoPartialContact undoes a loose clamp: port p shows only share of what its pipe is
// above the room.
func undoPartialContact(p int, share float64) func(*shower) [4]float64 {
	return func(s *shower) [4]float64 {
		t := s.t
		t[p] = s.room + (t[p]-s.room)/share
		return t
	}
}

// othersDensity is how well a count of short draws without warm waste goes with a
// connection: in B no other tap draws through the unit, but one household in ten fills
// buckets and rinses the tray at the shower's mixer, about once a day. The share and
// the rates are this project's choice.
func othersDensity(c greywatt.Connection, others int, days float64) float64 {
	if days < 3 {
		return 1
	}
	rate := float64(others) / days
	if c == greywatt.ConnectionB {
		return 0.9*math.Exp(-rate/0.1) + 0.1*math.Exp(-rate) // a stray count every ten days
	}
	// a household draws at other taps a few times a day; few or none is unusual
	return 1 - 0.9*math.Exp(-rate/0.3)
}
