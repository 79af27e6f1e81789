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
	for i := d.First; i < d.Last; i++ {
		if !draw.Silent(w.t, w.runs, i) {
			continue
		}
		before, after := w.runs[i], w.runs[i+1]
		span := w.t[after.First] - w.t[before.Last]
		// the runs' ends already stand for a little of it
		left := max(0, span-draw.Weight(w.t, before, before.Last)/2-draw.Weight(w.t, after, after.First)/2)
		q0, h0 := w.rates(before.Last, before)
		q1, h1 := w.rates(after.First, after)
		if math.IsNaN(h0) {
			h0 = h1
		}
		if math.IsNaN(h1) {
			h1 = h0
		}
		q, rate := (q0+q1)/2, (h0+h1)/2
		add(unseenShare*left, unseenShareU*left, q, math.Abs(q1-q0)/math.Sqrt(12),
			rate, math.Hypot(unseenHeatU*rate, math.Abs(h1-h0)/math.Sqrt(12)))
	}
	if s.woken.s > 0 {
		first := w.runs[d.First]
		q, rate := w.rates(first.First, first)
		// the water that stood in the pipe is as warm at both ports
		gaining := max(0, s.woken.s-s.woken.up)
		add(s.woken.s, s.woken.u, q, 0, rate*gaining/s.woken.s, wokenHeatU*rate)
	}
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
		if h := water.HeatRate(q, w.port[2].water[j], w.port[3].water[j]); !math.IsNaN(h) {
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
	id := w.idealHeat(d, s, showerMost(e, ratio))
	if !(id.joules > 0) || s.missingS > missingShare*s.runningS {
		return
	}
	in, cold, pre := &w.port[0], &w.port[2], &w.port[3]
	share := func(c *channel) float64 {
		if c.sensor.LossFraction > 0 {
			return shareU
		}
		return 0
	}
	f := func(c *channel) float64 { return c.sensor.LossFraction / (1 - c.sensor.LossFraction) }
	heatPerL := water.VolumetricHeat(15) / 1000 // J/(l K)
	inputs := []uncert.Input{
		{Name: RowNames[RowOffset], U: in.sensor.U95K / 2},
		{Name: RowNames[RowOffset+2], U: cold.sensor.U95K / 2},
		{Name: RowNames[RowOffset+3], U: pre.sensor.U95K / 2},
		{Name: RowNames[RowRoom], U: w.roomU},
		{Name: RowNames[RowShare], U: share(in)},
		{Name: RowNames[RowShare+2], U: share(cold)},
		{Name: RowNames[RowShare+3], U: share(pre)},
		{Name: "response of the clamps", U: responseU},
		{Name: "ratio of capacity rates", U: u},
		{Name: UnseenFlow, U: 1},
		{Name: "arrival of waste", U: id.arrivalJ},
	}
	// above in sums is per kelvin already
	gained := []float64{0, -s.perKelvin, s.perKelvin, -s.perKelvin * (f(pre) - f(cold)), 0, -s.perKelvin * s.above[0], s.perKelvin * s.above[1],
		s.lagJ * heatPerL, 0, math.Hypot(s.hiddenJ*unseenApart, w.wokenJ(s)), 0}
	possible := []float64{id.perKelvin, -id.perKelvin, 0, -id.perKelvin * (f(in) - f(cold)), id.above[0], -id.above[1], 0,
		id.lagJ * heatPerL, 0, 0, 1}
	const atRatio = 8
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

// showerMost is the most that the mains side carries for the shower alone, l/s,
// where another tap ran as well at times: the waste side carries no more.
func showerMost(e *Event, ratio float64) float64 {
	most := 0.0
	if e.Has(FlagOverlap) {
		for i := range e.Parts {
			if p := &e.Parts[i]; !p.Overlap {
				most = max(most, overlapShare*p.FlowLMin/LMinPerLS)
			}
		}
	}
	if most == 0 {
		return math.Inf(1)
	}
	return most / min(1, ratio)
}

// capacityRatio returns the ratio of capacity rates, mains over waste, of the whole
// event and its standard uncertainty: that of the steady parts, or what the
// connection says.
func (w *window) capacityRatio(e *Event) (r, u float64) {
	if len(e.Parts) > 0 && e.WasteFlowLMin > 0 {
		return e.FlowLMin / e.WasteFlowLMin, ratioU
	}
	if e.Connection == greywatt.ConnectionA {
		return 1, ratioU
	}
	return assumedCR, assumedCRU
}

// idealHeat integrates the ideal heat over the runs with warm waste, of flow up to
// most, l/s, for a waste side that carries no less than the mains.
func (w *window) idealHeat(d draw.Draw, s *sums, most float64) ideal {
	var id ideal
	in, cold := &w.port[0], &w.port[2]
	for i := d.First; i <= d.Last; i++ {
		r := w.runs[i]
		if !w.warm[i] {
			continue
		}
		least, latest := wasteLeastS, wasteAgainS
		begin := w.t[r.First]
		switch {
		case i > d.First && draw.Silent(w.t, w.runs, i-1):
			least, latest = 0, 0
		case i == d.First:
			begin -= s.woken.s
			latest = min(wasteMostS, max(least, w.wasteShown(r)-begin))
		}
		comes := begin + (least+latest)/2
		comesU := (latest - least) / math.Sqrt(12)
		if i == d.First {
			comesU = math.Hypot(comesU, s.woken.u)
		}
		atArrival, seen := 0.0, false
		for k := r.First; k <= r.Last; k++ {
			dt := draw.Weight(w.t, r, k)
			if late := comes - (w.t[k] - dt/2); late > 0 {
				if dt -= late; dt <= 0 {
					continue
				}
			}
			q := min(max(0, w.flow[k])/LMinPerLS, most)
			h := water.HeatRate(q, cold.water[k], in.water[k])
			if math.IsNaN(h) {
				continue
			}
			if !seen {
				atArrival, seen = h, true
			}
			h = max(0, h)
			id.joules += h * dt
			c := q * dt * water.VolumetricHeat(cold.water[k]) / 1000
			id.perKelvin += c
			for j, ch := range []*channel{in, cold} {
				f := ch.sensor.LossFraction
				id.above[j] += c * f / (1 - f) * (ch.water[k] - w.room[k])
			}
		}
		id.arrivalJ = math.Hypot(id.arrivalJ, atArrival*comesU)
		span := (in.surface[r.Last] - in.surface[r.First]) * in.sensor.ResponseS
		span -= (cold.surface[r.Last] - cold.surface[r.First]) * cold.sensor.ResponseS
		if !math.IsNaN(span) {
			id.lagJ += span * max(0, w.flow[(r.First+r.Last)/2]) / LMinPerLS
		}
		if i > d.First && draw.Silent(w.t, w.runs, i-1) {
			before := w.runs[i-1]
			left := max(0, w.t[r.First]-w.t[before.Last]-draw.Weight(w.t, before, before.Last)/2-draw.Weight(w.t, r, r.First)/2)
			h0, h1 := w.idealRate(before.Last, before, most), w.idealRate(r.First, r, most)
			if math.IsNaN(h0) {
				h0 = h1
			}
			if math.IsNaN(h1) {
				h1 = h0
			}
			if rate := (h0 + h1) / 2; !math.IsNaN(rate) {
				id.joules += unseenShare * left * rate
			}
		}
	}
	return id
}

// wasteShown returns when waste in has risen by so much that waste has come, s on
// the window's axis; the run's end where it never does.
func (w *window) wasteShown(r draw.Run) float64 {
	in := w.port[0].water
	k0 := max(0, r.First-1)
	for k := r.First; k <= r.Last; k++ {
		if in[k]-in[k0] >= wasteShownK {
			return w.t[k]
		}
	}
	return w.t[r.Last]
}

// idealRate is the ideal heat, W, over the few seconds of run r at its end k.
func (w *window) idealRate(k int, r draw.Run, most float64) float64 {
	var sum, n float64
	for j := r.First; j <= r.Last; j++ {
		if math.Abs(w.t[j]-w.t[k]) > ratesS {
			continue
		}
		q := min(max(0, w.flow[j])/LMinPerLS, most)
		if h := water.HeatRate(q, w.port[2].water[j], w.port[0].water[j]); !math.IsNaN(h) {
			sum += max(0, h)
			n++
		}
	}
	return sum / n
}
