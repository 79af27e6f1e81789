package simulate

import (
	"math"
	"math/rand/v2"

	"greywatt"
)

// A Clamp is a temperature sensor as it truly is. In steady conditions it
// reads T - LossFraction·(T - T_ambient) + OffsetK.
type Clamp struct {
	OffsetK       float64
	LossFraction  float64
	ResponseS     float64
	NoiseK        float64 // standard deviation, white, of each reading
	QuantumK      float64
	DriftKPerYear float64
}

// A Meter is a flow sensor as it truly is.
type Meter struct {
	Gain           float64 // reading / flow
	NoiseRelative  float64 // standard deviation of each reading
	PulsesPerL     float64 // counted over one sampling interval; 0: analogue
	QuantumLS      float64 // of an analogue output
	CutOffLS       float64 // below it the reading is 0
	SpuriousPerDay float64 // single readings of flow at rest
	Drip           float64 // probability that the meter creeps for minutes after a shower
}

// An Instrument is what sits at one channel: a Clamp or a Meter by the
// channel's kind.
type Instrument struct {
	Fitted bool
	Clamp
	Meter
}

// A Wake says what makes a node sample fast.
type Wake string

// The wakes.
const (
	OnFlow        Wake = "on-flow"        // it sees the flow, or is told
	OnTemperature Wake = "on-temperature" // its own first temperature moves, or is far from the room's
)

// A Node carries the sensors of some channels and reports them together.
type Node struct {
	ID        string
	Channels  []greywatt.Channel
	IntervalS float64 // while water runs and for HoldS after
	IdleS     float64 // otherwise
	HoldS     float64
	JitterS   float64 // half the range in which instants scatter
	Wake      Wake
}

// A Gap is a stretch of time of which a node's readings never arrive.
type Gap struct {
	Node     string // empty: all nodes
	From, To greywatt.Instant
}

// probe is a Clamp in motion.
type probe struct {
	Clamp
	on       greywatt.Channel // the pipe it is clamped to
	grip     float64          // share of the pipe it feels; 1 unless loose
	driftK   float64          // that a fault adds
	was, now float64          // °C, before and after the last step
	fedBy    float64          // °C at its surface at the end of the last step
	decay    float64          // for steps of usualStepS
}

// usualStepS is the length of most steps while water runs.
const usualStepS = 0.5

func newProbe(c Clamp, on greywatt.Channel, roomC float64) probe {
	p := probe{Clamp: c, on: on, grip: 1, was: roomC, now: roomC, fedBy: roomC}
	p.decay = p.decayOver(usualStepS)
	return p
}

func (p *probe) decayOver(dt float64) float64 {
	if p.ResponseS <= 0 {
		return 0
	}
	return math.Exp(-dt / p.ResponseS)
}

// follow lags the surface by first order, exactly for a surface temperature
// that moves linearly over the step.
func (p *probe) follow(dt, pipeC, roomC float64) {
	felt := roomC + p.grip*(pipeC-roomC)
	surface := felt - p.LossFraction*(felt-roomC)
	decay := p.decay
	if dt != usualStepS {
		decay = p.decayOver(dt)
	}
	lag := (surface - p.fedBy) / dt * p.ResponseS
	p.was = p.now
	p.now = surface - lag + (p.now-p.fedBy+lag)*decay
	p.fedBy = surface
}

// read samples a fraction of the way through the last step.
func (p *probe) read(fraction, years float64, r *rand.Rand) float64 {
	t := p.was + fraction*(p.now-p.was) + p.OffsetK + p.DriftKPerYear*years + p.driftK
	t += p.NoiseK * r.NormFloat64()
	if p.QuantumK > 0 {
		t = math.Round(t/p.QuantumK) * p.QuantumK
	}
	return math.Round(t*1e4) / 1e4 // what a payload carries
}

// counter is a Meter in motion.
type counter struct {
	Meter
	flow      float64 // l/s, smoothed over half a second
	dripUntil float64
	dripLS    float64
	lastAt    float64
}

func (m *counter) follow(dt, flowLS float64) {
	m.flow += (flowLS - m.flow) * -math.Expm1(-dt/0.5)
	if flowLS == 0 && m.flow < 1e-3 {
		m.flow = 0
	}
}

func (m *counter) startDrip(t float64, r *rand.Rand) {
	if chance(r, m.Drip) {
		m.dripUntil = t + between(r, 60, 400)
		m.dripLS = between(r, 0.05, 0.25) / 60
	}
}

// read samples at t, with pulses counted over interval seconds.
func (m *counter) read(t, interval float64, r *rand.Rand) float64 {
	flow := m.flow * m.Gain
	if flow < m.CutOffLS {
		flow = 0
	}
	since := t - m.lastAt
	m.lastAt = t
	if flow == 0 {
		if t < m.dripUntil {
			flow = m.dripLS
		}
		if chance(r, m.SpuriousPerDay*since/86400) {
			flow = between(r, 0.01, 0.08)
		}
	}
	if flow == 0 {
		return 0
	}
	flow *= 1 + m.NoiseRelative*r.NormFloat64()
	switch {
	case m.PulsesPerL > 0:
		pulses := math.Floor(flow*interval*m.PulsesPerL + r.Float64())
		flow = pulses / interval / m.PulsesPerL
	case m.QuantumLS > 0:
		flow = math.Round(flow/m.QuantumLS) * m.QuantumLS
	}
	return math.Round(max(flow, 0)*1e6) / 1e6
}
