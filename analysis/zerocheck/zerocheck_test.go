package zerocheck

import (
	"math"
	"testing"

	"greywatt"
	"greywatt/analysis/simulate"
)

// The zero check finds what the clamps' offsets differ by, from hours of rest.
func TestZeroCheck(t *testing.T) {
	h := simulate.NewHouse("x", 8, simulate.Options{Days: 10})
	extra := [4]float64{0.4, 0, -0.2, 0}
	z := New(&h.Dwelling)
	for f := range h.Frames(nil) {
		for c := range greywatt.Channel(greywatt.NumPorts) {
			f.Value[c] += extra[c]
		}
		z.Push([]greywatt.Frame{f})
	}
	got := z.Suggestions()
	if got == nil {
		t.Fatal("no suggestion from ten days")
	}
	var mean float64
	truth := extra
	for c := range greywatt.Channel(greywatt.NumPorts) {
		truth[c] += h.Sensors[c].OffsetK
		for _, s := range h.Dwelling.Sensors {
			if s.Channel == c {
				truth[c] -= s.OffsetK
			}
		}
		mean += truth[c] / 4
	}
	for c, s := range got {
		if d := math.Abs(s.ExtraK - (truth[c] - mean)); d > s.U95K {
			t.Errorf("%s: reads %+.3f K over the mean of the four, true %+.3f, u95 %.3f", s.Channel, s.ExtraK, truth[c]-mean, s.U95K)
		}
	}
	if !got[0].Advised {
		t.Errorf("0.4 K on waste-in is not advised: %+v", got[0])
	}
}

// At rest without any scatter what remains is the room: two standard uncertainties
// of 0.08 K, and no less however many hours. Scatter adds, six hours of a night
// counting as one.
func TestRoomInTheZeroCheck(t *testing.T) {
	rest := func(hours int, scatterK float64) []Suggestion {
		d := &greywatt.Dwelling{ID: "d", Connection: greywatt.ConnectionA}
		z := New(d)
		// a draw, and then rest; the first four hours do not count
		at := greywatt.Instant(0).Add(86400)
		for s := 0; s < (hours+4)*60+2; s++ {
			var f greywatt.Frame
			f.At = at.Add(60 * float64(s))
			for c := range f.Value {
				f.Value[c] = math.NaN()
			}
			f.Value[greywatt.Flow] = 0
			hour := s / 60 % 2
			for c := range greywatt.Channel(greywatt.NumPorts) {
				f.Value[c] = 20 + 0.1*float64(c) + scatterK*(2*float64(hour)-1)*float64([]int{1, -1, 0, 0}[c])
			}
			if s == 0 {
				f.Value[greywatt.Flow] = 0.15
			}
			z.Push([]greywatt.Frame{f})
		}
		return z.Suggestions()
	}
	for _, c := range []struct {
		hours   int
		scatter float64
		want    float64 // U95 of waste-in, K
	}{
		{6, 0, 0.16}, {60, 0, 0.16},
		// ±0.04 K: the median deviation is 0.04, as a standard deviation 1.4826 · 0.04
		// = 0.0593; of 24 hours, which count as 4: 2 √(0.08² + (0.0593/2)²)
		{24, 0.04, 0.1707},
	} {
		got := rest(c.hours, c.scatter)
		if got == nil {
			t.Fatalf("%d hours: no suggestion", c.hours)
		}
		if math.Abs(got[0].U95K-c.want) > 0.0015 {
			t.Errorf("%d hours, scatter ±%.2f K: u95 %.4f K, want %.4f", c.hours, c.scatter, got[0].U95K, c.want)
		}
		// 0, 0.1, 0.2 and 0.3 K above: against their mean -0.15, ..., 0.15
		for p := range got {
			if want := 0.1*float64(p) - 0.15; math.Abs(got[p].ExtraK-want) > c.scatter+1e-9 {
				t.Errorf("%s reads %+.3f K over the mean, want %+.3f", got[p].Channel, got[p].ExtraK, want)
			}
		}
	}
	if got := rest(3, 0); got != nil {
		t.Errorf("three hours of rest give %+v", got)
	}
}
