package zerocheck

import (
	"math"
	"testing"

	"greywatt"
	"greywatt/analysis/health"
	"greywatt/analysis/simulate"
)

// The zero check finds what the clamps' offsets differ by, from rests.
func TestZeroCheck(t *testing.T) {
	h := simulate.NewHouse("x", 8, simulate.Options{Days: 10})
	extra := [4]float64{0.4, 0, -0.2, 0}
	watch := health.New(nil, &h.Dwelling)
	for f := range h.Frames(nil) {
		for c := range greywatt.Channel(greywatt.NumPorts) {
			f.Value[c] += extra[c]
		}
		watch.Push([]greywatt.Frame{f})
	}
	record := watch.Close()
	got, _, _ := AtRest(&h.Dwelling, &record)
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

// rested is a record of rests a day apart, of clamps that read 0, 0.1, 0.2 and 0.3 K above 20 °C, moved by
// change.
func rested(rests int, change func(n int, r *health.Rest)) *health.Record {
	r := &health.Record{}
	for n := range rests {
		at := greywatt.Instant(0).Add(86400 * float64(n+1))
		rest := health.Rest{From: at, To: at.Add(7200), FlowLMin: 0, Chill: 0}
		for c := range rest.ClampC {
			rest.ClampC[c] = math.NaN()
		}
		for c := range greywatt.NumPorts {
			rest.ClampC[c] = 20 + 0.1*float64(c)
		}
		if change != nil {
			change(n, &rest)
		}
		r.Rests = append(r.Rests, rest)
		r.Last = rest.To
	}
	return r
}

// By hand: of a room that is not one temperature, 0.08 K of each clamp stays and 0.07 K comes and goes over 30
// days, of which a mean over T days keeps the part 2/x (1 - (1 - e^-x)/x), x = T/30; each clamp is in the mean that it is held against,
// which leaves three quarters; scatter from rest to rest averages, and is no less than 0.02 K.
//
//	4 rests, 3 days:   2 √(3/4 (0.08² + 0.07² · 0.967) + 0.02²/4) = 0.1839
//	40 rests, 39 days: 2 √(3/4 (0.08² + 0.07² · 0.677) + 0.02²/40) = 0.1709
//	4 rests ± 0.04 K:  as the first, with 0.0593²/4: 0.1922
func TestUncertaintyAtRest(t *testing.T) {
	swings := func(n int, r *health.Rest) {
		by := 0.04 * float64(2*(n%2)-1)
		r.ClampC[0] += by
		r.ClampC[1] -= by
	}
	for _, c := range []struct {
		rests  int
		change func(int, *health.Rest)
		want   float64 // U95 of waste-in, K
	}{{4, nil, 0.1839}, {40, nil, 0.1709}, {4, swings, 0.1922}} {
		got, have, _ := AtRest(&greywatt.Dwelling{ID: "d"}, rested(c.rests, c.change))
		if have != c.rests || len(got) != greywatt.NumPorts {
			t.Fatalf("%d rests: %d, %+v", c.rests, have, got)
		}
		if math.Abs(got[0].U95K-c.want) > 0.0002 {
			t.Errorf("%d rests: u95 %.4f K, want %.4f", c.rests, got[0].U95K, c.want)
		}
		for p := range got {
			if want := 0.1*float64(p) - 0.15; math.Abs(got[p].ExtraK-want) > 0.041 {
				t.Errorf("%s reads %+.3f K over the mean, want %+.3f", got[p].Channel, got[p].ExtraK, want)
			}
		}
	}
}

// What is no comparison of clamps at one temperature does not count: cold water that moves, a
// clamp without readings, one that is 8 K off.
func TestRestsThatCount(t *testing.T) {
	for name, change := range map[string]func(int, *health.Rest){
		"a leak":  func(_ int, r *health.Rest) { r.FlowLMin, r.Chill = 0.1, 0.6 },
		"unread":  func(_ int, r *health.Rest) { r.ClampC[greywatt.PreheatOut] = math.NaN() },
		"far off": func(_ int, r *health.Rest) { r.ClampC[greywatt.ColdIn] = 12 },
	} {
		if got, have, want := AtRest(&greywatt.Dwelling{ID: "d"}, rested(9, change)); got != nil || have != 0 || want != 3 {
			t.Errorf("%s: %d rests of %d, %+v", name, have, want, got)
		}
	}
	// a meter whose zero is off, with pipes at rest, does
	if _, have, _ := AtRest(&greywatt.Dwelling{ID: "d"}, rested(9, func(_ int, r *health.Rest) { r.FlowLMin, r.Chill = 0.1, 0.02 })); have != 9 {
		t.Errorf("a meter's zero: %d rests", have)
	}
}

// A clamp that drifts is held against the others, moves their mean no more, and gets no
// offset.
func TestDriftingClampAtRest(t *testing.T) {
	r := rested(20, func(n int, r *health.Rest) {
		for c := range greywatt.NumPorts {
			r.ClampC[c] = 20
		}
		r.ClampC[greywatt.WasteOut] += 2 * float64(n) / 19
	})
	r.Drifting = []health.Drifting{{Channel: greywatt.WasteOut}}
	rows, _, _ := AtRest(&greywatt.Dwelling{ID: "d"}, r)
	for _, s := range rows {
		if drifts := s.Channel == greywatt.WasteOut; s.Drifts != drifts || s.Advised || !drifts && math.Abs(s.ExtraK) > 1e-9 || drifts && math.Abs(s.ExtraK-1) > 0.06 {
			t.Errorf("%+v", s)
		}
	}
}
