package event

import (
	"math"

	"greywatt"
	"greywatt/analysis/draw"
	"greywatt/analysis/uncert"
	"greywatt/analysis/water"
)

// What runs where no reading shows it. In a silence of the node the water most
// likely ran on; a pause of a minute in one of six or seven is what u covers.
const (
	unseenShare  = 0.95 // of a silence between two readings with flow, with flow
	unseenShareU = 0.16
	unseenHeatU  = 0.10 // relative, of the mean of the rates at both ends as the heat gained in between
	wokenHeatU   = 0.30 // relative, of the rate at the first reading as that before it
	wokenLeastU  = 0.15 // of that rate, for as long as the start is unsure: water in the pipe is not quite as warm at both ports
)

// hidden adds to the sums and the volume what ran while the node was silent with
// water running before and after, and before a node that woke late.
func (w *window) hidden(d draw.Draw, s *sums, e *Event) {
	add := func(seconds, u, q, qU, rate, rateU float64) {
		s.runningS += seconds
		s.hiddenS += seconds
		e.VolumeL += q * seconds
		s.hiddenL = math.Hypot(s.hiddenL, math.Hypot(q*u, qU*seconds))
		if math.IsNaN(rate) {
			s.missingS += seconds
			return
		}
		s.joules += rate * seconds
		s.hiddenJ = math.Hypot(s.hiddenJ, math.Hypot(rate*u, rateU*seconds))
	}
	for _, x := range w.unseen(d) {
		q, rate := w.rates(x.at, x.run)
		add(x.s, x.u, q, 0, rate, unseenHeatU*rate)
	}
	if s.woken.s > 0 {
		first := w.runs[d.First]
		q, rate := w.rates(first.First, first)
		add(s.woken.s, s.woken.u, q, 0, 0, 0)
		// the water that stood in the pipe was as warm at both ports
		gain, u := s.woken.gainS*rate, math.Hypot(s.woken.gainSU, wokenHeatU*s.woken.gainS)*rate
		if !math.IsNaN(gain) {
			s.joules += gain
			s.hiddenJ = math.Hypot(s.hiddenJ, math.Hypot(u, wokenLeastU*s.woken.u*rate))
		}
	}
}

// An unseen is flow that no reading shows, at an end of a run: as what was read
// there.
type unseen struct {
	run draw.Run
	at  int // the run's end
	s   float64
	u   float64 // standard uncertainty of s
}

// unseen returns what most likely ran in the silences within the draw and in one
// that hides its end.
func (w *window) unseen(d draw.Draw) []unseen {
	var out []unseen
	// seen at one end only: the water stopped, or began, at any moment of it
	half := func(r draw.Run, at int, silence float64) {
		if silence > 0 {
			out = append(out, unseen{r, at, silence / 2, silence / math.Sqrt(12)})
		}
	}
	for i := d.First; i < d.Last; i++ {
		r, next := w.runs[i], w.runs[i+1]
		before, after := draw.Silences(w.t, r, next)
		if !draw.Silent(w.t, w.runs, i) {
			half(r, r.Last, before)
			half(next, next.First, after)
			continue
		}
		// each end stands for a half; the readings there already for a little of it
		for _, x := range []unseen{{run: r, at: r.Last}, {run: next, at: next.First}} {
			silence := max(0, before/2-draw.Weight(w.t, x.run, x.at)/2)
			x.s, x.u = unseenShare*silence, unseenShareU*math.Sqrt2*silence
			out = append(out, x)
		}
	}
	last := w.runs[d.Last]
	if k := last.Last; k+1 < len(w.t) {
		if dt := w.t[k+1] - w.t[k]; dt > draw.GapS && dt <= draw.SilenceS {
			half(last, k, dt)
		}
	}
	return out
}

// ratesS is the length, s, over which the rates at an end of a run are averaged.
const ratesS = 6

// rates returns the flow, l/s, and the heat that the mains gains, W, over the few
// seconds of run r at its end k.
func (w *window) rates(k int, r draw.Run) (flow, heat float64) {
	n, known := 0.0, 0.0
	for j := r.First; j <= r.Last; j++ {
		if math.Abs(w.t[j]-w.t[k]) > ratesS {
			continue
		}
		q := max(0, w.flow[j]) / LMinPerLS
		flow += q
		n++
		if h := water.HeatRate(q, w.port.ColdIn.water[j], w.port.PreheatOut.water[j]); !math.IsNaN(h) {
			heat += h
			known++
		}
	}
	return flow / n, heat / known
}

// When waste reaches the exchanger after the mains water has started: past the
// body, the tray and the trap. This project's choice, from the trade's 5 to 25 s
// for the temperature, before which the water that stood in the trap comes.
const (
	wasteLeastS  = 3.0  // s
	wasteMostS   = 15.0 // of the first run
	wasteAgainS  = 10.0 // and of those after a pause, with everything wet
	wasteShownK  = 2.0  // a rise of waste in by which waste has come
	wasteLagS    = 6.0  // time constant with which waste follows the mains
	evenS        = 5.0  // over which the mains flow is averaged before
	missedU      = 0.4  // relative standard uncertainty of the heat that the mains side alone carries
	goneShare    = 0.6  // of the usual temperature ratio: less, up to the run's end, is no more waste,
	goneS        = 10.0 // for so long
	goneLagS     = 6.0  // that the water in the coil keeps the ratio up
	overlapShare = 1.05 // of the flow of the clean parts: what is above is another tap's
	ratioU       = 0.01 // standard uncertainty of the ratio of capacity rates
)

// ideal is what ideal counterflow recovery would have given over a draw.
type ideal struct {
	joules    float64
	perKelvin float64 // J/K, what a kelvin more of waste in would add
	lagJ      float64 // as in sums
	above     [2]float64
	arrivalJ  float64 // standard uncertainty, from when waste came
}

// whole fills in the effectiveness of the whole event: the heat that the mains
// gained over all of it, over what ideal counterflow recovery would have given,
// the integral of C_min (T_waste-in - T_cold-in) while both sides run.
func (w *window) whole(d draw.Draw, s *sums, e *Event) {
	if math.IsNaN(e.HeatKWh) {
		return
	}
	ratio, u := w.capacityRatio(e)
	id := w.idealHeat(d, s, e, ratio)
	if !(id.joules > 0) || s.missingS > missingShare*s.runningS {
		return
	}
	in, cold, pre := &w.port.WasteIn, &w.port.ColdIn, &w.port.PreheatOut
	share := func(c *channel) float64 {
		if c.sensor.LossFraction > 0 {
			return shareU
		}
		return 0
	}
	f := func(c *channel) float64 { return c.sensor.LossFraction / (1 - c.sensor.LossFraction) }
	heatPerL := water.VolumetricHeat(15) / 1000 // J/(l K)
	inputs := []uncert.Input{
		{Name: rowOffset.name(greywatt.WasteIn), U: in.sensor.U95K / 2},
		{Name: rowOffset.name(greywatt.ColdIn), U: cold.sensor.U95K / 2},
		{Name: rowOffset.name(greywatt.PreheatOut), U: pre.sensor.U95K / 2},
		{Name: rowRoom.name(), U: w.roomU},
		{Name: rowShare.name(greywatt.WasteIn), U: share(in)},
		{Name: rowShare.name(greywatt.ColdIn), U: share(cold)},
		{Name: rowShare.name(greywatt.PreheatOut), U: share(pre)},
		{Name: "response of the clamps", U: responseU},
		{Name: "ratio of capacity rates", U: u},
		{Name: UnseenFlow, U: 1},
		{Name: ArrivalOfWaste, U: id.arrivalJ},
	}
	// above in sums is per kelvin already
	gained := []float64{0, -s.perKelvin, s.perKelvin, -s.perKelvin * (f(pre) - f(cold)), 0, -s.perKelvin * s.above[0], s.perKelvin * s.above[1],
		s.lagJ * heatPerL, 0, math.Hypot(s.hiddenJ*unseenApart, w.wokenJ(s)), 0}
	possible := []float64{id.perKelvin, -id.perKelvin, 0, -id.perKelvin * (f(in) - f(cold)), id.above[0], -id.above[1], 0,
		id.lagJ * heatPerL, 0, 0, 1}
	const atRatio = 8
	if r := &s.roundK; r.WasteIn+r.ColdIn+r.PreheatOut > 0 {
		inputs = append(inputs, uncert.Input{Name: rowNoise.name(greywatt.WasteIn), U: r.WasteIn},
			uncert.Input{Name: rowNoise.name(greywatt.ColdIn), U: r.ColdIn}, uncert.Input{Name: rowNoise.name(greywatt.PreheatOut), U: r.PreheatOut})
		gained, possible = append(gained, gained[:3]...), append(possible, possible[:3]...)
	}
	at := func(x []float64) float64 {
		num, den := s.joules, id.joules
		for i, v := range x {
			num += gained[i] * v
			den += possible[i] * v
		}
		return num / den * max(1, ratio+x[atRatio])
	}
	e.Budgets.Whole = propagate(uncert.Model{Inputs: inputs, F: at})
	e.EventEffectiveness = e.Budgets.Whole.Value
	e.EventEffectivenessU95 = e.Budgets.Whole.U95()
}

// unseenApart is the part of the uncertainty of a silence's heat that the ideal heat
// of the same silence does not share: whether water ran touches both alike.
const unseenApart = 0.4

// wokenJ is the standard uncertainty of the heat gained before a late first
// reading, J: waste had not come yet, so that the ideal heat knows nothing of it.
func (w *window) wokenJ(s *sums) float64 {
	if s.woken.s == 0 {
		return 0
	}
	return s.hiddenJ
}

// showerMost is the most that the waste side carries, l/min: in A and C another tap
// may run at times, whose water does not come back down the drain.
func showerMost(e *Event, ratio float64) float64 {
	most := 0.0
	for i := range e.Parts {
		if p := &e.Parts[i]; !p.Overlap {
			most = max(most, overlapShare*p.FlowLMin)
		}
	}
	if most == 0 || e.Connection == greywatt.ConnectionB {
		return math.Inf(1)
	}
	return most / min(1, ratio)
}

// capacityRatio returns the ratio of capacity rates, mains over waste, of the whole
// event and its standard uncertainty: that of the steady parts, or what the
// connection says.
func (w *window) capacityRatio(e *Event) (r, u float64) {
	if e.Connection == greywatt.ConnectionA && len(e.Parts) > 0 {
		return math.Exp(w.equal.lnR), math.Hypot(ratioU, w.equal.sd)
	}
	if len(e.Parts) > 0 && e.WasteFlowLMin > 0 {
		return e.FlowLMin / e.WasteFlowLMin, ratioU
	}
	if e.Connection == greywatt.ConnectionA {
		return 1, ratioU
	}
	return assumedCR, assumedCRU
}

// idealHeat integrates the ideal heat over the runs with warm waste, of the flow that
// both sides carry, for a ratio of their capacity rates, mains over waste, of at
// most 1.
func (w *window) idealHeat(d draw.Draw, s *sums, e *Event, ratio float64) ideal {
	most := showerMost(e, ratio)
	var id ideal
	in, cold := &w.port.WasteIn, &w.port.ColdIn
	for i := d.First; i <= d.Last; i++ {
		r := w.runs[i]
		if !w.warm[i] {
			continue
		}
		comes, comesU := w.wasteComes(d, i, s)
		gone, goneU := w.wasteGone(r, e)
		flow := w.bothSides(r, ratio)
		atArrival, late, missed := 0.0, 0.0, 0.0
		for k := r.First; k <= r.Last; k++ {
			dt := draw.Weight(w.t, r, k)
			from, to := w.t[k]-dt/2, w.t[k]+dt/2
			if dt = min(to, gone) - max(from, comes); dt <= 0 {
				continue
			}
			h := max(0, water.HeatRate(1/LMinPerLS, cold.water[k], in.water[k])) // of 1 l/min
			if math.IsNaN(h) {
				continue
			}
			q := min(flow[k-r.First], most)
			if atArrival == 0 {
				atArrival = h * q
			}
			late = h * q
			id.joules += h * q * dt
			missed += h * max(0, w.flow[k]-q) * dt
			c := q / LMinPerLS * dt * water.VolumetricHeat(cold.water[k]) / 1000
			id.perKelvin += c
			for j, ch := range []*channel{in, cold} {
				f := ch.sensor.LossFraction
				id.above[j] += c * f / (1 - f) * (ch.water[k] - w.room[k])
			}
		}
		id.arrivalJ = math.Hypot(id.arrivalJ, math.Hypot(math.Hypot(atArrival*comesU, late*goneU), missedU*missed))
		span := (in.surface[r.Last] - in.surface[r.First]) * in.sensor.ResponseS
		span -= (cold.surface[r.Last] - cold.surface[r.First]) * cold.sensor.ResponseS
		if !math.IsNaN(span) {
			id.lagJ += span * max(0, w.flow[(r.First+r.Last)/2]) / LMinPerLS
		}
	}
	for _, x := range w.unseen(d) {
		if rate := w.idealRate(x.at, x.run, most); !math.IsNaN(rate) {
			id.joules += rate * x.s
		}
	}
	return id
}

// wasteComes returns when waste reaches the exchanger in run i of the draw, s on the
// window's axis, and the standard uncertainty of that.
func (w *window) wasteComes(d draw.Draw, i int, s *sums) (at, u float64) {
	begin, least, latest := w.t[w.runs[i].First], wasteLeastS, wasteAgainS
	switch {
	case i > d.First && draw.Silent(w.t, w.runs, i-1):
		return begin - draw.GapS, 0
	case i == d.First:
		begin -= s.woken.s
		latest = min(wasteMostS, max(least, w.wasteShown(w.runs[i])-begin))
		u = s.woken.u
	}
	return begin + (least+latest)/2, math.Hypot(u, (latest-least)/math.Sqrt(12))
}

// wasteGone returns when waste stopped coming in run r, s on the window's axis, and
// the standard uncertainty of that: another tap may run on when the shower has
// ended, and what the mains gains then falls to nothing while the pipe at waste in
// is still warm.
func (w *window) wasteGone(r draw.Run, e *Event) (at, u float64) {
	usual := (e.PreheatOutC - e.ColdInC) / (e.WasteInC - e.ColdInC)
	if math.IsNaN(usual) {
		usual = w.a.work.usual
	}
	k := r.Last
	for ; k > r.First; k-- {
		r := (w.port.PreheatOut.water[k] - w.port.ColdIn.water[k]) / (w.port.WasteIn.water[k] - w.port.ColdIn.water[k])
		if !(r < goneShare*usual) {
			break
		}
	}
	if w.t[r.Last]-w.t[k] < goneS {
		return math.Inf(1), 0
	}
	return w.t[k] - goneLagS, goneLagS / 2
}

// bothSides returns the flow, l/min, that both sides of the exchanger carry over run
// r: the mains' where the waste side carries as much, which follows it late and
// smoothed by walls, tray and trap.
func (w *window) bothSides(r draw.Run, ratio float64) []float64 {
	n := r.Last - r.First + 1
	out := w.a.work.floats(n)
	draw.Mean(w.t, w.flow, r, evenS, out)
	waste := out[0]
	for k := 1; k < n; k++ {
		dt := w.t[r.First+k] - w.t[r.First+k-1]
		waste += (out[k] - waste) * (1 - math.Exp(-dt/wasteLagS))
		out[k] = max(0, min(out[k], waste/min(1, ratio)))
	}
	return out
}

// wasteShown returns when waste in has risen by so much that waste has come, s on
// the window's axis; the run's end where it never does.
func (w *window) wasteShown(r draw.Run) float64 {
	in := w.port.WasteIn.water
	k0 := max(0, r.First-1)
	for k := r.First; k <= r.Last; k++ {
		if in[k]-in[k0] >= wasteShownK {
			return w.t[k]
		}
	}
	return w.t[r.Last]
}

// idealRate is the ideal heat, W, with flow up to most, l/min, over the few seconds of run r at its end k.
func (w *window) idealRate(k int, r draw.Run, most float64) float64 {
	var sum, n float64
	for j := r.First; j <= r.Last; j++ {
		if math.Abs(w.t[j]-w.t[k]) > ratesS {
			continue
		}
		q := min(max(0, w.flow[j]), most) / LMinPerLS
		if h := water.HeatRate(q, w.port.ColdIn.water[j], w.port.WasteIn.water[j]); !math.IsNaN(h) {
			sum += max(0, h)
			n++
		}
	}
	return sum / n
}
