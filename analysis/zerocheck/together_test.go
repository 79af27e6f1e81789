package zerocheck

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"greywatt"
)

// bundle returns a minute-by-minute record of four clamps at one temperature that
// falls slowly, each with its own error, K.
func bundle(minutes int, off [4]float64, change func(minute int, f *greywatt.Frame)) (frames []greywatt.Frame) {
	chance := rand.New(rand.NewPCG(1, 2))
	for m := range minutes {
		f := greywatt.Frame{At: greywatt.Instant(0).Add(1e6 + 60*float64(m)), Node: "n1"}
		for c := range f.Value {
			f.Value[c] = math.NaN()
		}
		for c := range off {
			f.Value[c] = 21 - 0.02*float64(m) + off[c] + 0.03*chance.NormFloat64()
		}
		if change != nil {
			change(m, &f)
		}
		frames = append(frames, f)
	}
	return frames
}

// Errors that were put in come out within the stated uncertainty. Their true
// differences to the mean are arithmetic.
func TestTogether(t *testing.T) {
	d := &greywatt.Dwelling{ID: "d", Connection: greywatt.ConnectionA, Sensors: []greywatt.Sensor{{Channel: greywatt.WasteIn, OffsetK: 0.1, U95K: 0.3, Scale: 1}}}
	rows, why := Together(d, bundle(40, [4]float64{0.5, 0.1, -0.3, 0.1}, nil))
	if why != "" {
		t.Fatal(why)
	}
	// Corrected: 0.4, 0.1, -0.3, 0.1, of which the mean is 0.075.
	for c, want := range []float64{0.325, 0.025, -0.375, 0.025} {
		if got := rows[c]; math.Abs(got.ExtraK-want) > got.U95K {
			t.Errorf("%s: %+.3f ± %.3f K, true %+.3f", got.Channel, got.ExtraK, got.U95K, want)
		}
	}
	if !rows[0].Advised || !rows[2].Advised || rows[1].Advised || rows[3].Advised {
		t.Errorf("advised are %v", rows)
	}
	if rows[0].DeclaredK != 0.1 || math.Abs(rows[0].NewK-(0.1+rows[0].ExtraK)) > 1e-12 {
		t.Errorf("%+v", rows[0])
	}
	for _, r := range rows { // the bundle alone has 2 · 0.03 K
		if r.U95K < 0.06 || r.U95K > 0.1 {
			t.Errorf("%s: u95 %.3f K", r.Channel, r.U95K)
		}
	}
}

func TestNotTogether(t *testing.T) {
	d := &greywatt.Dwelling{ID: "d", Connection: greywatt.ConnectionA}
	for want, frames := range map[string][]greywatt.Frame{
		"no readings":         nil,
		"waste-in has":        bundle(12, [4]float64{}, nil),
		"no readings of cold": bundle(40, [4]float64{}, func(_ int, f *greywatt.Frame) { f.Value[greywatt.ColdIn] = math.NaN() }),
		"waste-out still moves": bundle(40, [4]float64{}, func(m int, f *greywatt.Frame) {
			f.Value[greywatt.WasteOut] += 0.03 * float64(m)
		}),
		"preheat-out reads": bundle(40, [4]float64{0, 0, 0, 15}, nil),
	} {
		if rows, why := Together(d, frames); rows != nil || !strings.HasPrefix(why, want) {
			t.Errorf("%q, want %q", why, want)
		}
	}
}

// One clamp 0.6 K above three that agree reads 0.6 K above them, and they nothing: once its
// offset is taken over, nothing is left to change. Arithmetic.
func TestOneOffTogether(t *testing.T) {
	d := &greywatt.Dwelling{ID: "d", Connection: greywatt.ConnectionA}
	frames := bundle(40, [4]float64{0, 0, 0, 0.6}, nil)
	rows, why := Together(d, frames)
	if why != "" {
		t.Fatal(why)
	}
	for c, s := range rows {
		want, advised := 0.0, c == int(greywatt.PreheatOut)
		if advised {
			want = 0.6
		}
		if math.Abs(s.ExtraK-want) > 0.03 || s.Advised != advised {
			t.Errorf("%s: %+.3f K, advised %t", s.Channel, s.ExtraK, s.Advised)
		}
	}
	s := rows[greywatt.PreheatOut]
	d.Sensors = []greywatt.Sensor{{Channel: greywatt.PreheatOut, OffsetK: s.NewK, U95K: s.U95K, Scale: 1}}
	again, _ := Together(d, frames)
	for _, s := range again {
		if s.Advised {
			t.Errorf("taken over: %s %+.3f K is advised", s.Channel, s.ExtraK)
		}
	}
}
