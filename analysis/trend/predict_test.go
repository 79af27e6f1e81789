package trend

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Standard uncertainties hold the truth at their rate: parameters, the curve
// within and beyond the record, a difference, the place of a change.
func TestFitCoverage(t *testing.T) {
	const runs = 200
	for _, tr := range truths {
		held := map[string]int{}
		total := 0
		for seed := range uint64(runs) {
			m := fit(t, simulate(tr.at, 0.01, 0.3, 0, seed), Options{Kinds: []Kind{tr.kind}})
			if m.Kind != tr.kind {
				continue
			}
			total++
			hold := func(what string, got, u, want float64) {
				held[what] += 0 // so that one never held is missed
				if math.Abs(got-want) <= 2*u {
					held[what]++
				}
			}
			y, u := m.At(20)
			hold("at day 20", y, u, tr.at(20))
			if tr.kind == Line || tr.kind == Constant {
				y, u = m.At(150)
				hold("at day 150", y, u, tr.at(150))
			}
			y, u = m.Between(10, 85)
			hold("from day 10 to 85", y, u, tr.at(85)-tr.at(10))
			if tr.kind == Line || tr.kind == StepAndLine || tr.kind == Bend {
				hold("slope", m.Slope, m.USlope, tr.at(89)-tr.at(88))
			}
			switch tr.kind {
			case Step:
				hold("step", m.Step, m.UStep, -0.1)
			case StepAndLine:
				hold("step", m.Step, m.UStep, -0.15)
			case Approach:
				hold("limit", m.Limit, m.ULimit, 0.7)
				hold("rate", m.Rate, m.URate, 1.0/15)
			case LateApproach:
				hold("limit", m.Limit, m.ULimit, 0.7)
				hold("rate", m.Rate, m.URate, 1.0/12)
			}
			if when := map[Kind]float64{Step: 40, StepAndLine: 60, Bend: 50, LateApproach: 30}[tr.kind]; when > 0 {
				hold("place", (m.ChangeLo+m.ChangeHi)/2, (m.ChangeHi-m.ChangeLo)/4, when)
			}
		}
		if total < runs*95/100 {
			t.Errorf("%s fitted in %d of %d", tr.kind, total, runs)
		}
		for what, k := range held {
			share := float64(k) / float64(total)
			t.Logf("%s, %s: %.3f", tr.kind, what, share)
			// 95.4 % of 200 has a standard error of 1.5 %; the correlation is
			// estimated, and its estimate takes it for a little less than it is.
			if share < 0.91 {
				t.Errorf("%s, %s: held in %.3f", tr.kind, what, share)
			}
		}
	}
}

func TestCrossing(t *testing.T) {
	const runs = 200
	held := 0
	for seed := range uint64(runs) {
		m := fit(t, simulate(truths[1].at, 0.01, 0.3, 0, seed), Options{Kinds: []Kind{Line}})
		c := m.Crossing(0.8, 365) // 1 - 0.0015 d: day 133.3
		if c.Lo <= 400.0/3 && 400.0/3 <= c.Hi {
			held++
		}
		if !(c.Lo < c.T && c.T < c.Hi) {
			t.Fatalf("crossing %+v is not in order", c)
		}
	}
	if share := float64(held) / runs; share < 0.91 || share > 0.99 {
		t.Errorf("interval of the crossing held in %.3f", share)
	}

	exact := make([]Point, 60)
	for i := range exact {
		exact[i] = Point{T: float64(i), Y: 2 + 0.01*float64(i)}
	}
	m := fit(t, exact, Options{})
	near(t, "exact rising line", m.Crossing(2.8, 100).T, 80, 1e-3)
	if c := m.Crossing(2.8, 10); !math.IsInf(c.T, 1) || !math.IsInf(c.Hi, 1) {
		t.Errorf("beyond the horizon: %+v", c)
	}
	flat := fit(t, simulate(truths[0].at, 0.01, 0, 0, 1), Options{})
	if c := flat.Crossing(0.8, 1000); !math.IsInf(c.T, 1) {
		t.Errorf("no change crosses at %g", c.T)
	}
}

// A record as long as Need says resolves the slope in about 80 % of the cases.
func TestNeed(t *testing.T) {
	const slope = -0.0006
	m := fit(t, simulate(truths[0].at, 0.02, 0, 0, 3)[:80], Options{})
	need := m.Need(slope, 2.2)
	if !(need.Days > 1 && need.Points == math.Ceil(2.2*need.Days)) {
		t.Fatalf("need %+v", need)
	}
	end := m.T1 + need.Days
	resolved := 0
	const runs = 300
	rng := rand.New(rand.NewPCG(31, 32))
	for range runs {
		// Least squares by hand, so that nothing of the model is taken on trust.
		var n, st, stt, sy, sty float64
		for d := 0.0; d < end; d += 1 / 2.2 {
			y := slope*d + m.Scatter*rng.NormFloat64()
			n, st, stt, sy, sty = n+1, st+d, stt+d*d, sy+y, sty+d*y
		}
		b := (n*sty - st*sy) / (n*stt - st*st)
		if math.Abs(b) > z95*m.Scatter/math.Sqrt(stt-st*st/n) {
			resolved++
		}
	}
	near(t, "share resolved", float64(resolved)/runs, 0.8, 0.1)
	if n := m.Need(1, 2.2); n != (Need{}) {
		t.Errorf("a slope of 1 a day needs %+v, want nothing", n)
	}
	if n := m.Need(1e-12, 0.001); !math.IsInf(n.Days, 1) {
		t.Errorf("a slope of nothing needs %+v, want +Inf", n)
	}
}
