package draw

import (
	"math"
	"math/rand/v2"
	"testing"
)

// counted turns a meter's flow into that of a counter of pulses of unitL: the
// pulses since the reading before, over the time since then or over what it
// should have been. phase of the first pulse has gone before.
func counted(t, flow []float64, unitL, nominalS, phase float64) []float64 {
	out := make([]float64, len(flow))
	litres := phase * unitL
	for k := 1; k < len(t); k++ {
		dt := t[k] - t[k-1]
		litres += flow[k] / 60 * dt
		n := math.Floor(litres / unitL)
		litres -= n * unitL
		if nominalS > 0 {
			dt = nominalS
		}
		out[k] = n * unitL / dt * 60
	}
	return out
}

func volume(t, flow []float64) (l float64) {
	for _, r := range Runs(t, flow) {
		for k := r.First; k <= r.Last; k++ {
			l += flow[k] / 60 * Weight(t, r, k)
		}
	}
	return l
}

func TestEvenLeavesFineMeters(t *testing.T) {
	for name, taps := range map[string][]tap{
		"a shower":    {{50, 400, 9}},
		"steps":       {{50, 200, 6}, {200, 300, 11}, {300, 420, 7}},
		"short draws": {{20, 24, 6}, {27, 31, 5}, {40, 43, 6}, {50, 54, 6}, {60, 64, 4}},
		"pauses":      {{20, 60, 8}, {70, 110, 8}, {118, 160, 8}, {165, 200, 8}},
		"nothing":     nil,
	} {
		for _, noise := range []float64{0, 0.005, 0.02} {
			at, q := meter(500, 1, noise, taps...)
			even, is := Even(at, q)
			if is != (Coarseness{}) || len(even) > 0 && &even[0] != &q[0] {
				t.Errorf("%s, noise %g: taken for %+v", name, noise, is)
			}
		}
	}
}

// Pulses of a twentieth of a litre to a whole one, sampled twice a second to
// every five seconds: the flow comes back, and the volume stays.
func TestEvenSpreadsPulses(t *testing.T) {
	for _, unit := range []float64{0.05, 0.1, 0.25, 1} {
		for _, step := range []float64{0.5, 1, 2, 5} {
			for _, nominal := range []float64{0, step} {
				at, flow := meter(1000, step, 0, tap{100, 500, 9}, tap{560, 900, 5.4})
				even, is := Even(at, counted(at, flow, unit, nominal, 0.37))
				if unit*60/9 < step/2 { // six in a reading and more: averaged, not told apart
					if is.Jumps && is.PulseL > 0 && math.Abs(is.PulseL/unit-1) > 0.03 {
						t.Errorf("%g l, %g s: pulses of %g l", unit, step, is.PulseL)
					}
				} else if unit >= 0.1 && (!is.Jumps || math.Abs(is.PulseL/unit-1) > 0.03) {
					t.Errorf("%g l, %g s: %+v", unit, step, is)
				}
				for _, in := range []struct{ from, to, flow float64 }{{140, 460, 9}, {600, 860, 5.4}} {
					var worst float64
					for k := range at {
						if at[k] >= in.from && at[k] <= in.to {
							worst = max(worst, math.Abs(even[k]/in.flow-1))
						}
					}
					if worst > 0.08 {
						t.Errorf("%g l, %g s, nominal %g: %.1f l/min is off by %.3f", unit, step, nominal, in.flow, worst)
					}
				}
				runs := Runs(at, even)
				if len(runs) != 2 {
					t.Errorf("%g l, %g s: %d runs, want 2", unit, step, len(runs))
					continue
				}
				spacing := max(step, unit*60/5.4)
				for i, want := range [][2]float64{{100, 500}, {560, 900}} {
					from, to := at[runs[i].First], at[runs[i].Last]
					if math.Abs(from-want[0]) > spacing+step || math.Abs(to-want[1]) > spacing+step {
						t.Errorf("%g l, %g s: water from %.1f to %.1f s, want %v", unit, step, from, to, want)
					}
				}
				if got, want := volume(at, even), volume(at, flow); math.Abs(got-want) > 2*unit+0.02*want {
					t.Errorf("%g l, %g s: %.2f l, want %.2f", unit, step, got, want)
				}
			}
		}
	}
}

// Wherever between two pulses the water begins, on average neither the volume nor
// its beginning and end are off.
func TestEvenIsUnbiased(t *testing.T) {
	const unit, n = 1.0, 40
	var litres, begin, end float64
	for i := range n {
		at, flow := meter(500, 1, 0, tap{100, 400, 6})
		even, _ := Even(at, counted(at, flow, unit, 0, (float64(i)+0.5)/n))
		runs := Runs(at, even)
		if len(runs) != 1 {
			t.Fatalf("%d runs", len(runs))
		}
		litres += (volume(at, even) - volume(at, flow)) / n
		begin += (at[runs[0].First] - 100) / n
		end += (at[runs[0].Last] - 399) / n
	}
	if math.Abs(litres) > 0.15 || math.Abs(begin) > 1 || math.Abs(end) > 1 {
		t.Errorf("on average %.2f l too many, begun %.1f and ended %.1f s late", litres, begin, end)
	}
}

// A noisy meter is averaged within its runs, not across their ends.
func TestEvenAveragesNoise(t *testing.T) {
	at, q := meter(600, 1, 0.1, tap{100, 300, 9}, tap{340, 500, 6})
	even, is := Even(at, q)
	if !is.Jumps || is.PulseL != 0 {
		t.Fatalf("%+v", is)
	}
	for k := range at {
		switch {
		case at[k] >= 100 && at[k] < 300 && math.Abs(even[k]-9) > 1.2, at[k] >= 340 && at[k] < 500 && math.Abs(even[k]-6) > 0.8:
			t.Errorf("%.1f l/min at %g s", even[k], at[k])
		case (at[k] < 100 || at[k] >= 300 && at[k] < 340) && even[k] != 0:
			t.Errorf("%.1f l/min at %g s, where nothing runs", even[k], at[k])
		}
	}
	if got, want := volume(at, even), volume(at, q); math.Abs(got/want-1) > 0.01 {
		t.Errorf("%.2f l, want %.2f", got, want)
	}
}

// Whatever the readings, the flow stays finite, not negative, and no more than
// was read or a pulse at once.
func TestEvenOfAnything(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	for range 3000 {
		var at, q []float64
		now := 0.0
		levels := rng.IntN(4) + 1
		for range rng.IntN(80) {
			now += []float64{0.5, 1, 1, 1, 5, 10, 60, 4000}[rng.IntN(8)]
			v := float64(rng.IntN(levels+1)) * 6
			if rng.IntN(10) == 0 {
				v = 30 * rng.Float64()
			}
			at, q = append(at, now), append(q, v)
		}
		even, _ := Even(at, q)
		if len(even) != len(q) {
			t.Fatalf("%d of %d readings", len(even), len(q))
		}
		for k, v := range even {
			if !(v >= 0 && v <= 61) {
				t.Fatalf("%g l/min at %g s, of %v at %v", v, at[k], q, at)
			}
		}
	}
}
