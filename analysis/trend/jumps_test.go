package trend

import (
	"errors"
	"math"
	"testing"
)

// Dirt that is washed off twice: both washings are found at their day and no
// other jump. Each rise is 0.6, less what scatter does to a median of seven and
// the slope between the middles of those, seven showers of 0.009.
func TestJumpsOfASawtooth(t *testing.T) {
	saw := func(d float64) float64 { return 1 - 0.02*math.Mod(d, 30) }
	for seed := range uint64(40) {
		ps := simulate(saw, 0.01, 0.3, 0.02, seed)
		js, err := Jumps(ps, 0.06)
		if err != nil {
			t.Fatal(err)
		}
		if len(js) != 2 {
			t.Fatalf("seed %d: %+v", seed, js)
		}
		for k, want := range []float64{30, 60} {
			near(t, "day of the washing", js[k].T, want, 3)
			near(t, "rise", js[k].Size, 0.6-7*0.009, 0.12) // six standard errors
		}
	}
}

// Slopes, curves, bends and level series have no jumps, a step has one.
func TestJumpsOfTheKinds(t *testing.T) {
	found := map[Kind]int{}
	const runs = 40
	for _, tr := range truths {
		for seed := range uint64(runs) {
			thrice := func(d float64) float64 { return 3 * tr.at(d) } // steps well above the scatter
			js, err := Jumps(simulate(thrice, 0.01, 0.3, 0.05, seed), 0.06)
			if err != nil {
				t.Fatal(err)
			}
			found[tr.kind] += len(js)
		}
		t.Logf("%s: %d jumps in %d series", tr.kind, found[tr.kind], runs)
		want := 0
		if tr.kind == Step || tr.kind == StepAndLine {
			want = runs
		}
		if math.Abs(float64(found[tr.kind]-want)) > 0.08*runs {
			t.Errorf("%s: %d jumps in %d series", tr.kind, found[tr.kind], runs)
		}
	}
}

func TestJumpsRefuse(t *testing.T) {
	if _, err := Jumps(make([]Point, 13), 0.1); !errors.Is(err, ErrTooFew) {
		t.Errorf("thirteen points: %v", err)
	}
}
