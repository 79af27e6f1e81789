package simulate

import (
	"iter"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"greywatt"
)

// A House is one dwelling: what the study declares of it and what is true.
// Every field may be changed before [House.Run].
type House struct {
	Seed     uint64
	Dwelling greywatt.Dwelling // as declared
	Timezone *time.Location    // nil: UTC
	Start    greywatt.Date
	Days     int

	Physics  Physics
	Plumbing Plumbing
	Habits   Habits
	Climate  Climate
	Nodes    []Node
	Sensors  [greywatt.NumChannels]Instrument
	Faults   []Fault
	Gaps     []Gap
}

// State is what is true at one moment, for tests and charts.
type State struct {
	At          greywatt.Instant
	MainsLS     float64    // through the cold inlet
	WasteLS     float64    // through the waste inlet
	Port        [4]float64 // °C of the water at the ports, or of the pipe where none flows
	HeadC       float64
	AmbientC    float64
	OtherDrawLS float64
}

// Output takes what a run makes; either function may be nil.
type Output struct {
	Frame func(greywatt.Frame) bool // in time order; false stops the run
	State func(State)               // after every step: 0.5 s while water runs, up to 60 s at rest
}

func (h *House) location() *time.Location {
	if h.Timezone == nil {
		return time.UTC
	}
	return h.Timezone
}

// Span returns the first instant of the run and the one that ends it.
func (h *House) Span() (from, to greywatt.Instant) {
	end := time.Date(h.Start.Year, h.Start.Month, h.Start.Day+h.Days, 0, 0, 0, 0, h.location())
	return h.Start.In(h.location()), greywatt.InstantOf(end)
}

// Frames returns the frames in time order; once they are used up, *truth holds
// the truth. A nil truth is allowed.
func (h *House) Frames(truth *Truth) iter.Seq[greywatt.Frame] {
	return func(yield func(greywatt.Frame) bool) {
		t := h.Run(Output{Frame: yield})
		if truth != nil {
			*truth = t
		}
	}
}

// unit is an exchanger in motion.
type unit interface {
	step(dt float64, f Feed, c Condition) Outlets
}

func newUnit(p *Physics, roomC float64) unit {
	switch p.Model {
	case Lumped:
		return newLumped(p, roomC)
	case Correlated:
		return newCorrelated(p, roomC)
	}
	return newCells(p, roomC)
}

// run is a House in motion. Times are seconds from the run's start.
type run struct {
	*House
	out     Output
	origin  greywatt.Instant
	end, t  float64
	weather *weather
	works   *waterworks
	unit    unit
	diary   diary
	day     int
	queue   []cluster

	usual     Condition // between showers
	condition Condition // now
	hunts     *Fault
	dead      [greywatt.NumChannels]*Fault
	last      greywatt.Values // readings of channels that are not dead
	silences  []Gap           // of showers to come
	drawing   bool            // more than a leak runs
	checkedAt float64
	flowNoise float64
	flowRand  *rand.Rand
	noise     *rand.Rand
	port      [4]float64
	probes    [greywatt.NumChannels]probe
	meters    [greywatt.NumChannels]counter
	nodes     []sampler
	lastFlow  float64
	ledger    ledger
	stopped   bool
}

// Run simulates from the first local midnight to the last and returns the
// truth of every draw that ended by then.
func (h *House) Run(out Output) Truth {
	r := h.begin(out)
	for r.t < r.end && !r.stopped {
		r.turnPages()
		r.step(r.stepLength())
	}
	r.ledger.truth.Faults = h.Faults
	return r.ledger.truth
}

func (h *House) begin(out Output) *run {
	from, to := h.Span()
	r := &run{
		House: h, out: out, origin: from, end: to.Sub(from),
		flowRand: generator(h.Seed, flowStream), noise: generator(h.Seed, noiseStream),
		lastFlow: math.Inf(-1), checkedAt: math.Inf(-1), last: greywatt.NoValues(),
	}
	r.weather = newWeather(&h.Climate, h.Seed, h.Start, h.Days, h.location())
	room := r.weather.roomC
	r.works = newWaterworks(&h.Plumbing, h.connection(), h.Dwelling.Heater.HotC, room, generator(h.Seed, plumbingStream))
	r.unit = newUnit(&h.Physics, room)
	habits := h.Habits
	habits.Resume += h.sum(ShowerResumed, to-1)
	r.diary = diary{Habits: &habits, seed: h.Seed, others: h.connection() != greywatt.ConnectionB}
	for c := range r.port {
		r.port[c] = room
	}
	for c := greywatt.Channel(0); c < greywatt.NumChannels; c++ {
		on := c
		if c <= greywatt.PreheatOut {
			on = h.mounted(c)
		}
		r.probes[c] = newProbe(h.Sensors[c].Clamp, on, room)
		r.meters[c].Meter = h.Sensors[c].Meter
	}
	for i := range h.Nodes {
		r.nodes = append(r.nodes, newSampler(&h.Nodes[i], h.Seed, uint64(i), room))
	}
	r.ledger = newLedger(r)
	return r
}

// lastS is the quiet at the end of a run, so that no draw is cut by it.
const lastS = 300

// turnPages writes the diary one day ahead and drops what is over.
func (r *run) turnPages() {
	for r.day < r.Days && r.weather.days[r.day] <= r.t+daySeconds {
		for _, c := range r.diary.write(r.day, r.weather.days[r.day]) {
			if c.to+lastS < r.end {
				r.mark(&c)
				r.queue = append(r.queue, c)
			}
		}
		r.day++
	}
	for len(r.queue) > 0 && r.queue[0].to <= r.t {
		r.ledger.close(&r.queue[0])
		r.queue = r.queue[1:]
		r.silences = slices.DeleteFunc(r.silences, func(g Gap) bool { return g.To < r.origin.Add(r.t-lastS) })
	}
}

// settleS is how long after the last flow the short steps go on: until the
// drain is empty.
const settleS = 150

func (r *run) stepLength() float64 {
	dt := r.end - r.t
	if len(r.queue) > 0 {
		c := &r.queue[0]
		for _, e := range c.edges {
			if e > r.t+edgeS {
				dt = min(dt, e-r.t)
				break
			}
		}
		if r.t >= c.from-edgeS {
			return min(dt, usualStepS)
		}
	}
	if r.t < r.lastFlow+settleS || r.works.wasteKgS > 1.1*r.works.dripKgS {
		return min(dt, usualStepS)
	}
	for i := range r.nodes {
		if due := r.nodes[i].due - r.t; due > edgeS {
			dt = min(dt, due)
		}
	}
	return min(dt, 60)
}

// wanted returns what the people at home ask for in a step of dt from a moment.
func (r *run) wanted(from, dt float64) demand {
	var d demand
	if len(r.queue) == 0 || r.queue[0].from > from+edgeS {
		return d
	}
	middle := from + dt/2
	litres := density(r.works.coldOut) / 60e3 // kg/s of a l/min
	c := &r.queue[0]
	for _, o := range c.others {
		for _, p := range o.pieces {
			if p.from <= middle && middle < p.to {
				d.otherKgS += p.lMin * litres
			}
		}
	}
	if c.shower == nil {
		return d
	}
	for _, p := range c.shower.pieces {
		if p.from <= middle && middle < p.to {
			keep := math.Exp(-dt / 15)
			r.flowNoise = r.flowNoise*keep + r.Habits.FlowNoise*math.Sqrt(1-keep*keep)*r.flowRand.NormFloat64()
			d.showerKgS = p.lMin * litres * (1 + r.flowNoise)
			d.targetC = p.targetC
			if r.hunts != nil {
				wave := math.Sin(2 * math.Pi * middle / r.hunts.PeriodS)
				d.showerKgS *= 1 + r.hunts.Size*wave
				d.targetC += huntK * r.hunts.Size * wave
			}
			if d.otherKgS > 0 {
				d.showerKgS *= 1 - r.Plumbing.PressureLoss
			}
		}
	}
	return d
}

// huntK is how far the temperature at the head is sought up and down by a mixer
// that hunts, K per unit of relative flow: 0.6 K for 6 %.
const huntK = 10

// step moves everything dt seconds on.
func (r *run) step(dt float64) {
	from := r.t
	r.t += dt
	r.weather.at(r.t)
	r.check()
	room := r.weather.roomC
	d := r.wanted(from, dt)
	drawn := r.works.mainsKgS(d)
	r.drawing, r.condition = drawn > 0, r.usual
	if len(r.queue) > 0 && r.queue[0].from <= from+edgeS {
		drawn += r.queue[0].tap * d.showerKgS
		r.condition.Bypass = max(r.condition.Bypass, r.queue[0].bypass)
	}
	mains := drawn + r.works.leakKgS
	r.works.supply(dt, mains, r.weather.mainsC, room)
	feed := Feed{
		MainsKgS: mains, WasteKgS: r.works.wasteKgS,
		ColdC: r.works.coldOut, WasteC: r.works.wasteC, RoomC: room,
	}
	out := r.unit.step(dt, feed, r.condition)
	r.works.shower(dt, d, out.PreheatC, r.weather.mainsC, room)
	if r.drawing {
		r.lastFlow = r.t
	}
	r.ports(dt, feed, out)
	r.ledger.enter(from, dt, d, feed, out)
	mainsLS := mains / density(feed.ColdC) * 1000
	wasteLS := feed.WasteKgS / density(feed.WasteC) * 1000
	if r.out.State != nil {
		r.out.State(State{
			At: r.origin.Add(r.t), MainsLS: mainsLS, WasteLS: wasteLS, Port: r.port,
			HeadC: r.works.headC, AmbientC: room, OtherDrawLS: d.otherKgS / density(feed.ColdC) * 1000,
		})
	}
	if r.out.Frame != nil {
		r.measure(from, dt, mainsLS, wasteLS)
	}
}

// check renews once a minute what faults change.
func (r *run) check() {
	if r.t < r.checkedAt+60 {
		return
	}
	r.checkedAt = r.t
	at := r.origin.Add(r.t)
	r.usual = r.House.condition(at)
	for c := range r.probes {
		on := greywatt.Channel(c)
		r.probes[c].grip = r.grip(on, at)
		r.probes[c].driftK = r.driftK(on, at)
		r.meters[c].Gain = r.Sensors[c].Meter.Gain * r.meterFactor(on, at)
		r.dead[c] = r.death(on, at)
	}
	r.hunts = r.hunting(at)
	late := r.sum(LateWaking, at)
	for i := range r.nodes {
		r.nodes[i].late = late
	}
	r.works.leakKgS, r.works.dripKgS = 0, 0
	for _, f := range r.Faults {
		if f.Kind == Leak && f.present(at) {
			kgS := massFlow(f.Size, r.works.coldOut)
			r.works.leakKgS += kgS
			if f.Drips {
				r.works.dripKgS += kgS
			}
		}
	}
}

// ports brings the pipes at the four ports to the water in them; standing or
// empty, they go to the room.
func (r *run) ports(dt float64, f Feed, out Outlets) {
	wet := func(c greywatt.Channel, kgS, t float64) {
		if kgS > 0 {
			r.port[c] += (t - r.port[c]) * -math.Expm1(-dt*kgS/0.02)
			return
		}
		r.port[c] += (f.RoomC - r.port[c]) * -math.Expm1(-dt/(60*r.Plumbing.PortRestMin))
	}
	wet(greywatt.WasteIn, f.WasteKgS, f.WasteC)
	wet(greywatt.WasteOut, f.WasteKgS, out.WasteOutC)
	wet(greywatt.ColdIn, f.MainsKgS, f.ColdC)
	wet(greywatt.PreheatOut, f.MainsKgS, out.PreheatC)
}
