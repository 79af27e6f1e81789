package simulate

import (
	"testing"

	"greywatt"
)

// A node that must notice a shower by its own pipe samples fast from the time
// warm waste has reached its clamp until the shower's end, the second of two
// showers in a row too.
func TestWakeOnTemperature(t *testing.T) {
	h := NewHouse("h", 21, Options{Days: 5, Nodes: 2})
	h.Habits.BackToBack, h.Habits.ShowersPerDay = 1, 4
	h.Nodes[0].Wake = OnTemperature
	var truth Truth
	var at []greywatt.Instant
	for f := range h.Frames(&truth) {
		if f.Node == h.Nodes[0].ID {
			at = append(at, f.At)
		}
	}
	showers := 0
	for _, e := range truth.Events {
		if e.Kind != Shower {
			continue
		}
		showers++
		for i := 1; i < len(at); i++ {
			if at[i-1] > e.Start.Add(75) && at[i] < e.End && at[i].Sub(at[i-1]) > 1.1 {
				t.Errorf("silent for %.1f s in the shower of %v", at[i].Sub(at[i-1]), e.Start)
			}
		}
	}
	if showers < 8 {
		t.Errorf("%d showers, want at least 8", showers)
	}
}
