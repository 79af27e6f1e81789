package commission_test

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"greywatt"
	"greywatt/analysis/commission"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/analysis/simulate"
)

// A sound unit passes on its first showers, one that does three quarters of its
// conductance fails or is not told, and swapped clamps are named before either.
func TestCommission(t *testing.T) {
	verdicts := map[string]map[commission.Verdict]int{}
	judge := func(name string, h *simulate.House) commission.Result {
		h.Days = 5
		study, events := eventsOf(h)
		c := commission.Judge(study, &study.Dwellings[0], 0, events, 5)
		if verdicts[name] == nil {
			verdicts[name] = map[commission.Verdict]int{}
		}
		verdicts[name][c.Verdict]++
		if c.Verdict != commission.CannotTell && math.IsNaN(c.Ratio) {
			t.Errorf("%s: %s without a ratio", name, c.Verdict)
		}
		return c
	}
	for seed := range uint64(12) {
		judge("sound", simulate.Faulty(simulate.Healthy, seed+1).Houses[0])
		judge("low", simulate.Faulty(simulate.LowFromStart, seed+1).Houses[0])
		judge("bypassed", sinceStart(simulate.Faulty(simulate.NoRecovery, seed+1).Houses[0]))
		if c := judge("swapped", simulate.Faulty(simulate.WasteSensorsSwapped, seed+1).Houses[0]); len(c.Findings) == 0 || c.Findings[0].Code != finding.WasteSensorsSwapped {
			t.Errorf("swapped clamps, seed %d: %+v", seed+1, c)
		}
	}
	t.Log(fmt.Sprint(verdicts))
	if v := verdicts["sound"]; v[commission.Fail] > 0 || v[commission.Pass] < 8 {
		t.Errorf("sound units: %v", v)
	}
	if v := verdicts["low"]; v[commission.Pass] > 0 || v[commission.Fail] < 6 {
		t.Errorf("units low from the start: %v", v)
	}
	if v := verdicts["bypassed"]; v[commission.Fail] < 12 {
		t.Errorf("bypassed units: %v", v)
	}
	if v := verdicts["swapped"]; v[commission.CannotTell] < 12 {
		t.Errorf("swapped clamps: %v", v)
	}
}

func sinceStart(h *simulate.House) *simulate.House {
	h.Faults[0].From = greywatt.Instant(0)
	return h
}

// eventsOf returns the events that the analysis finds in a simulated house.
func eventsOf(h *simulate.House) (*greywatt.Study, []event.Event) {
	study := &greywatt.Study{Timezone: h.Timezone, Dwellings: []greywatt.Dwelling{h.Dwelling}}
	a := event.NewAnalyser(study, &study.Dwellings[0])
	events := a.Push(slices.Collect(h.Frames(nil)))
	return study, append(events, a.Close()...)
}
