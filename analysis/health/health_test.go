package health_test

import (
	"math"
	"testing"

	"greywatt"
	"greywatt/analysis/health"
	"greywatt/analysis/simulate"
)

// Noise, step and intervals are those that the home was given.
func TestChannelsAsGiven(t *testing.T) {
	for _, c := range []struct{ noise, quantum, drawS, restS float64 }{
		{0.03, 0.01, 2, 60}, {0.04, 0.0625, 10, 60}, {0.3, 0.5, 5, 30},
	} {
		h := newHome(1, 10)
		h.noiseK, h.quantumK, h.drawS, h.restS = c.noise, c.quantum, c.drawS, c.restS
		r := h.record()
		// a step adds its own scatter, uniform within it
		want := math.Hypot(c.noise, c.quantum/math.Sqrt(12))
		for _, p := range []greywatt.Channel{greywatt.WasteIn, greywatt.WasteOut, greywatt.ColdIn, greywatt.PreheatOut} {
			k := r.Channels[p]
			if math.Abs(k.NoiseK-want) > 0.15*want || math.Abs(k.Quantum-c.quantum) > 1e-6 {
				t.Errorf("%s: noise %.4f K, step %.4f K; want %.4f and %.4f", p, k.NoiseK, k.Quantum, want, c.quantum)
			}
		}
		n := r.Nodes[0]
		if math.Abs(n.DrawS/c.drawS-1) > 0.05 || math.Abs(n.RestS/c.restS-1) > 0.05 || n.AwakeGaps != 0 || n.LateStarts != 0 {
			t.Errorf("intervals %.1f s and %.1f s, want %g and %g; %d silences, %d late of %d starts, want none", n.DrawS, n.RestS, c.drawS, c.restS, n.AwakeGaps, n.LateStarts, n.Starts)
		}
	}
}

// Silence while water runs is counted with its length; so is a node that wakes
// when the pipes are cold already.
func TestNodesThatMissWater(t *testing.T) {
	h := newHome(2, 20)
	h.drawS = 2
	h.lose = func(day float64) bool { // 100 s at a time, every half hour of the morning
		s := math.Mod(day, 1) * 86400
		return s > 6*3600 && s < 9*3600 && math.Mod(s, 1800) < 100
	}
	n := h.record().Nodes[0]
	if n.AwakeGaps < 3 || n.AwakeGapS/float64(n.AwakeGaps) < 20 || n.AwakeGapS/float64(n.AwakeGaps) > 105 {
		t.Errorf("%d silences, %.0f s: want some, of up to 102 s", n.AwakeGaps, n.AwakeGapS)
	}
	h = newHome(3, 20)
	h.drawS, h.lateS = 2, 25
	n = h.record().Nodes[0]
	if n.Starts < 20 || float64(n.LateStarts) < 0.8*float64(n.Starts) {
		// a draw soon after another finds the pipes cold already, and says nothing
		t.Errorf("%d late of %d starts, want four in five", n.LateStarts, n.Starts)
	}
}

// A frame that comes late is counted, and changes nothing else.
func TestOutOfOrder(t *testing.T) {
	d := greywatt.Dwelling{ID: "d"}
	w := health.New(nil, &d)
	v := greywatt.NoValues()
	v[greywatt.ColdIn] = 10
	w.Push([]greywatt.Frame{{At: start, Node: "n", Value: v}, {At: start.Add(60), Node: "n", Value: v}, {At: start.Add(30), Node: "n", Value: v}})
	if r := w.Close(); r.OutOfOrder != 1 || r.Channels[greywatt.ColdIn].Readings != 2 {
		t.Errorf("%d out of order, %d readings; want 1 and 2", r.OutOfOrder, r.Channels[greywatt.ColdIn].Readings)
	}
	if r := health.New(nil, &d).Close(); len(r.Dead)+len(r.Drifting)+len(r.Leaks)+len(r.Nodes) != 0 {
		t.Errorf("without a frame: %+v", r)
	}
}

// Readings of a second node count from an hour after the first one's last.
func TestAnotherNodeTakesOver(t *testing.T) {
	d := greywatt.Dwelling{ID: "d"}
	w := health.New(nil, &d)
	push := func(node string, from, to, c float64) {
		for s := from; s < to; s += 60 {
			v := greywatt.NoValues()
			v[greywatt.ColdIn] = c
			w.Push([]greywatt.Frame{{At: start.Add(s), Node: node, Value: v}})
		}
	}
	push("first", 0, 3600, 10)
	push("second", 3630, 10800, 11) // the first node's last reading is of 3540 s
	if n := w.Close().Channels[greywatt.ColdIn].Readings; n != 60+61 {
		t.Errorf("%d readings counted, want the first node's 60 and the second's 61 from 7170 s on", n)
	}
}

// What the clamps differ by at rest is what their offsets differ by.
func TestRestsShowOffsets(t *testing.T) {
	h := simulate.NewHouse("h", 11, simulate.Options{Days: 21, TempU95K: 1})
	r := simulated(h, nil)
	if len(r.Rests) < 14 {
		t.Fatalf("%d rests in 21 days", len(r.Rests))
	}
	var own [4]float64
	var mean float64
	for c := range own {
		own[c] = h.Sensors[c].OffsetK
		for _, s := range h.Dwelling.Sensors {
			if s.Channel == greywatt.Channel(c) {
				own[c] -= s.OffsetK
			}
		}
		mean += own[c] / 4
	}
	for _, rest := range r.Rests {
		for c := range own {
			// less the mean of the other three
			want := (own[c] - mean) * 4 / 3
			if d := rest.DiffK[c]; math.Abs(d-want) > 3*rest.UK[c] {
				t.Errorf("%s, %s: %.3f K above the others, want %.3f ± %.3f", rest.From, greywatt.Channel(c), d, want, rest.UK[c])
			}
		}
	}
}

// A room that is kept at one temperature for a day, or that a coarse sensor shows
// so, is no dead sensor, however much the pipes move; one that moved and then
// stands is.
func TestSteadyRoomIsNotDead(t *testing.T) {
	for seed := range uint64(4) {
		h := newHome(10+seed, 60)
		h.change = func(c greywatt.Channel, day, v float64) float64 {
			if c == greywatt.Ambient {
				return 19 + math.Round(15*math.Sin(math.Floor(day)))/10
			}
			return v
		}
		for _, d := range h.record().Dead {
			t.Errorf("home %d, the room in steps of a day: %s %s from day %.1f to %.1f, %.3f", seed, d.Channel, d.How, d.From.Sub(start)/86400, d.To.Sub(start)/86400, d.Score)
		}
		h.change = func(c greywatt.Channel, day, v float64) float64 {
			if c == greywatt.Ambient && day > 30 {
				return 19
			}
			return v
		}
		if dead := h.record().Dead; len(dead) != 1 || dead[0].Channel != greywatt.Ambient || dead[0].Score < 0.9 || math.Abs(dead[0].From.Sub(start)/86400-30) > 1 {
			t.Errorf("home %d, the room's sensor stands from day 30: %+v", seed, dead)
		}
	}
}
