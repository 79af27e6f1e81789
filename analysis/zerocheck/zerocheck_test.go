package zerocheck

import (
	"math"
	"testing"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/simulate"
)

// The zero check finds what the clamps' offsets differ by, from hours of rest.
func TestZeroCheck(t *testing.T) {
	h := simulate.NewHouse("x", 8, simulate.Options{Days: 10})
	extra := [4]float64{0.4, 0, -0.2, 0}
	z := New(&h.Dwelling)
	for f := range h.Frames(nil) {
		for p, c := range event.PortChannels {
			f.Value[c] += extra[p]
		}
		z.Push([]greywatt.Frame{f})
	}
	got := z.Suggestions()
	if got == nil {
		t.Fatal("no suggestion from ten days")
	}
	var mean float64
	truth := extra
	for p, c := range event.PortChannels {
		truth[p] += h.Sensors[c].OffsetK
		for _, s := range h.Dwelling.Sensors {
			if s.Channel == c {
				truth[p] -= s.OffsetK
			}
		}
		mean += truth[p] / 4
	}
	for p, s := range got {
		if d := math.Abs(s.ExtraK - (truth[p] - mean)); d > s.U95K {
			t.Errorf("%s: reads %+.3f K over the mean of the four, true %+.3f, u95 %.3f", s.Channel, s.ExtraK, truth[p]-mean, s.U95K)
		}
	}
	if !got[0].Advised {
		t.Errorf("0.4 K on waste-in is not advised: %+v", got[0])
	}
}
