package event

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"greywatt"
	"greywatt/analysis/simulate"
)

// A part that was changing all through counts where there is no other only.
func TestChangingPartsAreLeftOut(t *testing.T) {
	lengths := func(parts []Part) (s []float64) {
		for _, p := range withoutTransients(parts) {
			s = append(s, p.Transient)
		}
		return s
	}
	for _, c := range []struct{ in, want []float64 }{
		{[]float64{0.001, -0.39, 0.019}, []float64{0.001, 0.019}},
		{[]float64{0.3, -0.39}, []float64{0.3, -0.39}},
		{[]float64{0.004}, []float64{0.004}},
	} {
		var parts []Part
		for _, x := range c.in {
			parts = append(parts, Part{Transient: x})
		}
		if got := lengths(parts); !slices.Equal(got, c.want) {
			t.Errorf("of tails %v there stay %v, want %v", c.in, got, c.want)
		}
	}
}

// A shower of which the flow settles for 40 s at once and again later: the first part
// ends while the waste is still on its way, and would enter with an effectiveness far
// from the shower's. Each part that enters agrees with the truth.
func TestPartsAgreeWithTheTruth(t *testing.T) {
	parts, far := 0, 0
	for seed := range uint64(12) {
		h := simulate.NewHouse("x", 75_010+seed, simulate.Options{Days: 6})
		study := &greywatt.Study{Dwellings: []greywatt.Dwelling{h.Dwelling}}
		var truth simulate.Truth
		a := NewAnalyser(study, &study.Dwellings[0])
		events := a.Push(slices.Collect(h.Frames(&truth)))
		events = append(events, a.Close()...)
		for i := range truth.Events {
			e := at(events, truth.Events[i].Start.Add(20))
			if e == nil || len(e.Parts) < 2 || !truth.Events[i].Measurable || e.Has(FlagOverlap) {
				continue
			}
			for _, p := range e.Parts {
				parts++
				if math.Abs(p.Transient) > mostTransient {
					t.Errorf("%s: a part with a tail of %.3f beside others", e.ID, p.Transient)
				}
				if math.Abs(p.Effectiveness/truth.Events[i].EffActual-1) > 0.2 {
					far++
					t.Logf("%s: part of %.0f s: effectiveness %.3f, the shower's %.3f", e.ID, p.Span.Seconds(), p.Effectiveness, truth.Events[i].EffActual)
				}
			}
		}
	}
	if parts < 100 {
		t.Fatalf("%d parts of showers with several, want 100", parts)
	}
	if far > parts/100 {
		t.Errorf("%d of %d parts are further than a fifth from their shower's effectiveness", far, parts)
	}
}

// A clamp that freezes in the middle of a shower: what it read before counts, what it
// holds from then on does not. The effectiveness of the parts before stays, and heat that
// rests on the clamp is said to be incomplete.
func TestClampThatDiesInAShower(t *testing.T) {
	scored := 0
	for seed := uint64(3); seed < 9; seed++ {
		for c := greywatt.WasteIn; c.IsPort(); c++ {
			house := showerHouse(seed, greywatt.ConnectionA)
			if house.Sensors[c].QuantumK > 0.03 {
				continue // a coarse converter stands still by itself
			}
			good, truth := analysed(house, nil)
			var shower *simulate.Event
			for i := range truth.Events {
				if s := &truth.Events[i]; s.Kind == simulate.Shower && s.Measurable && s.End.Sub(s.Start) > 330 && len(s.Parts) == 1 {
					shower = s
					break
				}
			}
			if shower == nil {
				continue
			}
			died := shower.Start.Add(200)
			held := math.NaN()
			events, _ := analysed(showerHouse(seed, greywatt.ConnectionA), every(func(f *greywatt.Frame) {
				switch v := &f.Value[c]; {
				case math.IsNaN(*v):
				case f.At <= died:
					held = *v
				default:
					*v = held
				}
			}))
			was, is := at(good, shower.Start.Add(20)), at(events, shower.Start.Add(20))
			if was == nil || is == nil {
				t.Fatalf("%s from 200 s on: event %v, %v with it", c, is, was)
			}
			scored++
			for _, p := range is.Parts {
				if c != greywatt.WasteOut && p.Span.To > died.Add(20) { // waste-out is not needed in A
					t.Errorf("seed %d, %s: a steady part ends %.0f s after the clamp died", seed, c, p.Span.To.Sub(died))
				}
			}
			if !math.IsNaN(is.Effectiveness) && math.Abs(is.Effectiveness-shower.EffActual) > is.EffectivenessU95+0.01 {
				t.Errorf("seed %d, %s: effectiveness %.4f ± %.4f, true %.4f", seed, c, is.Effectiveness, is.EffectivenessU95, shower.EffActual)
			}
			if heat := c == greywatt.ColdIn || c == greywatt.PreheatOut; heat && !is.Has(FlagHeatIncomplete) {
				t.Errorf("seed %d, %s: heat %.3f of %.3f kWh without a flag: %v", seed, c, is.HeatKWh, was.HeatKWh, is.Flags)
			}
		}
	}
	if scored < 8 {
		t.Errorf("%d showers scored, want 8", scored)
	}
}

// Becoming still is no death where it comes little by little, or where a coarse
// converter shows few values.
func TestDiedAt(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	series := func(n int, f func(k int) float64) []float64 {
		v := make([]float64, n)
		for k := range v {
			v[k] = f(k)
		}
		return v
	}
	step := func(x, q float64) float64 { return math.Round(x/q) * q }
	settling := func(tau, q, noise float64) []float64 {
		return series(500, func(k int) float64 { return step(14-10*math.Exp(-float64(k)/tau)+noise*rng.NormFloat64(), q) })
	}
	for _, c := range []struct {
		name string
		v    []float64
		want int
	}{
		{"lively, then held", series(400, func(k int) float64 { return 20 + 0.02*rng.NormFloat64()*max(0, float64(min(1, 250-k))) }), 250},
		{"lively to the end", series(400, func(int) float64 { return step(20+0.03*rng.NormFloat64(), 0.01) }), 400},
		{"settling, 0.0625 K steps", settling(8, 0.0625, 0), 500},
		{"settling, 0.0625 K steps, noise", settling(18, 0.0625, 0.01), 500},
		{"settling, 0.5 K steps", settling(18, 0.5, 0.02), 500},
		{"settling fast, 0.01 K steps", settling(3, 0.01, 0), 500},
		{"held for a minute", series(300, func(k int) float64 { return 20 + 0.02*rng.NormFloat64()*max(0, float64(min(1, 240-k))) }), 300},
	} {
		if got := diedAt(c.v); got > c.want+1 || got < c.want-1 {
			t.Errorf("%s: died after %d of %d readings, want %d", c.name, got, len(c.v), c.want)
		}
	}
}

// The least span of 6 K: with everything drawn towards waste-in until that is 5.5 K
// above cold-in there is no effectiveness, and the flag says why; with 6.6 K there is one.
func TestLeastSpan(t *testing.T) {
	scored := 0
	for seed := uint64(3); seed < 9; seed++ {
		_, truth := analysed(showerHouse(seed, greywatt.ConnectionA), nil)
		i := slices.IndexFunc(truth.Events, func(e simulate.Event) bool {
			return e.Kind == simulate.Shower && e.Measurable && e.SettledS > 150 && len(e.Parts) == 1 && e.OverlapS == 0
		})
		if i < 0 {
			continue
		}
		s := truth.Events[i]
		span := s.Port[greywatt.WasteIn] - s.Port[greywatt.ColdIn]
		for _, c := range []struct {
			spanK float64
			known bool
		}{{5.5, false}, {6.6, true}} {
			events, _ := analysed(showerHouse(seed, greywatt.ConnectionA), every(func(f *greywatt.Frame) {
				warm := f.Value[greywatt.WasteIn]
				for ch := greywatt.WasteOut; ch.IsPort(); ch++ {
					f.Value[ch] = warm + (f.Value[ch]-warm)*c.spanK/span
				}
			}))
			e := at(events, s.Start.Add(20))
			if e == nil || e.Kind != Shower {
				continue
			}
			scored++
			if known := !math.IsNaN(e.Effectiveness); known != c.known || known == e.Has(FlagSmallSpan) {
				t.Errorf("seed %d: span of %.1f K: effectiveness %.3f, flags %v", seed, c.spanK, e.Effectiveness, e.Flags)
			}
		}
	}
	if scored < 4 {
		t.Errorf("%d showers scored, want 4", scored)
	}
}
