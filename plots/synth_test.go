package plots

import (
	"math"
	"math/rand/v2"
	"time"

	"greywatt"
	"greywatt/analysis/event"
)

// The events here are invented: shapes of the kind that a chart must show,
// by exponential settling and noise, not physics of an exchanger.

// A synth says what event to invent. Times are seconds from onset.
type synth struct {
	seconds  float64
	flowLMin float64
	every    float64      // sampling, s
	pauses   [][2]float64 // no flow
	gaps     [][2]float64 // no readings of any channel
	wasteC   float64      // NaN: no warm waste
	coldC    float64      //
	start    time.Time    //
	kind     event.Kind   //
	flags    []event.Flag
	dwelling string
	before   float64 // the trace starts that long before onset
	after    float64
}

// shower is the usual event; tests change what they are about.
func shower() synth {
	return synth{
		seconds: 452, flowLMin: 8.3, every: 1, wasteC: 37.4, coldC: 11.2,
		start: time.Date(2026, 7, 14, 6, 12, 31, 0, time.UTC),
		kind:  event.Shower, dwelling: "larch-04", before: 60, after: 110,
	}
}

func in(t float64, spans [][2]float64) bool {
	for _, s := range spans {
		if t >= s[0] && t < s[1] {
			return true
		}
	}
	return false
}

// chart returns the event with its trace and its figures.
func (s synth) chart() EventChart {
	rng := rand.New(rand.NewPCG(4, uint64(s.seconds)))
	const eff, roomC = 0.54, 21.0
	preheatC := s.coldC + eff*(s.wasteC-s.coldC)
	drainC := s.wasteC - eff*(s.wasteC-s.coldC)
	if math.IsNaN(s.wasteC) {
		preheatC, drainC = s.coldC+0.4, roomC
	}
	// waste in, waste out, cold in, preheat out: goals with water and without,
	// and time constants.
	wet := [4]float64{s.wasteC, drainC, s.coldC, preheatC}
	if math.IsNaN(s.wasteC) {
		wet[0] = roomC
	}
	tau := [4]float64{14, 30, 9, 24}
	now := [4]float64{roomC, roomC - 0.6, roomC - 2.5, roomC - 1}
	clamp := now

	start := greywatt.InstantOf(s.start)
	var tr event.Trace
	for t := -s.before; t <= s.seconds+s.after; t += s.every {
		runs := t >= 0 && t < s.seconds && !in(t, s.pauses)
		flow := 0.0
		if runs {
			flow = s.flowLMin*(1+0.02*math.Sin(t/31)) + 0.06*rng.NormFloat64()
		}
		tr.At = append(tr.At, start.Add(t))
		gap := in(t, s.gaps)
		if gap {
			flow = math.NaN()
		}
		tr.FlowLMin = append(tr.FlowLMin, flow)
		for ch := range 4 {
			goal, k := roomC, 900.0
			if runs && (ch >= 2 || t > 12) {
				goal, k = wet[ch], tau[ch]
			}
			now[ch] += (goal - now[ch]) * (1 - math.Exp(-s.every/k))
			clamp[ch] += (now[ch] - 0.03*(now[ch]-roomC) - clamp[ch]) * (1 - math.Exp(-s.every/18))
			v, raw := now[ch]+0.05*rng.NormFloat64(), clamp[ch]+0.03*rng.NormFloat64()
			if gap {
				v, raw = math.NaN(), math.NaN()
			}
			tr.Port[ch] = append(tr.Port[ch], v)
			tr.Surface[ch] = append(tr.Surface[ch], raw)
		}
	}

	nan := math.NaN()
	ev := event.Event{
		ID: s.dwelling + "-" + s.start.Format("20060102T150405Z"), Dwelling: s.dwelling, Connection: greywatt.ConnectionA,
		Start: start, End: start.Add(s.seconds), Kind: s.kind, Flags: s.flags,
		DurationS: s.seconds, RunningS: s.seconds, FlowLMin: s.flowLMin,
		WasteInC: nan, WasteOutC: nan, ColdInC: s.coldC, PreheatOutC: nan,
		HeatKWh: nan, HeatU95KWh: nan, Effectiveness: nan, EffectivenessU95: nan,
		Expected: nan, ExpectedU95: nan, Ratio: nan, RatioU95: nan, WasteFlowLMin: nan, Balance: nan,
	}
	for _, p := range s.pauses {
		ev.RunningS -= p[1] - p[0]
	}
	ev.VolumeL = s.flowLMin * ev.RunningS / 60
	if s.kind == event.Shower && s.seconds > 120 {
		from := 90.0
		for _, p := range append(s.pauses, [2]float64{s.seconds, 0}) {
			if p[0]-10 > from {
				ev.Steady = append(ev.Steady, event.Span{From: start.Add(from), To: start.Add(p[0] - 10)})
				ev.SteadyS += p[0] - 10 - from
			}
			from = p[1] + 70
		}
		ev.WasteInC, ev.WasteOutC, ev.PreheatOutC = s.wasteC, drainC, preheatC
		ev.Effectiveness, ev.EffectivenessU95 = 0.537, 0.024
		ev.Expected, ev.ExpectedU95 = 0.583, 0.012
		ev.Ratio, ev.RatioU95 = 0.921, 0.046
		ev.HeatKWh = ev.VolumeL * 4.18 * (preheatC - s.coldC) / 3600
		ev.HeatU95KWh = 0.04 * ev.HeatKWh
	}
	return EventChart{Event: ev, Trace: tr, Location: dublin()}
}

func dublin() *time.Location {
	loc, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		panic(err)
	}
	return loc
}

// cases are the events that every check of an event chart goes through.
func cases() map[string]EventChart {
	nan := math.NaN()
	cs := map[string]EventChart{"shower": shower().chart()}

	s := shower()
	s.pauses = [][2]float64{{150, 205}, {330, 400}}
	s.seconds = 620
	e := s.chart()
	e.Clamps = true
	cs["pauses"] = e

	s = shower()
	s.kind, s.wasteC, s.seconds, s.flowLMin = event.OtherDraw, nan, 34, 5.1
	s.flags = []event.Flag{"no-warm-waste"}
	cs["other-draw"] = s.chart()

	s = shower()
	s.kind = event.Partial
	s.gaps = [][2]float64{{140, 300}}
	s.flags = []event.Flag{"gap", "start-hidden", "no-settled-flow"}
	cs["partial"] = s.chart()

	s = shower()
	s.seconds, s.every, s.flags = 10, 0.5, []event.Flag{"no-settled-flow"}
	cs["ten-seconds"] = s.chart()

	s = shower()
	s.seconds, s.every, s.flowLMin, s.before, s.after = 2400, 0.5, 12.6, 400, 900
	s.start = time.Date(2026, 7, 14, 22, 41, 10, 0, time.UTC) // across local midnight
	e = s.chart()
	e.Clamps = true
	cs["forty-minutes"] = e

	s = shower()
	s.start = time.Date(2026, 10, 25, 0, 54, 3, 0, time.UTC) // clocks go back at 01:00 UTC
	cs["clock-change"] = s.chart()

	s = shower()
	s.flags = []event.Flag{"no-waste-out", "room-assumed", "short-steady-part", "drain-flow-inferred", "outside-rated-flows",
		"other-draw-overlaps", "heat-unbalanced", "slow-sampling", "other-draw-within", "heat-incomplete", "drain-flow-from-mixing"}
	e = s.chart()
	for i := range e.Trace.At {
		e.Trace.Port[greywatt.WasteOut][i] = nan
		if i%7 == 3 {
			e.Trace.Port[greywatt.WasteIn][i] = nan
		}
		if i%2 == 1 {
			e.Trace.Port[greywatt.ColdIn][i] = math.Inf(1) // lone points
		}
	}
	e.Event.WasteOutC = nan
	e.Name = "participant 17 with a name that does not end where a heading does"
	cs["holes"] = e

	e = shower().chart()
	for i := range e.Trace.At {
		for ch := range 4 {
			e.Trace.Port[ch][i], e.Trace.Surface[ch][i] = nan, nan
		}
		e.Trace.FlowLMin[i] = nan
	}
	e.Clamps = true
	cs["nothing"] = e
	cs["empty"] = EventChart{}

	s = shower()
	s.every, s.seconds = 0.5, 900
	cs["noisy"] = roughened(s.chart())

	e = shower().chart() // four lines that end at one temperature
	for i := len(e.Trace.At) - 60; i < len(e.Trace.At); i++ {
		for ch := range 4 {
			e.Trace.Port[ch][i] = 24 + 0.2*float64(ch)
		}
	}
	e.Trace.Port[greywatt.PreheatOut][200] = 1e9
	cs["crowded"] = e
	return cs
}

// roughened adds noise of half a kelvin and 0.3 l/min, more than any node's.
func roughened(e EventChart) EventChart {
	rng := rand.New(rand.NewPCG(1, 1))
	for i := range e.Trace.At {
		for ch := range 4 {
			e.Trace.Port[ch][i] += 0.5 * rng.NormFloat64()
		}
		e.Trace.FlowLMin[i] += 0.3 * rng.NormFloat64()
	}
	return e
}
