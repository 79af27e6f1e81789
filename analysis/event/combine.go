package event

import (
	"math"

	"greywatt"
	"greywatt/analysis/exchanger"
	"greywatt/analysis/uncert"
	"greywatt/analysis/water"
)

// Budgets are one event's uncertainty budgets. A budget without rows belongs to
// a figure that the event does not have.
type Budgets struct {
	Heat          uncert.Budget // J
	Effectiveness uncert.Budget
	Whole         uncert.Budget // of the whole event's effectiveness
	Ratio         uncert.Budget // of the effectiveness to the expected one
	UA            uncert.Budget // of the conductance to the rated unit's

	models *Models // of a traced event only
}

// Standard uncertainties of what the study file does not state. All are this
// project's choice; each is small beside the clamps' own.
const (
	shareU      = 0.12 // relative, of a clamp's stated loss fraction
	responseU   = 0.08 // relative, of a clamp's stated time constant
	LossShare   = 0.02 // of the drain's heat that goes to the room and into vapour instead of the mains
	lossShareU  = 0.015
	assumedCR   = 0.7 // mains over drain in B and C where nothing tells: the mixer's usual share
	assumedCRU  = 0.1
	HandDropK   = 4.0 // from shower head to drain; the trade's methods take 2.6 to 6 K
	handDropU   = 1.5
	storeTempU  = 3.0    // of the stated delivery temperature, K
	settleU     = 0.0007 // what a steady part is off the steady state by its slow drift
	densityHeat = 0.002  // relative, of treating both sides' capacity rates as proportional to flow
)

// wasteBasis says where an event's ratio of flows comes from.
type wasteBasis uint8

const (
	wasteEqual    wasteBasis = iota // connection A: the same water, as far as balance and meter agree
	wasteMeasured                   // waste-flow channel
	wasteBalanced                   // heat balance of both sides
	wasteMixed                      // the mixer's temperatures
	wasteAssumed                    // nothing to go by
)

// combined is the model behind an event's figures: its parts, their weights and
// what is expected of each.
type combined struct {
	parts  []Part
	weight []float64
	basis  wasteBasis
	ratio  []float64 // mass flow of the mains over that of the waste, at the estimates
	expect []expectation
	loss   greywatt.Ports[float64] // each clamp's share of the room
	lossBy []float64               // of each part, on the share of lost heat
	// of a metered waste side: the weight of the meters' ratio, the rest is the heat balance's
	meterShare float64
	equal      equality            // in connection A
	fromWaste  bool                // no preheat-out: the effectiveness is the waste side's
	strengths  exchanger.Strengths // of the expectations' law of temperature
	room       float64             // °C
}

// expectation is a part's expected effectiveness.
type expectation struct {
	exchanger.Expectation
	inlets exchanger.Inlets
	// Specific heat of the mains over that of the waste, and the part of it that the
	// figures leave out: in connection A both sides are equal with a probability, and
	// certificates then refer to the mains side, though its capacity rate is larger by
	// so much.
	heat, leftOut float64
}

// combine weighs the parts by the heat they moved and fills in the event's
// steady figures with their uncertainty.
func (w *window) combine(parts []Part, e *Event) {
	c := &combined{parts: parts}
	var heat float64
	for _, p := range parts {
		heat += math.Abs(p.heatJ)
		e.SteadyS += p.Span.Seconds()
		e.Steady = append(e.Steady, p.Span)
	}
	var port greywatt.Ports[float64]
	e.FlowLMin = 0
	for _, p := range parts {
		wt := p.Span.Seconds() / e.SteadyS
		if heat > 0 {
			wt = math.Abs(p.heatJ) / heat
		}
		c.weight = append(c.weight, wt)
		e.FlowLMin += wt * p.FlowLMin
		for ch, v := range p.PortC.All() {
			*port.Of(ch) += wt * v
		}
	}
	for ch := greywatt.WasteIn; ch.IsPort(); ch++ {
		*c.loss.Of(ch) = w.port.Of(ch).sensor.LossFraction
	}
	e.WasteInC, e.WasteOutC, e.ColdInC, e.PreheatOutC = port.WasteIn, port.WasteOut, port.ColdIn, port.PreheatOut
	c.fromWaste = w.fromWaste
	c.room = w.room[len(w.room)/2]
	e.RoomC = c.room
	e.HeatRatio = (port.WasteIn - port.WasteOut) / (port.PreheatOut - port.ColdIn)
	if e.SteadyS < GoodSteadyS {
		e.flag(FlagShortSteady)
	}
	if port.PreheatOut < port.ColdIn-0.3 {
		e.flag(FlagReversed)
	}
	for i := range parts {
		c.lossBy = append(c.lossBy, w.a.work.losses.factor(&parts[i], c.room))
	}
	w.flowRatio(c, e)
	// in litres as a meter at the waste inlet would count them
	litres := water.MassFlow(1, port.ColdIn) / water.MassFlow(1, port.WasteIn)
	e.WasteFlowLMin = 0
	var independent float64 // of the balance, l/min
	for i, p := range parts {
		waste := p.FlowLMin / c.ratio[i] * litres
		if c.basis == wasteEqual {
			independent += c.weight[i] * p.FlowLMin * litres
		}
		if p.MeteredWasteLMin > FlowingLMin {
			waste = p.MeteredWasteLMin
		}
		e.WasteFlowLMin += c.weight[i] * waste
	}
	if independent == 0 || parts[0].MeteredWasteLMin > FlowingLMin {
		independent = e.WasteFlowLMin
	}
	e.Balance = e.HeatRatio * heatOfMass(port) / litres * independent / e.FlowLMin
	w.unbalanced(c, e)
	c.expected(w.a.work.rating, e)
	e.Parts = parts
	w.figures(c, e)
}

// flowRatio settles the ratio of flows of each part.
func (w *window) flowRatio(c *combined, e *Event) {
	c.ratio = make([]float64, len(c.parts))
	measured, balanced := true, true
	for _, p := range c.parts {
		measured = measured && p.MeteredWasteLMin > FlowingLMin
		balanced = balanced && p.HeatRatio > 0.3 && p.HeatRatio < 1.1
	}
	agrees := measured && c.metersAgree()
	switch {
	case e.Connection == greywatt.ConnectionA:
		c.basis = wasteEqual
		c.equal = w.equalFlow(c, e)
		w.equal = c.equal
		if c.equal.unequal > flagUnequal {
			e.flag(FlagMainsExceeds)
		}
	case agrees, measured && !balanced:
		c.basis = wasteMeasured
		c.meterShare = 1
		if agrees {
			c.meterShare = w.meterShare(c)
		}
	case balanced:
		c.basis = wasteBalanced
		e.flag(FlagDrainInferred)
	default:
		c.basis = wasteMixed
		e.flag(FlagDrainMixed)
	}
	for i, p := range c.parts {
		litres := water.MassFlow(1, p.PortC.ColdIn) / water.MassFlow(1, p.PortC.WasteIn)
		switch c.basis {
		case wasteEqual:
			c.ratio[i] = math.Exp(c.equal.lnR)
		case wasteMeasured:
			c.ratio[i] = p.FlowLMin / p.MeteredWasteLMin * litres
			if c.meterShare < 1 {
				heat := p.HeatRatio * heatOfMass(p.PortC) * c.kept(i, 0)
				c.ratio[i] = math.Pow(c.ratio[i], c.meterShare) * math.Pow(heat, 1-c.meterShare)
			}
		case wasteBalanced:
			c.ratio[i] = min(1, p.HeatRatio*heatOfMass(p.PortC)*c.kept(i, 0))
		default:
			r := w.mixed(p)
			if !(r > 0.3 && r <= 1) {
				c.basis, r = wasteAssumed, assumedCR
			}
			c.ratio[i] = r
		}
	}
}

// meterShare is the weight of the metered ratio of flows against that of the
// heat balance, each by what it is unsure.
func (w *window) meterShare(c *combined) float64 {
	meters := math.Hypot(w.a.buf[greywatt.Flow].sensor.U95Relative, w.a.buf[greywatt.WasteFlow].sensor.U95Relative) / 2
	t := c.parts[0].PortC
	fall := math.Hypot(w.port.WasteIn.sensor.U95K, w.port.WasteOut.sensor.U95K) / 2 / math.Abs(t.WasteIn-t.WasteOut)
	rise := math.Hypot(w.port.ColdIn.sensor.U95K, w.port.PreheatOut.sensor.U95K) / 2 / math.Abs(t.PreheatOut-t.ColdIn)
	heat := math.Hypot(math.Hypot(fall, rise), lossShareU*c.lossBy[0])
	return heat * heat / (heat*heat + meters*meters)
}

// metersAgree reports whether the ratio of the metered flows is about that of
// the sides' temperatures. Where it is not, a meter is off scale or a clamp off
// its pipe, and the metered ratio is not used.
func (c *combined) metersAgree() bool {
	for _, p := range c.parts {
		if !(math.Abs(math.Log(p.FlowLMin/p.MeteredWasteLMin/p.HeatRatio)) < 0.12) {
			return false
		}
	}
	return true
}

// mixed returns the ratio of the mains side's flow to the drain's from the
// mixer's temperatures. In B the preheated cold side meets hot water from the
// store; in C the preheated water becomes the hot side and meets mains water.
func (w *window) mixed(p Part) float64 {
	hot := w.a.dwelling.Heater.HotC
	shower := p.PortC.WasteIn + HandDropK
	if w.a.dwelling.Connection == greywatt.ConnectionC {
		return (shower - p.PortC.ColdIn) / (hot - p.PortC.ColdIn)
	}
	return (hot - shower) / (hot - p.PortC.PreheatOut)
}

// unbalanced flags an event whose two sides do not agree about the heat.
func (w *window) unbalanced(c *combined, e *Event) {
	off := false
	switch c.basis {
	case wasteEqual, wasteMeasured:
		off = math.Abs(e.Balance-1) > balancedWithin
	default:
		off = e.HeatRatio < 0.3 || e.HeatRatio >= 1.1
	}
	if off {
		e.flag(FlagUnbalanced)
	}
}

// expected fills in what the rated unit does at each part's flows.
func (c *combined) expected(rating *exchanger.Rating, e *Event) {
	c.strengths = rating.Strengths()
	e.TemperatureFactor = 0
	for i, p := range c.parts {
		waste := p.FlowLMin / c.ratio[i]
		x := expectation{inlets: exchanger.Inlets{WasteInC: p.PortC.WasteIn, ColdInC: p.PortC.ColdIn}}
		x.Expectation = rating.At(exchanger.Flows{WasteLMin: waste, MainsLMin: p.FlowLMin}, x.inlets)
		e.TemperatureFactor += c.weight[i] * x.TemperatureFactor
		if c.basis == wasteEqual {
			x.heat = 1 / heatOfMass(p.ports())
			x.leftOut = math.Pow(x.heat, 1-c.equal.unequal)
		}
		c.expect = append(c.expect, x)
		if x.Extrapolated {
			e.flag(FlagExtrapolated)
		}
	}
}

// ports are the part's temperatures at the ports, with what equal heat makes of a
// missing waste-out.
func (p *Part) ports() greywatt.Ports[float64] {
	t := p.PortC
	if math.IsNaN(t.WasteOut) {
		t.WasteOut = t.WasteIn - (t.PreheatOut - t.ColdIn)
	}
	return t
}

// kept returns the share of part i's waste heat that the mains takes, where the share
// lost at rating conditions is off by the given error.
func (c *combined) kept(i int, err float64) float64 { return 1 - (LossShare+err)*c.lossBy[i] }

// outcome is what the model gives for one set of inputs.
type outcome struct{ effectiveness, expected, ua float64 }

// at evaluates the model with the inputs x, all of them deviations from the
// estimates.
func (c *combined) at(x []float64) outcome {
	var o outcome
	for i := range c.parts {
		p := &c.parts[i]
		var t greywatt.Ports[float64]
		for ch, reading := range p.PortC.All() {
			f := c.loss.At(ch) / (1 - c.loss.At(ch))
			*t.Of(ch) = reading - x[rowOffset.of(ch)] - x[rowNoise.of(ch)] - f*x[rowRoom] + x[rowResponse.of(ch)]*p.lagK.At(ch) +
				x[rowShare.of(ch)]*f*(reading-c.room)
		}
		ex := &c.expect[i]
		loss := c.kept(i, x[rowLoss]) / c.kept(i, 0)
		if c.fromWaste {
			t.PreheatOut = t.ColdIn + (p.PortC.PreheatOut-p.PortC.ColdIn)*(t.WasteIn-t.WasteOut)/(p.PortC.WasteIn-p.PortC.WasteOut)*loss
		}
		plain := (p.PortC.PreheatOut - p.PortC.ColdIn) / (p.PortC.WasteIn - p.PortC.ColdIn)
		eff := p.Effectiveness + (t.PreheatOut-t.ColdIn)/(t.WasteIn-t.ColdIn) - plain + x[rowSettle]
		r := c.ratio[i]
		lnMains := x[rowFlow]
		lnWaste := lnMains
		balance := func() float64 {
			if b := (t.WasteIn - t.WasteOut) / (t.PreheatOut - t.ColdIn) / p.HeatRatio * loss; b > 0 {
				return math.Log(b)
			}
			return 0 // a part with next to no heat, whose fall or rise an error may turn around
		}
		switch c.basis {
		case wasteEqual:
			shift := x[rowEqual] + c.equal.perMeter*(lnMains-x[rowWaste])
			if c.equal.perHeat > 0 {
				shift += c.equal.perHeat * balance()
			}
			r *= math.Exp(shift)
			lnWaste = lnMains - shift
			// on the waste side, which never carries more
			if !c.fromWaste {
				eff *= r * ex.heat
			}
			eff /= ex.leftOut
		case wasteMeasured:
			shift := c.meterShare * (lnMains - x[rowWaste])
			if c.meterShare < 1 {
				shift += (1 - c.meterShare) * balance()
			}
			r *= math.Exp(shift)
			lnWaste = lnMains - shift
		case wasteBalanced:
			shift := balance()
			r *= math.Exp(shift)
			lnWaste = lnMains - shift
		case wasteMixed, wasteAssumed:
			r += x[rowWaste]
			lnWaste = lnMains - math.Log(r/c.ratio[i])
		}
		leftOut := 1.0
		if c.basis == wasteEqual {
			leftOut = ex.leftOut
		} else if r > 1 {
			eff *= r
		}
		o.effectiveness += c.weight[i] * eff
		lnExpected := ex.PerMains*lnMains + ex.PerWaste*lnWaste +
			ex.LnEffectiveness.Film*x[rowFilmLaw] + ex.LnEffectiveness.Coil*x[rowCoilLaw]
		o.expected += c.weight[i] * ex.Effectiveness / leftOut * math.Exp(lnExpected) * (1 + x[rowRating])
		onSmaller := eff * leftOut
		if c.basis == wasteEqual && r <= 1 {
			onSmaller /= r * ex.heat // from the waste side to the mains
		}
		flows := exchanger.Flows{WasteLMin: p.FlowLMin / r, MainsLMin: p.FlowLMin}
		ua := exchanger.Conductance(onSmaller, flows, ex.inlets) * math.Exp(lnMains)
		lnUA := ex.UAPerMains*lnMains + ex.UAPerWaste*lnWaste + ex.LnUA.Film*x[rowFilmLaw] + ex.LnUA.Coil*x[rowCoilLaw]
		// an error of the expected effectiveness is one of the expected conductance,
		// 1/PerUA times as large
		o.ua += c.weight[i] * ua / (ex.UAWK * math.Exp(lnUA) * (1 + x[rowRating]/ex.PerUA))
	}
	return o
}

// figures propagates the inputs to the effectiveness, its ratio and the
// conductance.
func (w *window) figures(c *combined, e *Event) {
	inputs := make([]uncert.Input, numRows)
	for i := range inputs {
		inputs[i].Name = InputNames[i]
	}
	for ch := greywatt.WasteIn; ch.IsPort(); ch++ {
		if math.IsNaN(c.parts[0].PortC.At(ch)) || ch == greywatt.PreheatOut && c.fromWaste {
			continue // no clamp: nothing rests on it
		}
		sensor := w.port.Of(ch).sensor
		inputs[rowOffset.of(ch)].U = sensor.U95K / 2
		if sensor.ResponseS > 0 {
			inputs[rowResponse.of(ch)].U = responseU
		}
		if c.loss.At(ch) > 0 {
			inputs[rowShare.of(ch)].U = shareU
		}
		var v float64
		for i, p := range c.parts {
			v += math.Pow(c.weight[i]*p.noiseU.At(ch), 2)
		}
		inputs[rowNoise.of(ch)].U = math.Sqrt(v)
	}
	inputs[rowRoom].U = w.roomU
	inputs[rowFlow].U = w.a.buf[greywatt.Flow].sensor.U95Relative / 2
	inputs[rowLoss].U = lossShareU
	switch c.basis {
	case wasteEqual:
		inputs[rowEqual].U = c.equal.u
		if c.equal.perMeter > 0 {
			inputs[rowWaste].U = w.a.buf[greywatt.WasteFlow].sensor.U95Relative / 2
		}
	case wasteMeasured:
		inputs[rowWaste].U = w.a.buf[greywatt.WasteFlow].sensor.U95Relative / 2
	case wasteMixed:
		inputs[rowWaste].U = 0.12 * c.ratio[0]
	case wasteAssumed:
		inputs[rowWaste].U = assumedCRU
	}
	var settle, conv float64
	e.UARatingLnU = 0
	var law exchanger.Sensitivity
	for i, p := range c.parts {
		settle += math.Pow(c.weight[i]*p.transientU, 2)
		conv += c.weight[i] * c.expect[i].U / c.expect[i].Effectiveness
		e.UARatingLnU += c.weight[i] * c.expect[i].UALnU
		law.Film += c.weight[i] * c.expect[i].LnEffectiveness.Film
		law.Coil += c.weight[i] * c.expect[i].LnEffectiveness.Coil
	}
	inputs[rowSettle].U = math.Hypot(math.Sqrt(settle), settleU)
	inputs[rowRating].U = math.Hypot(conv, densityHeat)
	inputs[rowFilmLaw].U, inputs[rowCoilLaw].U = c.strengths.Film.U, c.strengths.Coil.U

	models := uncert.Together(inputs, 3, func(x, y []float64) {
		o := c.at(x)
		y[0], y[1], y[2] = o.effectiveness, o.effectiveness/o.expected, o.ua
	})
	e.Budgets.Effectiveness, e.Budgets.Ratio, e.Budgets.UA = propagate(models[0]), propagate(models[1]), propagate(models[2])
	if e.Budgets.models != nil {
		e.Budgets.models.Effectiveness, e.Budgets.models.Ratio = models[0], models[1]
	}
	zero := c.at(make([]float64, numRows))
	e.Effectiveness, e.EffectivenessU95 = zero.effectiveness, e.Budgets.Effectiveness.U95()
	e.Expected = zero.expected
	e.ExpectedU95 = 2 * zero.expected * math.Hypot(inputs[rowRating].U, law.U(c.strengths))
	e.Ratio, e.RatioU95 = e.Budgets.Ratio.Value, e.Budgets.Ratio.U95()
	e.UARatio, e.UARatioU95 = e.Budgets.UA.Value, e.Budgets.UA.U95()
	e.UARatioRandom = RandomU(e.Budgets.UA)
	e.EffectivenessOwnU95, e.RatioOwnU95 = 2*OwnU(e.Budgets.Effectiveness), 2*OwnU(e.Budgets.Ratio)
	if !(e.Effectiveness > -0.02 && e.Effectiveness < 0.97) {
		e.flag(FlagNotPlausible)
	}
}

// heatModel is the model of the heat that the mains water gained, from what its
// readings add up to.
func (w *window) heatModel(s *sums) uncert.Model {
	joules, perKelvin := s.joules, s.perKelvin
	cold, pre := &w.port.ColdIn, &w.port.PreheatOut
	rise := joules / max(perKelvin, 1e-9)
	heatPerL := water.VolumetricHeat(15) / 1000 // J/(l K)
	roomShare := pre.sensor.LossFraction/(1-pre.sensor.LossFraction) - cold.sensor.LossFraction/(1-cold.sensor.LossFraction)
	inputs := []uncert.Input{
		{Name: rowFlow.name(), U: w.a.buf[greywatt.Flow].sensor.U95Relative / 2},
		{Name: rowOffset.name(greywatt.PreheatOut), U: pre.sensor.U95K / 2},
		{Name: rowOffset.name(greywatt.ColdIn), U: cold.sensor.U95K / 2},
		{Name: rowRoom.name(), U: w.roomU},
		{Name: rowShare.name(greywatt.PreheatOut), U: shareU},
		{Name: rowShare.name(greywatt.ColdIn), U: shareU},
		{Name: "response of both clamps", U: responseU},
		{Name: EndsOfFlow, U: s.edgeL},
	}
	gradient := []float64{joules, -perKelvin, perKelvin, -perKelvin * roomShare, perKelvin * s.above[1], -perKelvin * s.above[0], s.lagJ * heatPerL, heatPerL * rise}
	if s.hiddenJ > 0 {
		inputs = append(inputs, uncert.Input{Name: UnseenFlow, U: s.hiddenJ})
		gradient = append(gradient, 1)
	}
	if u := math.Hypot(s.roundK.PreheatOut, s.roundK.ColdIn); u > 0 {
		inputs = append(inputs, uncert.Input{Name: rowNoise.name(greywatt.PreheatOut), U: s.roundK.PreheatOut}, uncert.Input{Name: rowNoise.name(greywatt.ColdIn), U: s.roundK.ColdIn})
		gradient = append(gradient, -perKelvin, perKelvin)
	}
	return uncert.Model{
		Inputs: inputs,
		F: func(x []float64) float64 {
			rest := 0.0
			for i := 1; i < len(x); i++ {
				rest += gradient[i] * x[i]
			}
			return (joules + rest) * (1 + x[0])
		},
		Gradient: func([]float64) []float64 { return gradient },
	}
}

// propagate returns the model's budget, one of NaN where it has none.
func propagate(m uncert.Model) uncert.Budget {
	b, err := m.Propagate()
	if err != nil {
		return uncert.Budget{Value: math.NaN(), U: math.NaN()}
	}
	return b
}
