package store

import (
	"math"
	"math/rand/v2"

	"greywatt"
)

// A street makes readings as nodes in the field do: once a minute at rest, once
// a second from the start of a draw until three minutes after it, the clock's
// milliseconds wandering, temperatures with sensor noise on the sensor's grid.
// A day has about 11 000 frames, a year 4 million.
type street struct {
	rng  *rand.Rand
	grid float64 // K: 1/16 for common digital sensors, 0.01 for converters behind a thermistor
	// millis: stamps in whole milliseconds with jitter, else whole seconds.
	millis bool
}

func newStreet(seed uint64, grid float64, millis bool) *street {
	return &street{rng: rand.New(rand.NewPCG(seed, 0)), grid: grid, millis: millis}
}

// days returns the frames of one node over n days, in order of time.
func (s *street) days(node string, n int) []greywatt.Frame {
	frames := make([]greywatt.Frame, 0, n*11_000)
	temp := [4]float64{19, 19, 16, 18}
	at := t0
	drawEnds, active := at, at // until when water runs, and samples are dense
	nextDraw := at.Add(600)
	var target [4]float64
	flow, set := 0.0, 0.0
	for end := t0.Add(float64(n) * 86400); at < end; {
		if at >= nextDraw {
			length := 20 + s.rng.ExpFloat64()*100
			if s.rng.IntN(6) == 0 {
				length = 240 + s.rng.ExpFloat64()*240 // a shower
			}
			drawEnds = at.Add(length)
			active = drawEnds.Add(180)
			nextDraw = drawEnds.Add(300 + s.rng.ExpFloat64()*2350)
			set = 0.08 + 0.1*s.rng.Float64()
			target = [4]float64{36 + 2*s.rng.Float64(), 22, 10, 24}
		}
		running := at < drawEnds
		step := 60.0
		if at < active {
			step = 1
		}
		goal, tau := [4]float64{19, 19, 18, 18}, 900.0
		flow = 0
		if running {
			goal, tau = target, 15
			flow = set * (1 + 0.015*s.rng.NormFloat64())
		}
		f := greywatt.Frame{At: at, Node: node, Value: greywatt.NoValues()}
		if s.millis {
			f.At += greywatt.Instant(s.rng.IntN(12)) * 1000
		}
		for i := range temp {
			temp[i] += (goal[i] - temp[i]) * (1 - math.Exp(-step/tau))
			f.Value[i] = s.onGrid(temp[i] + 0.03*s.rng.NormFloat64())
		}
		f.Value[greywatt.Flow] = math.Round(flow*1e4) / 1e4
		frames = append(frames, f)
		at = at.Add(step)
	}
	return frames
}

func (s *street) onGrid(v float64) float64 {
	if s.grid == 0.01 {
		return math.Round(v*100) / 100
	}
	return math.Round(v/s.grid) * s.grid
}

// readings lists the frames' readings channel by channel within each frame.
func readings(dwelling string, frames []greywatt.Frame) []greywatt.Reading {
	rs := make([]greywatt.Reading, 0, 5*len(frames))
	for i := range frames {
		for ch, v := range frames[i].Value {
			if v == v {
				rs = append(rs, reading(dwelling, frames[i].Node, greywatt.Channel(ch), frames[i].At, v))
			}
		}
	}
	return rs
}
