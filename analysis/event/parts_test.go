package event

import (
	"math"
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
