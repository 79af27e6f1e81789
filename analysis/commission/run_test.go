package commission

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Ratios at the limit itself, the worst case, with half of the variance shared by
// the whole run and half from second to second: no more than one run in twenty
// gets a wrong verdict on one side, though the figures are looked at each second.
// The bound is Bonferroni's. A single look's quantile at each second would break it.
func TestRunIsSeldomWrong(t *testing.T) {
	const runs, shared, second = 4000, 0.02, 0.2
	chance := rand.New(rand.NewPCG(3, 4))
	var passed, eager int
	for range runs {
		bias := shared * chance.NormFloat64()
		var r Run
		sum, early := 0.0, false
		verdict := CannotTell
		for s := 1.0; s <= 600; s++ {
			sum += second * chance.NormFloat64()
			ratio := LeastRatio + bias + sum/s
			u := math.Hypot(shared, second/math.Sqrt(s))
			verdict = r.See(s, ratio, 2*u)
			early = early || s >= 60 && ratio-oneSided*u >= LeastRatio
		}
		if verdict == Pass {
			passed++
		}
		if early {
			eager++
		}
	}
	// Three standard errors of a share of 0.05 in 4000 are 0.010.
	if share := float64(passed) / runs; share > 0.05+0.010 || passed == 0 {
		t.Errorf("%.3f of the runs at the limit pass, want 0.05 at most", share)
	}
	if share := float64(eager) / runs; share < 0.06 {
		t.Errorf("looking each second at 1.645 errs in %.3f: this test would not show the difference", share)
	}
}

func TestRun(t *testing.T) {
	nan := math.NaN()
	var r Run
	for _, step := range []struct {
		s, ratio, u95 float64
		want          Verdict
		next          float64
	}{
		{0, nan, nan, CannotTell, 60},
		{59, 1.2, 0.02, CannotTell, 60}, // not before the first look
		{60, 0.95, 0.04, CannotTell, 120},
		{119, 1.2, 0.02, CannotTell, 120},
		{121, nan, nan, CannotTell, 120}, // a look without figures is none
		{130, 0.99, 0.04, Pass, 0},       // 0.99 - 2.24 · 0.02 = 0.945
		{300, 0.5, 0.02, Pass, 0},        // it stays
	} {
		if got := r.See(step.s, step.ratio, step.u95); got != step.want || r.Next() != step.next {
			t.Errorf("at %g s: %s, next at %g s; want %s, %g", step.s, got, r.Next(), step.want, step.next)
		}
	}
	r = Run{}
	if got := r.See(500, 0.7, 0.1); got != Fail {
		t.Errorf("0.70 ± 0.10: %s", got)
	}
	r = Run{}
	r.See(500, 0.92, 0.1)
	if got := r.See(600, 0.5, 0.02); got != CannotTell || r.Next() != 0 {
		t.Errorf("after the last look: %s", got)
	}
}
