package main

import (
	"math"
	"math/rand/v2"
	"time"

	"greywatt"
)

// A flat is an invented dwelling in connection A: somebody showers, the pipes
// follow. It is there to give a node something to sample; its physics is not fit
// to judge an analysis by.
type flat struct {
	rand *rand.Rand
	last time.Duration
	port [4]float64 // °C, of the pipes, in the order of the channels

	begins, ends time.Duration // of the shower at hand or next
	flowLS       float64
	drawnC       float64
}

// The flat's constants are invented, within what is common.
const (
	roomC, mainsC    = 20.5, 9.0
	showerEvery      = 30 * time.Minute // and a third of that again: mean pause
	runTau, coolTau  = 20.0, 900.0      // s, of pipes under flow and at rest
	clampStepK       = 1.0 / 16         // resolution of a 12-bit sensor
	pulsesPerL       = 450.0            // of a small turbine meter
	effectivenessAt8 = 0.55             // at 8 l/min
)

func newFlat(seed uint64) *flat {
	f := &flat{rand: rand.New(rand.NewPCG(seed, 0)), port: [4]float64{roomC, roomC, roomC, roomC}}
	f.plan(30 * time.Second)
	return f
}

// plan draws the shower that begins at an uptime.
func (f *flat) plan(begins time.Duration) {
	f.begins = begins
	f.ends = begins + time.Duration(240+f.rand.IntN(300))*time.Second
	f.flowLS = (6 + 4*f.rand.Float64()) / 60
	f.drawnC = 36 + 3*f.rand.Float64()
}

func (f *flat) read(uptime time.Duration) (greywatt.Values, error) {
	for ; f.last < uptime; f.last += time.Second {
		f.second()
	}
	v := greywatt.NoValues()
	for c, t := range f.port {
		v[c] = clampStepK * math.Round((t+0.03*f.rand.NormFloat64())/clampStepK)
	}
	v[greywatt.Flow] = 0
	if f.running() {
		v[greywatt.Flow] = math.Round(f.flowLS*(1+0.01*f.rand.NormFloat64())*pulsesPerL) / pulsesPerL
	}
	v[greywatt.Ambient] = clampStepK * math.Round(roomC/clampStepK)
	return v, nil
}

func (f *flat) running() bool { return f.last >= f.begins && f.last < f.ends }

// second lets a second pass.
func (f *flat) second() {
	goal, tau := [4]float64{roomC, roomC, roomC, roomC}, coolTau
	if f.running() {
		eff := effectivenessAt8 * math.Pow(f.flowLS*60/8, -0.3)
		waste := f.drawnC - 4
		gain := eff * (waste - mainsC)
		goal, tau = [4]float64{waste, waste - gain, mainsC, mainsC + gain}, runTau
	}
	for c := range f.port {
		f.port[c] += (goal[c] - f.port[c]) * (1 - math.Exp(-1/tau))
	}
	if f.last >= f.ends {
		pause := (0.3 + f.rand.ExpFloat64()) * showerEvery.Seconds()
		f.plan(f.last + time.Duration(pause)*time.Second)
	}
}
