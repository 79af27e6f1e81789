package plan_test

import (
	"math"
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/plan"
	"greywatt/analysis/robust"
	"greywatt/analysis/simulate"
	"greywatt/analysis/summary"
)

// What was planned against what simulated dwellings then give, each planned with its
// own sensors, unit and usual shower: the median over twelve within a tenth.
func TestPlanAgainstSimulatedStudies(t *testing.T) {
	var ofShower, ofRatio, ofHeat, ofDwelling []float64
	for seed := range uint64(12) {
		h := simulate.NewHouse("h", 4100+seed, simulate.Options{Days: 14, ShowersPerDay: 2})
		study := &greywatt.Study{Dwellings: []greywatt.Dwelling{h.Dwelling}}
		dwelling := &study.Dwellings[0]
		a := event.NewAnalyser(study, dwelling)
		var events []event.Event
		for f := range h.Frames(nil) {
			events = append(events, a.Push([]greywatt.Frame{f})...)
		}
		events = append(events, a.Close()...)
		over := func(of func(e *event.Event) float64) float64 {
			var all []float64
			for i := range events {
				if e := &events[i]; e.Kind == event.Shower && !math.IsNaN(e.RatioU95) {
					all = append(all, of(e))
				}
			}
			return robust.Median(all)
		}
		d := plan.Design{
			Dwelling: *dwelling,
			FlowLMin: over(func(e *event.Event) float64 { return e.WasteFlowLMin }), Minutes: over(func(e *event.Event) float64 { return e.RunningS / 60 }),
			MainsC: over(func(e *event.Event) float64 { return e.ColdInC }), WasteInC: over(func(e *event.Event) float64 { return e.WasteInC }),
			MainsPerMix:    min(1, over(func(e *event.Event) float64 { return e.FlowLMin / e.WasteFlowLMin })),
			ShowersPerWeek: 14, Weeks: 2, Dwellings: 12, Scatter: 0.01, Between: 0.05,
		}
		p, err := plan.Of(d)
		if err != nil {
			t.Fatalf("%d: %v", seed, err)
		}
		ofShower = append(ofShower, p.EffectivenessU95/over(func(e *event.Event) float64 { return e.EffectivenessU95 }))
		ofRatio = append(ofRatio, p.RatioU95/over(func(e *event.Event) float64 { return e.RatioU95 }))
		s := summary.OfDwelling(dwelling, time.UTC, events, nil)
		ofHeat = append(ofHeat, p.DwellingHeatU95Relative/(s.HeatU95KWh/s.HeatKWh))
		ofDwelling = append(ofDwelling, p.Dwelling.U95()/s.Ratio.U95)
		t.Logf("%d %s: planned over found: shower %.2f, ratio %.2f, heat %.2f, dwelling %.2f", seed, dwelling.Connection,
			ofShower[seed], ofRatio[seed], ofHeat[seed], ofDwelling[seed])
	}
	for what, r := range map[string][]float64{"effectiveness of a shower": ofShower, "ratio of a shower": ofRatio, "heat of a dwelling": ofHeat, "ratio of a dwelling": ofDwelling} {
		if m := robust.Median(r); m < 0.9 || m > 1.1 {
			t.Errorf("u95 planned over u95 found, %s: %.3f", what, m)
		}
	}
}
