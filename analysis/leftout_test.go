package analysis_test

import (
	"math"
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/analysis/simulate"
)

// Showers after a clamp came loose stay in the trend's points, marked as left
// out; those before are in. The own part of each u95 is less than the whole,
// and the mains temperature is the event's.
func TestTrendPointsSayWhatIsLeftOut(t *testing.T) {
	h := simulate.NewFlat(1, 60, time.UTC).Houses[0]
	from := h.Start.In(time.UTC).Add(30 * 86400)
	h.Faults = []simulate.Fault{{Kind: simulate.SensorLoose, From: from, Size: 0.5, Channel: greywatt.WasteIn}}
	study, events := eventsOf(h)
	cold := map[string]float64{}
	for _, e := range events {
		cold[e.ID] = e.ColdInC
	}
	d := finding.Diagnose(study, &study.Dwellings[0], event.All(events), nil)
	if len(d.Findings) == 0 || d.Findings[0].Code != finding.SensorLoose {
		t.Fatalf("findings %v, want a loose clamp", d.Findings)
	}
	in, out := 0, 0
	for _, p := range d.Trend {
		switch {
		case p.LeftOut && p.At < from.Add(-2*86400), !p.LeftOut && p.At > from.Add(2*86400):
			t.Errorf("%s: left out: %t", p.EventID, p.LeftOut)
		case p.LeftOut:
			out++
		default:
			in++
			if !(p.OwnU95 > 0 && p.OwnU95 < p.UARatioU95) {
				t.Errorf("%s: own u95 %g of %g", p.EventID, p.OwnU95, p.UARatioU95)
			}
		}
		if math.Abs(p.ColdInC-cold[p.EventID]) > 0 {
			t.Errorf("%s: cold in %g, want %g", p.EventID, p.ColdInC, cold[p.EventID])
		}
	}
	if in < 20 || out < 20 {
		t.Errorf("%d in and %d left out, want 20 of each", in, out)
	}
}
