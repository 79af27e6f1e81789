package draw

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// tap is a stretch of time, s, with a flow, l/min.
type tap struct{ from, to, flow float64 }

// meter samples taps every step seconds from 0 to end.
func meter(end, step, noise float64, taps ...tap) (t, q []float64) {
	rng := rand.New(rand.NewPCG(1, 2))
	for s := 0.0; s <= end; s += step {
		var f float64
		for _, x := range taps {
			if s >= x.from && s < x.to {
				f += x.flow * (1 + noise*rng.NormFloat64())
			}
		}
		t, q = append(t, s), append(q, f)
	}
	return t, q
}

func TestRuns(t *testing.T) {
	for _, c := range []struct {
		name string
		taps []tap
		want [][2]float64 // first and last second with flow
	}{
		{"one draw", []tap{{10, 50, 6}}, [][2]float64{{10, 49}}},
		{"a drip is no draw", []tap{{10, 500, 0.3}}, nil},
		{"a drip after a draw is not part of it", []tap{{10, 50, 6}, {50, 400, 0.3}}, [][2]float64{{10, 49}}},
		{"a stray count", []tap{{10, 11, 4}}, nil},
		{"a dropped pulse", []tap{{10, 50, 6}, {52, 90, 6}}, [][2]float64{{10, 89}}},
		{"a pause", []tap{{10, 50, 6}, {80, 120, 6}}, [][2]float64{{10, 49}, {80, 119}}},
		{"a short draw", []tap{{10, 14, 5}}, [][2]float64{{10, 13}}},
	} {
		at, q := meter(600, 1, 0, c.taps...)
		runs := Runs(at, q)
		var got [][2]float64
		for _, r := range runs {
			got = append(got, [2]float64{at[r.First], at[r.Last]})
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: runs %v, want %v", c.name, got, c.want)
		}
	}
}

func TestSilenceEndsARun(t *testing.T) {
	at, q := meter(200, 1, 0, tap{10, 150, 6})
	at, q = slices.Delete(at, 60, 100), slices.Delete(q, 60, 100)
	if runs := Runs(at, q); len(runs) != 2 || at[runs[0].Last] != 59 || at[runs[1].First] != 100 {
		t.Errorf("runs %v across a silence of 40 s", runs)
	}
}

// One reading with flow while the node samples at its pace for rest is no draw.
func TestStrayAtRest(t *testing.T) {
	at, q := meter(600, 60, 0)
	q[5] = 4
	if runs := Runs(at, q); len(runs) != 0 {
		t.Errorf("runs %v", runs)
	}
}

// The weights of a run's readings add up to the time with flow, at any pace of
// sampling.
func TestWeight(t *testing.T) {
	for _, step := range []float64{0.5, 1, 4, 10} {
		at, q := meter(600, step, 0, tap{100, 400, 6})
		r := Runs(at, q)[0]
		var sum float64
		for k := r.First; k <= r.Last; k++ {
			sum += Weight(at, r, k)
		}
		if math.Abs(sum-300) > step/2 {
			t.Errorf("step %g s: %g s with flow, want 300", step, sum)
		}
	}
}

// drain is a house's drain seen by Warm: temperatures over time by corners that
// are joined by straight lines.
func line(corners ...float64) func(float64) float64 {
	return func(s float64) float64 {
		for i := 0; i+3 < len(corners); i += 2 {
			if s <= corners[i+2] {
				f := (s - corners[i]) / (corners[i+2] - corners[i])
				return corners[i+1] + max(0, f)*(corners[i+3]-corners[i+1])
			}
		}
		return corners[len(corners)-1]
	}
}

func TestWarm(t *testing.T) {
	cold := line(0, 12, 1000, 12)
	for _, c := range []struct {
		name           string
		a, b, since    float64
		drain, preheat func(float64) float64
		want           bool
	}{
		{"first shower: the drain rises from the room", 100, 400, math.Inf(1), line(0, 20, 115, 20, 160, 34, 1000, 34), line(0, 19, 115, 19, 160, 24, 1000, 24), true},
		{"basin in the morning: the drain stays at the room", 100, 160, math.Inf(1), line(0, 20, 1000, 20), line(0, 20, 130, 13, 1000, 13), false},
		{"basin a minute after a shower: the drain cools", 100, 150, 60, line(0, 34, 1000, 24), line(0, 25, 100, 25, 135, 13, 1000, 13), false},
		{"basin after a shower in a drain that hardly cools", 100, 150, 60, line(0, 34, 1000, 33.5), line(0, 25, 100, 25, 135, 13, 1000, 13), false},
		{"water on again after soaping: the drain comes back up", 100, 160, 60, line(0, 34, 100, 32, 120, 32, 150, 34, 1000, 34), line(0, 24, 1000, 24), true},
		{"water on again after a short pause: drain and preheat hold", 100, 140, 25, line(0, 34, 1000, 34), line(0, 24, 1000, 24), true},
		{"the next person, drain still warm", 100, 400, 300, line(0, 33.8, 1000, 33.8), line(0, 24, 1000, 24), true},
		{"another tap while a coil that a shower has warmed gives its heat away: the drain cools on", 200, 280, 2000, line(0, 29.5, 1000, 26), line(0, 26, 200, 26, 280, 20, 1000, 20), false},
		{"the same, and somebody showers in it", 200, 280, 2000, line(0, 29.5, 215, 28.8, 280, 28.95, 1000, 28.9), line(0, 26, 200, 26, 280, 20, 1000, 20), true},
		{"the same in a drain too cool for a shower", 200, 280, 2000, line(0, 24.5, 200, 23.8, 1000, 23.8), line(0, 21, 200, 21, 280, 18, 1000, 18), false},
		{"no drain reading, preheat stays warm", 100, 200, 60, line(0, math.NaN()), line(0, 24, 1000, 24), true},
		{"no drain reading, preheat goes cold", 100, 200, 60, line(0, math.NaN()), line(0, 24, 120, 13, 1000, 13), false},
	} {
		v := View{Drain: c.drain, Preheat: c.preheat, Cold: cold, RoomC: 20, Expected: 0.5}
		if got := v.Warm(c.a, c.b, c.since); got != c.want {
			t.Errorf("%s: warm %t", c.name, got)
		}
	}
}

// A waste side whose outlet is warm for another reason, such as warm air in the drain: a shower still shows
// where the waste enters, another tap's draw does not, however the outlet creeps up.
func TestWarmOutlet(t *testing.T) {
	outlet := line(0, 31, 1000, 35)
	for name, c := range map[string]struct {
		inlet, preheat func(float64) float64
		want           bool
	}{
		"shower":      {line(0, 19, 215, 19, 250, 32, 1000, 32), line(0, 19, 230, 15, 260, 23, 1000, 23), true},
		"another tap": {line(0, 19, 1000, 19), line(0, 19, 200, 19, 260, 12, 1000, 12), false},
	} {
		v := View{Inlet: c.inlet, Preheat: c.preheat, Cold: line(0, 12, 1000, 12), RoomC: 18, Expected: 0.5,
			Drain: func(s float64) float64 { return max(c.inlet(s), outlet(s)) }}
		if got := v.Warm(200, 320, math.Inf(1)); got != c.want {
			t.Errorf("%s: warm %t", name, got)
		}
	}
}

func TestJoin(t *testing.T) {
	at, q := meter(3000, 1, 0,
		tap{100, 300, 8}, tap{380, 600, 8}, // a shower with a pause of 80 s
		tap{650, 680, 4},   // another tap right after it
		tap{1000, 1200, 8}, // the next person
	)
	runs := Runs(at, q)
	got := Join(at, runs, []bool{true, true, false, true})
	want := []Draw{{0, 1, true}, {2, 2, false}, {3, 3, true}}
	if !slices.Equal(got, want) {
		t.Errorf("draws %v, want %v", got, want)
	}
	// a tap opened in the pause belongs to the shower's span
	at, q = meter(3000, 1, 0, tap{100, 300, 8}, tap{320, 340, 4}, tap{380, 600, 8})
	got = Join(at, Runs(at, q), []bool{true, false, true})
	if want := []Draw{{0, 2, true}}; !slices.Equal(got, want) {
		t.Errorf("draws %v, want %v", got, want)
	}
}

// A draw goes on across a silence between readings with flow, up to four minutes;
// a reading without flow in between, or a longer silence, ends it.
func TestJoinAcrossSilence(t *testing.T) {
	whole, q := meter(900, 1, 0, tap{100, 700, 8})
	for _, c := range []struct {
		silence float64
		warm    []bool
		want    []Draw
	}{
		{200, []bool{true, true}, []Draw{{0, 1, true}}},
		{200, []bool{false, false}, []Draw{{0, 1, false}}},
		{260, []bool{true, true}, []Draw{{0, 0, true}, {1, 1, true}}},
	} {
		to := 200 + int(c.silence)
		at, q := slices.Delete(slices.Clone(whole), 200, to), slices.Delete(slices.Clone(q), 200, to)
		if got := Join(at, Runs(at, q), c.warm); !slices.Equal(got, c.want) {
			t.Errorf("silence of %g s: draws %v, want %v", c.silence, got, c.want)
		}
	}
	at, q2 := meter(900, 1, 0, tap{100, 300, 8}, tap{420, 700, 8})
	if got := Join(at, Runs(at, q2), []bool{true, true}); len(got) != 2 {
		t.Errorf("a pause of two minutes with readings: draws %v, want two", got)
	}
}

// The water goes on after a pause and another tap runs past its end: warm by what
// drain and preheat do on the way. A dead preheat clamp leaves it to the drain, a
// dead waste-in clamp to the preheat.
func TestWarmOnTheWay(t *testing.T) {
	cold := line(0, 12, 1000, 12)
	none := line(0, math.NaN())
	warmWaste, cooled := line(0, 34, 100, 31, 120, 31, 150, 33, 300, 33, 400, 30, 1000, 24), line(0, 34, 100, 31.5, 300, 31.5, 400, 29, 1000, 24)
	preheat := line(0, 25, 160, 23, 300, 23, 330, 13, 1000, 13)
	for _, c := range []struct {
		name           string
		a, b, since    float64
		drain, preheat func(float64) float64
		outlet, want   bool
	}{
		{"drain back up, then a tap alone", 100, 400, 150, warmWaste, preheat, false, true},
		{"preheat held, then a tap alone", 100, 400, 150, cooled, preheat, false, true},
		{"a tap alone from the start", 100, 400, 150, line(0, 34, 100, 31, 1000, 24), line(0, 25, 135, 13, 1000, 13), false, false},
		{"no preheat, drain holds after a pause", 100, 160, 60, line(0, 33, 1000, 33), none, false, true},
		{"no preheat, drain cools", 100, 160, 60, line(0, 33, 100, 33, 160, 31, 1000, 24), none, false, false},
		{"waste out alone, preheat warm", 100, 400, math.Inf(1), line(0, 20, 1000, 20), line(0, 20, 140, 24, 1000, 24), true, true},
		{"waste out alone, preheat cold", 100, 400, math.Inf(1), line(0, 20, 1000, 20), line(0, 20, 140, 13, 1000, 13), true, false},
	} {
		v := View{Drain: c.drain, Preheat: c.preheat, Cold: cold, RoomC: 20, Expected: 0.5, Outlet: c.outlet}
		if got := v.Warm(c.a, c.b, c.since); got != c.want {
			t.Errorf("%s: warm %t", c.name, got)
		}
	}
}

func TestSettled(t *testing.T) {
	// a basin opens for a minute in a shower
	at, q := meter(600, 1, 0.01, tap{50, 500, 8}, tap{200, 260, 5})
	r := Runs(at, q)[0]
	got := Settled(at, q, r, 40)
	if len(got) != 3 {
		t.Fatalf("stretches %v, want three", got)
	}
	for i, want := range []float64{8, 13, 8} {
		if math.Abs(got[i].FlowLMin-want) > 0.1 {
			t.Errorf("stretch %d flows %.2f l/min, want %g", i, got[i].FlowLMin, want)
		}
	}
	if a, b := at[got[0].Last], at[got[1].First]; a < 192 || a > 201 || b < 198 || b > 206 {
		t.Errorf("the step at 200 s was put between %g and %g s", a, b)
	}
	// a slow drift is settled flow
	at, q = meter(600, 1, 0.01, tap{50, 500, 8})
	for k := range q {
		q[k] *= 1 - 0.0004*at[k]
	}
	if got := Settled(at, q, Runs(at, q)[0], 40); len(got) != 1 {
		t.Errorf("a drift of 2.4 %% a minute made %d stretches", len(got))
	}
	// a thermostatic mixer hunts about a flow, with a step of it in between
	for _, period := range []float64{10, 17, 26, 40} {
		at, q = meter(600, 1, 0.01, tap{50, 500, 8})
		for k := range q {
			if at[k] > 300 {
				q[k] *= 0.75
			}
			q[k] *= 1 + 0.07*math.Sin(2*math.Pi*at[k]/period)
		}
		got := Settled(at, q, Runs(at, q)[0], 40)
		if len(got) != 2 || math.Abs(got[0].FlowLMin-8) > 0.15 || math.Abs(got[1].FlowLMin-6) > 0.15 || covered(at, got) < 350 {
			t.Errorf("hunting every %g s about 8 and 6 l/min: stretches %v", period, got)
		}
	}
	// a hand that plays with the lever leaves none
	at, q = meter(600, 1, 0, tap{50, 500, 8})
	for k := range q {
		q[k] *= 1 + 0.4*math.Sin(at[k]/6)
	}
	if got := Settled(at, q, Runs(at, q)[0], 40); len(got) != 0 {
		t.Errorf("restless flow made stretches %v", got)
	}
}
