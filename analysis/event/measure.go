package event

import (
	"math"
	"slices"

	"greywatt"
	"greywatt/analysis/draw"
	"greywatt/analysis/uncert"
	"greywatt/analysis/water"
)

// The flags.
const (
	FlagGap              Flag = "gap"               // no readings for part of it
	FlagCutLong          Flag = "cut-at-six-hours"  // ran on; figures are of the part before the cut
	FlagNoWasteIn        Flag = "no-waste-in"       // channel missing, or its clamp dead
	FlagNoWasteOut       Flag = "no-waste-out"      //
	FlagNoColdIn         Flag = "no-cold-in"        //
	FlagNoPreheatOut     Flag = "no-preheat-out"    //
	FlagNoSettledFlow    Flag = "no-settled-flow"   // too short or too restless for an effectiveness
	FlagShortSteady      Flag = "short-steady-part" // less than a minute of it: weaker
	FlagSmallSpan        Flag = "small-span"        // waste hardly warmer than the supply: no effectiveness
	FlagRoomAssumed      Flag = "room-assumed"      // no ambient sensor: clamps' loss corrected with the room as they show it at rest
	FlagOverlap          Flag = "other-draw-overlaps"
	FlagUnbalanced       Flag = "heat-unbalanced"          // drain heat and mains heat do not agree
	FlagMainsExceeds     Flag = "mains-exceeds-waste"      // a leak or another tap takes part of the mains water: both sides are not equal in A
	FlagFromWaste        Flag = "effectiveness-from-waste" // no preheat-out: the fall of the waste side, less its loss, stands for the rise
	FlagDrainInferred    Flag = "drain-flow-inferred"      // from the heat balance
	FlagDrainMixed       Flag = "drain-flow-from-mixing"   // from the mixer's temperatures: weak
	FlagExtrapolated     Flag = "outside-rated-flows"
	FlagNotPlausible     Flag = "not-plausible"     // the figure lies outside what physics allows: see the findings
	FlagReversed         Flag = "mains-cooled"      // the mains water came out colder than it went in
	FlagSlowSampling     Flag = "slow-sampling"     // readings of a temperature too far apart for a steady part
	FlagNoWarmWaste      Flag = "no-warm-waste"     // of other draws: nothing to recover from
	FlagDrawWithin       Flag = "other-draw-within" // water ran for another tap in a pause of the shower
	FlagStartHidden      Flag = "start-hidden"
	FlagWokenLate        Flag = "node-woke-late" // start, volume and heat are estimated back from the first reading
	FlagEndHidden        Flag = "end-hidden"
	FlagHeatIncomplete   Flag = "heat-incomplete"   // temperatures missing for part of the flow
	FlagSpikes           Flag = "spikes-left-out"   // readings that jumped away and back, near it
	FlagCoarseMeter      Flag = "coarse-flow-meter" // its readings jump, by pulses or noise: averages stand for them
	missingShare              = 0.05
	MinSpanK                  = 6.0 // waste above supply; below, a clamp's 0.2 K is over 3 %: this project's choice
	minSteadyS                = 20.0
	GoodSteadyS               = 60.0
	minStretchS               = 40.0
	maxBracketS               = 15.0
	slowBracketS              = 75.0 // a node that fell back to its pace at rest, where
	slowStepK                 = 0.4  // it missed no more than this between two readings
	secondsPerHour            = 3600.0
	JoulesPerKWh              = 3.6e6
	balancedWithin            = 0.12
	clearlyMoreThanDrain      = 0.12
)

// measure turns one draw into an event.
func (w *window) measure(d draw.Draw) Event {
	first, last := w.runs[d.First], w.runs[d.Last]
	a := w.a
	e := New()
	e.Dwelling, e.Connection = a.dwelling.ID, a.dwelling.Connection
	woken := w.wake(first)
	e.Start = w.origin.Add(w.t[first.First] - woken.s)
	e.End = w.origin.Add(w.t[last.Last])
	e.ID = eventID(e.Dwelling, e.Start)
	e.DurationS = e.End.Sub(e.Start)
	e.Kind = OtherDraw
	if d.Warm {
		e.Kind = Shower
	}
	w.gaps(d, &e)
	if woken.s > 0 {
		e.flag(FlagWokenLate)
	}
	e.RestFlowLMin, e.RestFlowULMin = w.restLMin, w.restULMin
	for i := d.First; d.Warm && i <= d.Last; i++ {
		if !w.warm[i] {
			e.flag(FlagDrawWithin)
		}
	}
	s := w.heat(d, woken, &e)
	if d.Warm {
		w.effectiveness(d, &e)
		w.whole(d, &s, &e)
	} else {
		e.flag(FlagNoWarmWaste)
	}
	if w.spikes {
		e.flag(FlagSpikes)
	}
	if w.meter.Jumps {
		e.flag(FlagCoarseMeter)
	}
	if a.lean {
		a.omitBudgets(&e)
	}
	return e
}

func New() Event {
	n := math.NaN()
	return Event{
		FlowLMin: n, WasteInC: n, WasteOutC: n, ColdInC: n, PreheatOutC: n,
		HeatOwnU95KWh: n, EffectivenessOwnU95: n, RatioOwnU95: n,
		VolumeU95L: n, HeatKWh: n, HeatU95KWh: n, EventEffectiveness: n, EventEffectivenessU95: n,
		RestFlowLMin: n, RestFlowULMin: n, Effectiveness: n, EffectivenessU95: n,
		Expected: n, ExpectedU95: n, Ratio: n, RatioU95: n,
		WasteFlowLMin: n, Balance: n, RoomC: n, HeatRatio: n, UARatio: n, UARatioU95: n, UARatioRandom: n, UARatingLnU: n, TemperatureFactor: n,
	}
}

func (e *Event) flag(f Flag) {
	for _, g := range e.Flags {
		if g == f {
			return
		}
	}
	e.Flags = append(e.Flags, f)
}

// Has reports whether the event carries flag f.
func (e *Event) Has(f Flag) bool {
	for _, g := range e.Flags {
		if g == f {
			return true
		}
	}
	return false
}

// gaps marks the event partial where silence hides its start, its end or what
// came between.
func (w *window) gaps(d draw.Draw, e *Event) {
	first, last := w.runs[d.First], w.runs[d.Last]
	if k := first.First; k == 0 || w.t[k]-w.t[k-1] > max(200, 3*w.a.pace.restS()) {
		e.flag(FlagStartHidden)
	}
	if k := last.Last; k+1 == len(w.t) || w.t[k+1]-w.t[k] > draw.GapS {
		if w.a.lastFlow.Sub(w.a.began) > sessionS-quietS {
			e.flag(FlagCutLong)
		}
		e.flag(FlagEndHidden)
	}
	for i := d.First; i < d.Last; i++ {
		if before, after := draw.Silences(w.t, w.runs[i], w.runs[i+1]); before+after > 0 {
			e.flag(FlagGap)
		}
	}
	if len(e.Flags) > 0 {
		e.Kind = Partial
	}
}

// sums are what a draw's readings add up to.
type sums struct {
	runningS, missingS float64 // with flow; of it, without temperatures
	hiddenS            float64 // of it, that no reading shows
	joules             float64 // gained by the mains
	perKelvin          float64 // J/K, what a kelvin more of rise would add
	lagJ               float64 // what an error of the clamps' time constants as large as themselves would add, per J/(l K)
	edgeL              float64 // standard uncertainty of the volume from the ends of flow, l
	hiddenL            float64 // of the volume, from what no reading shows, l
	hiddenJ            float64 // of the heat, from the same, J
	above              [2]float64
	roundK             greywatt.Ports[float64] // standard uncertainty that rounding leaves of each mean
	woken              wake
}

// heat sums flow, volume and the heat that the mains water gained over all runs
// of the draw, and what ran unseen between them and before the first.
func (w *window) heat(d draw.Draw, woken wake, e *Event) sums {
	s := sums{woken: woken}
	cold, pre := &w.port.ColdIn, &w.port.PreheatOut
	for i := d.First; i <= d.Last; i++ {
		r := w.runs[i]
		s.runningS += w.t[r.Last] - w.t[r.First]
		for k := r.First; k <= r.Last; k++ {
			dt := draw.Weight(w.t, r, k)
			q := max(0, w.flow[k]) / LMinPerLS
			e.VolumeL += q * dt
			h := water.HeatRate(q, cold.water[k], pre.water[k])
			if math.IsNaN(h) {
				s.missingS += dt
				continue
			}
			s.joules += h * dt
			c := q * dt * water.VolumetricHeat(cold.water[k]) / 1000
			s.perKelvin += c
			for i, ch := range []*channel{cold, pre} {
				f := ch.sensor.LossFraction
				s.above[i] += c * f / (1 - f) * (ch.water[k] - w.room[k])
			}
		}
		// what a wrong time constant leaves of a run's heat: its error times the
		// change of the surface reading over the run
		span := (pre.surface[r.Last] - pre.surface[r.First]) * pre.sensor.ResponseS
		span -= (cold.surface[r.Last] - cold.surface[r.First]) * cold.sensor.ResponseS
		if !math.IsNaN(span) {
			s.lagJ += span * max(0, w.flow[(r.First+r.Last)/2]) / LMinPerLS
		}
		if r.Last > r.First {
			k := r.Last
			s.edgeL = math.Hypot(s.edgeL, w.flow[k]/LMinPerLS*(w.t[k]-w.t[k-1])/math.Sqrt(6))
		}
		s.edgeL = math.Hypot(s.edgeL, w.meter.PulseL/math.Sqrt(6)) // begun before the run, or not ended with it
	}
	for c := greywatt.WasteIn; c.IsPort(); c++ {
		*s.roundK.Of(c) = w.port.Of(c).rounding(w.runs[d.First].First, w.runs[d.Last].Last)
	}
	w.hidden(d, &s, e)
	e.RunningS, e.HiddenS = s.runningS, s.hiddenS
	scaleU := w.a.buf[greywatt.Flow].sensor.U95Relative / 2
	e.VolumeU95L = 2 * math.Hypot(scaleU*e.VolumeL, math.Hypot(s.edgeL, s.hiddenL))
	w.missing(e)
	if s.missingS > missingShare*s.runningS {
		e.flag(FlagHeatIncomplete)
		if e.Kind == Shower && !e.Has(FlagNoColdIn) && !e.Has(FlagNoPreheatOut) {
			e.Kind = Partial // a clamp without any reading is no gap: the flag says it
		}
		if s.missingS > 0.5*s.runningS {
			return s
		}
	}
	e.HeatKWh = s.joules / JoulesPerKWh
	s.above[0] /= max(s.perKelvin, 1e-9)
	s.above[1] /= max(s.perKelvin, 1e-9)
	heat := w.heatModel(&s)
	e.Budgets.Heat = propagate(heat)
	if a := w.a; a.traceID != "" && a.traceID == e.ID {
		e.Budgets.models = &Models{Heat: heat}
	}
	e.HeatU95KWh = e.Budgets.Heat.U95() / JoulesPerKWh
	e.HeatOwnU95KWh = 2 * OwnU(e.Budgets.Heat) / JoulesPerKWh
	return s
}

// missing flags the channels without a single reading near the draw.
func (w *window) missing(e *Event) {
	flags := greywatt.Ports[Flag]{WasteIn: FlagNoWasteIn, WasteOut: FlagNoWasteOut, ColdIn: FlagNoColdIn, PreheatOut: FlagNoPreheatOut}
	for ch, f := range flags.All() {
		none := true
		for k, t := range w.t {
			if at := w.origin.Add(t); at >= e.Start && at <= e.End && !math.IsNaN(w.port.Of(ch).water[k]) {
				none = false
				break
			}
		}
		if none {
			e.flag(f)
		}
	}
	if w.roomIs {
		for ch := greywatt.WasteIn; ch.IsPort(); ch++ {
			if w.port.Of(ch).sensor.LossFraction > 0 {
				e.flag(FlagRoomAssumed)
			}
		}
	}
}

// A Part is one steady part of an event: flow has settled and the exchanger
// has followed it.
type Part struct {
	Span             Span
	FlowLMin         float64
	PortC            greywatt.Ports[float64] // °C, flow-weighted means
	Transient        float64                 // what of the effectiveness is still transient, taken off
	transientU       float64
	noiseU           greywatt.Ports[float64] // K, of the means, with rounding
	lagK             greywatt.Ports[float64] // K, change of the surface over the part times time constant over length
	heatJ            float64                 // moved in the part, the weight of combining
	MeteredWasteLMin float64                 // measured drain flow, NaN where not
	HeatRatio        float64                 // (waste-in - waste-out)/(preheat-out - cold-in): mains over drain capacity rate, losses aside
	Overlap          bool                    // another tap draws through the unit as well
	Effectiveness    float64                 // temperature ratio (preheat - cold)/(waste - cold), transient taken off
}

// effectiveness finds the steady parts and what they say.
func (w *window) effectiveness(d draw.Draw, e *Event) {
	if e.Connection == greywatt.ConnectionA && e.Has(FlagNoPreheatOut) && !e.Has(FlagNoWasteOut) {
		w.fromWaste = true
		preheat := w.port.PreheatOut
		w.port.PreheatOut = w.wasteGain()
		defer func() { w.port.PreheatOut, w.fromWaste = preheat, false }()
	}
	var parts []Part
	var why why
	for i := d.First; i <= d.Last; i++ {
		for _, s := range draw.Settled(w.t, w.flow, w.runs[i], minStretchS) {
			if p, ok := w.part(s, &why); ok {
				parts = append(parts, p)
			}
		}
	}
	if len(parts) == 0 {
		switch {
		case e.Has(FlagNoWasteIn) || e.Has(FlagNoColdIn) || e.Has(FlagNoPreheatOut):
		case why.slow:
			e.flag(FlagSlowSampling)
		case why.cold:
			e.flag(FlagSmallSpan)
		default:
			e.flag(FlagNoSettledFlow)
		}
		return
	}
	parts = withoutTransients(parts)
	if !w.fromWaste {
		parts = w.withoutOverlap(parts, e)
	}
	w.combine(parts, e)
	if math.Abs(e.WasteInC-e.ColdInC) < MinSpanK {
		e.withoutFigures()
	}
	if w.fromWaste {
		e.flag(FlagFromWaste)
		e.PreheatOutC, e.HeatRatio, e.Balance = math.NaN(), math.NaN(), math.NaN()
		for i := range e.Parts {
			e.Parts[i].PortC.PreheatOut, e.Parts[i].HeatRatio = math.NaN(), math.NaN()
		}
	}
}

// withoutFigures leaves an event its temperatures, which tell that the mains side's
// clamps are in each other's place, and nothing that the declared places would make of them.
func (e *Event) withoutFigures() {
	n := math.NaN()
	e.Effectiveness, e.EffectivenessU95, e.EffectivenessOwnU95 = n, n, n
	e.Expected, e.ExpectedU95, e.TemperatureFactor = n, n, n
	e.Ratio, e.RatioU95, e.RatioOwnU95 = n, n, n
	e.UARatio, e.UARatioU95, e.UARatioRandom, e.UARatingLnU = n, n, n, n
	e.Budgets.Effectiveness, e.Budgets.Ratio = uncert.Budget{}, uncert.Budget{}
	e.Flags = slices.DeleteFunc(e.Flags, func(f Flag) bool { return f == FlagNotPlausible })
	e.flag(FlagSmallSpan)
}

// mostTransient is the mean tail, in effectiveness, from which a part is no steady one:
// this project's choice, five times what a steady part may begin with.
const mostTransient = 5 * settledWithin

// withoutTransients leaves out the parts that were still changing all through, as
// where a short first part ends while the waste's pipe warms up: their figure is an
// extrapolation. Where all parts are so, they stay, with the uncertainty of that.
func withoutTransients(parts []Part) []Part {
	changing := func(p Part) bool { return !(math.Abs(p.Transient) <= mostTransient) }
	if !slices.ContainsFunc(parts, func(p Part) bool { return !changing(p) }) {
		return parts
	}
	return slices.DeleteFunc(parts, changing)
}

// wasteGain is the preheat-out that the waste side's fall, less its loss, would make
// at equal capacity rates: for a preheat-out that is missing.
func (w *window) wasteGain() channel {
	in, out, cold := &w.port.WasteIn, &w.port.WasteOut, &w.port.ColdIn
	n := len(w.t)
	c := channel{water: w.a.work.nans(n), surface: w.a.work.nans(n), vari: w.a.work.floats(n), bracket: out.bracket, step: out.step}
	for k := range n {
		fall := in.water[k] - out.water[k]
		lost := LossShare * w.a.work.losses.ratio((in.water[k]+out.water[k])/2-w.room[k], w.flow[k]*fall)
		c.water[k] = cold.water[k] + fall*(1-lost)
		c.vari[k] = 0 // its noise is that of the other three
	}
	return c
}

// why says what keeps stretches of settled flow from being steady parts.
type why struct {
	slow bool // readings too far apart
	cold bool // waste hardly warmer than the supply
}

// part measures one stretch of settled flow, or reports that it holds no steady
// part and why.
func (w *window) part(s draw.Stretch, why *why) (Part, bool) {
	in, cold, pre := &w.port.WasteIn, &w.port.ColdIn, &w.port.PreheatOut
	for k := s.Last; k >= s.First; k-- {
		if !(in.near(k) && cold.near(k) && pre.near(k)) {
			s.First = k + 1 // the node was not awake yet, or fell silent
			if s.First >= s.Last || w.t[s.Last]-w.t[s.First] < minStretchS {
				why.slow = true
				return Part{}, false
			}
			break
		}
	}
	from, span := w.arrived(s)
	if math.Abs(span) < MinSpanK {
		why.cold = true
	}
	if from < 0 || w.t[s.Last]-w.t[from] < minSteadyS {
		return Part{}, false
	}
	tail := w.settle(from, s.Last)
	begin := from
	for begin < s.Last && w.t[begin] < tail.from {
		begin++
	}
	p := Part{
		Span:     Span{w.origin.Add(w.t[begin]), w.origin.Add(w.t[s.Last])},
		FlowLMin: s.FlowLMin,
	}
	var sumQ, num, den, waste float64
	var nWaste, n int
	var vari greywatt.Ports[float64]
	for k := begin; k <= s.Last; k++ {
		q := w.flow[k]
		sumQ += q
		n++
		for c := greywatt.WasteIn; c.IsPort(); c++ {
			ch := w.port.Of(c)
			*p.PortC.Of(c) += q * ch.water[k]
			*vari.Of(c) += ch.vari[k]
		}
		num += q * (pre.water[k] - cold.water[k])
		den += q * (in.water[k] - cold.water[k])
		if !math.IsNaN(w.waste[k]) {
			waste += w.waste[k]
			nWaste++
		}
	}
	length := p.Span.Seconds()
	p.FlowLMin = sumQ / float64(n)
	for c := greywatt.WasteIn; c.IsPort(); c++ {
		ch := w.port.Of(c)
		*p.PortC.Of(c) /= sumQ
		*p.noiseU.Of(c) = math.Hypot(math.Sqrt(vari.At(c)/float64(n)*min(1, smoothS/length)), ch.rounding(begin, s.Last))
		*p.lagK.Of(c) = ch.sensor.ResponseS * (ch.water[s.Last] - ch.water[begin]) / length
	}
	p.MeteredWasteLMin = waste / float64(nWaste)
	p.Transient = tail.mean(w.t[begin], w.t[s.Last])
	p.transientU = math.Hypot(0.5*p.Transient, tail.u)
	p.Effectiveness = num/den - p.Transient
	p.HeatRatio = (p.PortC.WasteIn - p.PortC.WasteOut) / (p.PortC.PreheatOut - p.PortC.ColdIn)
	p.heatJ = water.HeatRate(p.FlowLMin/LMinPerLS, p.PortC.ColdIn, p.PortC.PreheatOut) * length
	return p, true
}

// near reports whether readings around flow reading k tell the temperature at
// it: close in time, or not so close and alike.
func (c *channel) near(k int) bool {
	return c.bracket[k] <= maxBracketS || c.bracket[k] <= slowBracketS && c.step[k] <= slowStepK
}

// smoothS is about how long errors of the smoothed temperatures hang together.
const smoothS = 12

// arrived returns the index in the stretch from which warm waste has arrived:
// four fifths of the span that the stretch's last third shows, and that span, K; -1
// where it is too small. Where the mains side seems to cool, by more than clamps err
// with each other, its clamps are in each other's place: the other one shows the span.
func (w *window) arrived(s draw.Stretch) (from int, lateK float64) {
	const reversedK = 2.0
	in, cold := &w.port.WasteIn, &w.port.ColdIn
	span := func(k int) float64 { return in.water[k] - cold.water[k] }
	var late, rise float64
	n := 0
	for k := s.Last; k >= s.First && w.t[k] >= w.t[s.Last]-(w.t[s.Last]-w.t[s.First])/3; k-- {
		late += span(k)
		rise += w.port.PreheatOut.water[k] - cold.water[k]
		n++
	}
	late /= float64(n)
	if rise /= float64(n); rise < -reversedK {
		cold, late = &w.port.PreheatOut, late-rise
	}
	if !(math.Abs(late) >= MinSpanK) {
		return -1, late
	}
	for k := s.First; k <= s.Last; k++ {
		if span(k)/late >= 0.8 {
			for j := k; j <= s.Last; j++ {
				if w.t[j] >= w.t[k]+4 {
					return j, late
				}
			}
		}
	}
	return -1, late
}

// decay is the exponential tail of a transient in the effectiveness: size
// times exp(-(t - t0)/theta).
type decay struct {
	t0, theta, size float64
	u               float64 // standard uncertainty of the level that remains, from the fit
	from            float64 // when the tail has become small
}

func (d decay) mean(a, b float64) float64 {
	if d.size == 0 || b <= a {
		return 0
	}
	return d.size * d.theta / (b - a) * (math.Exp(-(a-d.t0)/d.theta) - math.Exp(-(b-d.t0)/d.theta))
}

// settledWithin is the tail, in effectiveness, that a steady part may begin
// with: this project's choice, a fifth of the error that clamps leave.
const settledWithin = 0.004

// tailsS are the time constants, s, that are tried.
var tailsS = [...]float64{4, 6, 9, 13, 18, 24, 30}

// tailsAt fills in exp(-t/theta) of each: most are powers of one.
func tailsAt(t float64, f *[len(tailsS)]float64) {
	f72 := math.Exp(-t / 72)
	f36 := f72 * f72
	f18 := f36 * f36
	f9 := f18 * f18
	f6 := f9 * f18
	*f = [...]float64{f6 * f18 * f36, f6, f9, math.Exp(-t / 13), f18, f36 * f72, math.Exp(-t / 30)}
}

// settle fits level + decay to the temperature ratio between two readings and
// says from when the tail is small. The unit's own time constant is set by the
// water in its coil and the metal around it: 4 to 30 s. Slower changes are
// those of the drain and the bather, which the ratio follows.
func (w *window) settle(from, to int) decay {
	in, cold, pre := &w.port.WasteIn, &w.port.ColdIn, &w.port.PreheatOut
	t0 := w.t[from]
	length := w.t[to] - t0
	best := decay{t0: t0, theta: 1}
	bestRSS := math.Inf(1)
	n := float64(to - from + 1)
	var sy, syy float64
	var sf, sff, sfy [len(tailsS)]float64
	var f [len(tailsS)]float64
	for k := from; k <= to; k++ {
		y := (pre.water[k] - cold.water[k]) / (in.water[k] - cold.water[k])
		sy += y
		syy += y * y
		tailsAt(w.t[k]-t0, &f)
		for i, f := range f {
			sf[i] += f
			sff[i] += f * f
			sfy[i] += f * y
		}
	}
	for i, theta := range tailsS {
		sf, sff, sfy := sf[i], sff[i], sfy[i]
		det := n*sff - sf*sf
		if det <= 0 {
			continue
		}
		size := (n*sfy - sf*sy) / det
		level := (sy - size*sf) / n
		rss := syy - level*sy - size*sfy
		if rss < bestRSS {
			bestRSS = rss
			step := length / n
			corr := max(1, smoothS/step)
			v := max(0, rss) / max(1, n-3)
			best = decay{t0: t0, theta: theta, size: size, u: math.Sqrt(v * sff / det * corr)}
		}
	}
	best.from = t0
	if s := math.Abs(best.size); s > settledWithin {
		best.from = t0 + best.theta*math.Log(s/settledWithin)
	}
	if latest := w.t[to] - max(minSteadyS, 0.35*length); best.from > latest {
		best.from = max(t0, latest)
	}
	return best
}

// withoutOverlap leaves out parts during which another tap draws through the
// unit. Such a draw adds mains flow without waste: flow steps up, and the drain
// falls by more for each kelvin that the mains rises. Where every part is so,
// the parts stay and are flagged.
func (w *window) withoutOverlap(parts []Part, e *Event) []Part {
	if e.Connection == greywatt.ConnectionB || len(parts) < 2 {
		return parts
	}
	least := math.Inf(1)
	var at float64
	for _, p := range parts {
		if p.HeatRatio > 0.3 && p.HeatRatio < least {
			least, at = p.HeatRatio, p.FlowLMin
		}
	}
	var clean []Part
	for i := range parts {
		p := &parts[i]
		p.Overlap = p.HeatRatio > least*(1+clearlyMoreThanDrain) && p.FlowLMin > at*1.08
		if !p.Overlap {
			clean = append(clean, *p)
		} else {
			e.flag(FlagOverlap)
		}
	}
	return clean
}
