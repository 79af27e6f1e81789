package simulate

import (
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"greywatt"
)

// Options shape a random house. The zero value of a field means its default.
type Options struct {
	Start         greywatt.Date       // 2026-01-12
	Days          int                 // 21
	Connection    greywatt.Connection // drawn
	Physics       *Physics            // drawn
	Model         Model               // drawn, cells or lumped
	IntervalS     float64             // 1 s
	TempU95K      float64             // 0.16 K: expanded uncertainty of each clamp's offset
	FlowU95       float64             // 0.03: and of the flow sensor's scale
	ScaleMost     float64             // unlimited: most that the true scale is off, such as 0.025
	ShowersPerDay float64             // drawn
	LossDeviation float64             // 0: relative standard deviation of the true loss fraction from the declared
	LagDeviation  float64             // 0.05: likewise of the response, never more than twice that
	Nodes         int                 // drawn: 1 or 2
	WasteS        float64             // sampling interval of a second node; IntervalS
	GapsPerWeek   float64             // 0: stretches of 10 min to 6 h that one node never delivers
	DriftKPerYear float64             // 0: standard deviation of each clamp's drift
	WasteFlow     bool                // fit a waste-flow sensor
	NoAmbient     bool                // leave the ambient sensor out
	NoZeroCheck   bool                // offsets of clamps are not known: declared as 0, as uncertain as TempU95K says
	MainsDrop     float64             // [Plumbing.MainsDrop]
}

func (o Options) withDefaults(r *rand.Rand) Options {
	def := func(x *float64, v float64) {
		if *x == 0 {
			*x = v
		}
	}
	connection, nodes, showers := choose(r, greywatt.ConnectionA, greywatt.ConnectionB, greywatt.ConnectionC), 1+r.IntN(2), between(r, 1.6, 2.8)
	if o.Connection == 0 {
		o.Connection = connection
	}
	if o.Nodes == 0 {
		o.Nodes = nodes
	}
	if o.Start.IsZero() {
		o.Start = greywatt.Date{Year: 2026, Month: time.January, Day: 12}
	}
	if o.Days == 0 {
		o.Days = 21
	}
	def(&o.ShowersPerDay, showers)
	def(&o.IntervalS, 1)
	def(&o.WasteS, o.IntervalS)
	def(&o.TempU95K, 0.16)
	def(&o.FlowU95, 0.03)
	def(&o.LagDeviation, 0.05)
	def(&o.ScaleMost, 1)
	return o
}

// NewHouse draws a healthy house: physics, plumbing, people, weather and
// instruments. The same arguments give the same house.
func NewHouse(id string, seed uint64, o Options) *House {
	r := generator(seed, drawStream)
	o = o.withDefaults(r)
	h := &House{
		Seed: seed, Start: o.Start, Days: o.Days,
		Physics:  RandomPhysics(generator(seed, physicsStream)),
		Plumbing: RandomPlumbing(generator(seed, plumbingStream)),
		Habits:   RandomHabits(generator(seed, habitStream)),
		Climate:  RandomClimate(generator(seed, weatherStream)),
	}
	if o.Physics != nil {
		h.Physics = *o.Physics
	}
	switch o.Model {
	case "":
	case Correlated:
		h.Physics.correlate(generator(seed, unitStream))
	default:
		h.Physics.Model = o.Model
	}
	h.Habits.ShowersPerDay = o.ShowersPerDay
	h.Plumbing.MainsDrop = o.MainsDrop
	h.Dwelling = greywatt.Dwelling{
		ID: id, Connection: o.Connection, Commissioned: o.Start,
		Exchanger: Certificate(&h.Physics, r),
		Heater: greywatt.Heater{
			Kind: "gas combi boiler", Efficiency: 0.88, CarbonKgPerKWh: 0.21, PricePerKWh: 0.071, Currency: "EUR",
			HotC: math.Round(between(r, 48, 60)),
		},
	}
	h.instruments(generator(seed, sensorStream), o)
	h.loseLinks(generator(seed, gapStream), o.GapsPerWeek)
	return h
}

// loseLinks draws gaps at random over the run.
func (h *House) loseLinks(r *rand.Rand, perWeek float64) {
	from, _ := h.Span()
	for d := range h.Days {
		for range poisson(r, perWeek/7) {
			start := from.Add(daySeconds * (float64(d) + r.Float64()))
			h.Gaps = append(h.Gaps, Gap{Node: choose(r, h.Nodes...).ID, From: start, To: start.Add(between(r, 600, 6*3600))})
		}
	}
}

// Certificate returns the clean unit's rating at two to five equal flows,
// rounded as certificates are, with the inlets of its test where they are stated.
func Certificate(p *Physics, r *rand.Rand) greywatt.Exchanger {
	flows := []float64{5, 7, 9, 11, 13}
	if chance(r, 0.3) {
		flows = []float64{5.5, 7, 9.5, 12}
	}
	for len(flows) > 2 && chance(r, 0.4) {
		i := r.IntN(len(flows))
		flows = slices.Delete(flows, i, i+1)
	}
	step := choose(r, 0.01, 0.005)
	x := greywatt.Exchanger{Orientation: p.Orientation, RatedColdInC: greywatt.DefaultRatedColdInC, RatedWasteInC: greywatt.DefaultRatedWasteInC}
	if p.InletsDeclared {
		x.RatedColdInC, x.RatedWasteInC = p.ratingInlets()
	}
	for _, f := range flows {
		e := math.Round(p.Rated(f)/step) * step
		x.Rated = append(x.Rated, greywatt.RatedPoint{FlowLMin: f, Effectiveness: math.Round(e*1e4) / 1e4})
	}
	return x
}

// instruments draws nodes and sensors, declares them, and lets the true ones
// deviate from what is declared.
func (h *House) instruments(r *rand.Rand, o Options) {
	supply := []greywatt.Channel{greywatt.ColdIn, greywatt.PreheatOut, greywatt.Flow}
	waste := []greywatt.Channel{greywatt.WasteIn, greywatt.WasteOut}
	if o.WasteFlow {
		waste = append(waste, greywatt.WasteFlow)
	}
	if !o.NoAmbient {
		waste = append(waste, greywatt.Ambient)
	}
	node := Node{ID: "n1", IntervalS: o.IntervalS, IdleS: 60, HoldS: 180, JitterS: between(r, 0, 0.03) * o.IntervalS, Wake: OnFlow}
	if o.Nodes == 1 {
		node.Channels = append(waste, supply...)
		h.Nodes = []Node{node}
	} else {
		second := node
		node.Channels, second.Channels, second.ID = waste, supply, "n2"
		node.IntervalS = o.WasteS
		if chance(r, 0.3) {
			node.Wake = OnTemperature
		}
		h.Nodes = []Node{node, second}
	}
	response, loss := between(r, 5, 25), between(r, 0.005, 0.05)
	quantum := choose(r, 1.0/16, 0.01, 0.02)
	for _, n := range h.Nodes {
		for _, c := range n.Channels {
			s := greywatt.DefaultSensor(c)
			if o.Nodes == 2 {
				s.Node = n.ID
			}
			h.Sensors[c].Fitted = true
			if c.IsFlow() {
				h.meter(r, o, c, &s)
			} else {
				h.clamp(r, o, c, &s, response, loss, quantum)
			}
			h.Dwelling.Sensors = append(h.Dwelling.Sensors, s)
		}
	}
	slices.SortFunc(h.Dwelling.Sensors, func(a, b greywatt.Sensor) int { return int(a.Channel) - int(b.Channel) })
}

func (h *House) clamp(r *rand.Rand, o Options, c greywatt.Channel, s *greywatt.Sensor, response, loss, quantum float64) {
	s.U95K, s.BatchU95K = o.TempU95K, o.TempU95K
	s.OffsetK = math.Round(between(r, -0.3, 0.3)*100) / 100
	t := Clamp{OffsetK: s.OffsetK + o.TempU95K/2*r.NormFloat64(), NoiseK: between(r, 0.01, 0.05), QuantumK: quantum, ResponseS: 60}
	if o.NoZeroCheck {
		t.OffsetK, s.OffsetK = t.OffsetK-s.OffsetK, 0
	}
	if o.DriftKPerYear > 0 {
		t.DriftKPerYear = o.DriftKPerYear * r.NormFloat64()
	}
	if c != greywatt.Ambient {
		s.ResponseS = math.Round(response*between(r, 0.7, 1.3)*2) / 2
		s.LossFraction = math.Round(loss*between(r, 0.6, 1.4)*1000) / 1000
		t.ResponseS = s.ResponseS * (1 + truncated(r, o.LagDeviation, 2*o.LagDeviation))
		t.LossFraction = s.LossFraction
		if o.LossDeviation > 0 {
			t.LossFraction *= max(0, 1+o.LossDeviation*r.NormFloat64())
		}
	}
	h.Sensors[c].Clamp = t
}

func (h *House) meter(r *rand.Rand, o Options, c greywatt.Channel, s *greywatt.Sensor) {
	s.U95Relative, s.BatchU95Relative = o.FlowU95, o.FlowU95
	s.Scale = math.Round(between(r, 0.97, 1.03)*1000) / 1000
	m := Meter{
		Gain:          (1 + truncated(r, o.FlowU95/2, o.ScaleMost)) / s.Scale,
		NoiseRelative: between(r, 0.003, 0.015), CutOffLS: between(r, 0.2, 0.5) / 60,
		SpuriousPerDay: between(r, 0, 3), Drip: between(r, 0, 0.3),
	}
	if chance(r, 0.5) {
		m.PulsesPerL = choose(r, 300.0, 450, 900)
	} else {
		m.QuantumLS = choose(r, 0.0001, 0.001)
	}
	h.Sensors[c].Meter = m
}
