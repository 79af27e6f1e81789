package health_test

import (
	"math"
	"math/rand/v2"
	"strconv"

	"greywatt"
	"greywatt/analysis/health"
)

// A home is an invented dwelling of the test's own: pipes that follow water
// while it runs and the room while it does not, with what a resting pipe is
// known to do wrong: layers of warm air, a cold main that conducts, seasons,
// clamps with steps and slow errors. All numbers are invented.
type home struct {
	seed       uint64
	days       int
	drawS      float64                                          // interval while water runs
	restS      float64                                          // and at rest
	quantumK   float64                                          // of every clamp
	noiseK     float64                                          //
	quantumLS  float64                                          // of the meter
	error      func(c greywatt.Channel, day float64) float64    // K beyond the healthy
	leakLMin   func(day float64) float64                        // water through the meter at rest
	zeroLMin   float64                                          // what the meter reads too much
	pulsesPerL float64                                          // 0: analogue
	change     func(c greywatt.Channel, day, v float64) float64 // of a reading; NaN: none
	node       func(c greywatt.Channel) string                  // nil: one node
	lose       func(day float64) bool                           // whole frames
	away       func(day float64) bool                           // nobody in
	lateS      float64                                          // s for which the node sleeps on in a draw
	noAmbient  bool
}

// newHome draws a sound home.
func newHome(seed uint64, days int) *home {
	r := rand.New(rand.NewPCG(seed, 1))
	h := &home{seed: seed, days: days, restS: 60, quantumLS: 0.0001}
	h.drawS = []float64{2, 5, 10}[r.IntN(3)]
	h.quantumK = []float64{0.01, 0.0625, 0.1}[r.IntN(3)]
	h.noiseK = 0.01 + 0.04*r.Float64()
	return h
}

var start = greywatt.InstantOfUnix(1_768_176_000) // 2026-01-12

// frames yields the readings in time order.
func (h *home) frames(yield func(greywatt.Frame)) {
	r := rand.New(rand.NewPCG(h.seed, 2))
	phase := 2 * math.Pi * r.Float64()
	roomC, roomSwing, roomDaily := 17+5*r.Float64(), 1+2*r.Float64(), 0.3+0.7*r.Float64()
	mainsC, mainsSwing := 10+3*r.Float64(), 2+4*r.Float64()
	var offset, g, slow, wave, wavePhase [greywatt.NumChannels]float64
	for c := range offset {
		offset[c] = 0.2 * r.NormFloat64()
		g[c] = 0.02 * r.NormFloat64() // layers of air that follow room less mains
		slow[c] = 0.2*r.Float64() - 0.1
		wave[c], wavePhase[c] = 0.07*r.Float64(), 2*math.Pi*r.Float64()
	}
	g[greywatt.ColdIn] = -0.05 * r.Float64() // the main conducts
	type draw struct {
		from, to  float64 // s
		shower    bool
		lMin, hot float64
	}
	var draws []draw
	for d := range h.days {
		if h.away != nil && h.away(float64(d)) {
			continue
		}
		base := float64(d) * 86400
		for _, at := range []float64{6.5, 7.5, 21} {
			if r.Float64() < 0.8 {
				from := base + (at+0.6*r.Float64())*3600
				draws = append(draws, draw{from, from + 240 + 400*r.Float64(), true, 6 + 4*r.Float64(), 36 + 4*r.Float64()})
			}
		}
		for range r.IntN(5) {
			from := base + (9+11*r.Float64())*3600
			draws = append(draws, draw{from, from + 10 + 60*r.Float64(), false, 3 + 4*r.Float64(), 0})
		}
	}
	for i := 1; i < len(draws); i++ { // by time, without overlap
		for j := i; j > 0 && draws[j].from < draws[j-1].from; j-- {
			draws[j], draws[j-1] = draws[j-1], draws[j]
		}
	}
	pipe := [greywatt.NumChannels]float64{roomC, roomC, roomC, roomC, 0, roomC, 0}
	heldTarget, heldTau := pipe, pipe // what the pipes followed since the last reading
	for c := range heldTau {
		heldTau[c] = 5400
	}
	var litres float64
	t, last, next := 0.0, 0.0, 0
	until := -1.0
	for t < float64(h.days)*86400 {
		day := t / 86400
		for next < len(draws) && draws[next].to < t {
			next++
		}
		var now *draw
		if next < len(draws) && draws[next].from <= t {
			now = &draws[next]
			until = now.to + 180
		}
		room := roomC + roomSwing*math.Sin(2*math.Pi*day/365+phase) + roomDaily*math.Sin(2*math.Pi*(day-0.5))
		mains := mainsC + mainsSwing*math.Sin(2*math.Pi*day/365+phase+1)
		var leak float64
		if h.leakLMin != nil {
			leak = h.leakLMin(day)
		}
		lMin := leak
		target := [greywatt.NumChannels]float64{room, room, room, room, 0, room, 0}
		var tau [greywatt.NumChannels]float64
		for c := range tau {
			tau[c] = 5400
		}
		if leak > 0 {
			// 2 W/K between the main and the unit, 4 W/K in it; water carries 70 W/K a l/min
			target[greywatt.ColdIn] = room - (room-mains)*math.Exp(-2/(70*leak))
			target[greywatt.PreheatOut] = room - (room-mains)*math.Exp(-6/(70*leak))
			tau[greywatt.ColdIn], tau[greywatt.PreheatOut] = 1800, 1800
		}
		if now != nil {
			lMin += now.lMin
			target[greywatt.ColdIn], tau[greywatt.ColdIn] = mains, 15
			target[greywatt.PreheatOut], tau[greywatt.PreheatOut] = mains+0.1*(room-mains), 20
			if now.shower {
				target[greywatt.WasteIn], tau[greywatt.WasteIn] = now.hot, 20
				target[greywatt.WasteOut], tau[greywatt.WasteOut] = now.hot-0.55*(now.hot-mains), 25
				target[greywatt.PreheatOut] = mains + 0.55*(now.hot-mains)
			}
		}
		dt := t - last
		values := greywatt.NoValues()
		for c := range greywatt.Channel(greywatt.NumChannels) {
			if c == greywatt.WasteFlow || c == greywatt.Ambient && h.noAmbient {
				continue
			}
			var v float64
			if c == greywatt.Flow {
				q := (lMin + h.zeroLMin) / 60
				if lMin > 0 {
					q *= 1 + 0.01*r.NormFloat64()
				}
				v = math.Round(q/h.quantumLS) * h.quantumLS
				if h.pulsesPerL > 0 {
					litres += lMin / 60 * dt
					n := math.Floor(litres * h.pulsesPerL)
					litres -= n / h.pulsesPerL
					v = 0
					if dt > 0 {
						v = n / h.pulsesPerL / dt
					}
				}
			} else {
				pipe[c] += (heldTarget[c] - pipe[c]) * (1 - math.Exp(-dt/heldTau[c]))
				if c == greywatt.Ambient {
					pipe[c] = room
				}
				v = pipe[c] + offset[c] + h.noiseK*r.NormFloat64() + slow[c]*day/365
				if now == nil {
					v += g[c]*(room-mains) + wave[c]*math.Sin(2*math.Pi*day/40+wavePhase[c])
				}
				if h.error != nil {
					v += h.error(c, day)
				}
				v = math.Round(v/h.quantumK) * h.quantumK
			}
			if h.change != nil {
				v = h.change(c, day, v)
			}
			values[c] = v
		}
		at := start.Add(t)
		asleep := now != nil && t-now.from < h.lateS
		if !asleep && (h.lose == nil || !h.lose(day)) {
			if h.node == nil {
				yield(greywatt.Frame{At: at, Node: "n1", Value: values})
			} else {
				for c, v := range values {
					if !math.IsNaN(v) {
						f := greywatt.Frame{At: at.Add(0.01 * float64(c)), Node: h.node(greywatt.Channel(c)), Value: greywatt.NoValues()}
						f.Value[c] = v
						yield(f)
					}
				}
			}
		}
		heldTarget, heldTau = target, tau
		last = t
		step := h.restS
		if now != nil || t < until {
			step = h.drawS
		} else if next < len(draws) && draws[next].from < t+step {
			step = max(0.1, draws[next].from-t+0.5)
		}
		t += step
	}
}

// record runs a home through a watch.
func (h *home) record() health.Record {
	d := greywatt.Dwelling{ID: "home-" + strconv.FormatUint(h.seed, 10), Connection: greywatt.ConnectionA}
	w := health.New(nil, &d)
	batch := make([]greywatt.Frame, 0, 512)
	h.frames(func(f greywatt.Frame) {
		if batch = append(batch, f); len(batch) == cap(batch) {
			w.Push(batch)
			batch = batch[:0]
		}
	})
	w.Push(batch)
	return w.Close()
}
