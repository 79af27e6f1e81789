package trend

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

func fit(t *testing.T, ps []Point, o Options) Model {
	t.Helper()
	m, err := Fit(ps, o)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// waves returns a sine and a cosine column for each period, in points.
func waves(n int, periods ...float64) []Covariate {
	var cols []Covariate
	for _, p := range periods {
		s, c := make([]float64, n), make([]float64, n)
		for i := range n {
			s[i], c[i] = math.Sincos(2 * math.Pi * float64(i) / p)
		}
		cols = append(cols, Covariate{Values: s}, Covariate{Values: c})
	}
	return cols
}

// The five quality-control series with their published answers, index of the
// first point after the change. Tolerance: no. 1 has a slope and noise of its
// own kind on either side (annotators say 143 to 146), the others as far as
// their scatter leaves the place open. No. 4 is a step on several waves; their
// periods are those, found one after another, that leave the least scatter.
func TestQualityControlFit(t *testing.T) {
	for _, row := range []struct {
		series  int
		want    float64 // NaN: none
		tol     float64
		periods []float64
	}{
		{1, 146, 3, nil},
		{2, 97, 2, nil},
		{3, 179, 2, nil},
		{4, 341, 2, []float64{19.94, 183.4, 467}},
		{5, math.NaN(), 0, nil},
	} {
		ps := qualityControl(t, row.series)
		m := fit(t, ps, Options{Covariates: waves(len(ps), row.periods...)})
		t.Logf("no. %d: %s", row.series, m.Why)
		if math.IsNaN(row.want) {
			if m.Kind != Constant {
				t.Errorf("no. %d: %s, want no change", row.series, m.Kind)
			}
			continue
		}
		if m.Kind != Step && m.Kind != StepAndLine {
			t.Errorf("no. %d: %s, want a step", row.series, m.Kind)
		}
		near(t, fmt.Sprintf("no. %d: change", row.series), m.ChangeT, row.want, row.tol)
		if !(m.ChangeLo < row.want && row.want <= m.ChangeHi+1) {
			t.Errorf("no. %d: interval %g to %g does not hold %g", row.series, m.ChangeLo, m.ChangeHi, row.want)
		}
	}
	if k := fit(t, every(nile), Options{}); k.Kind != Step || k.ChangeT != 29 { // the 29th year is the first after
		t.Errorf("river: %s at %g, want a step at 29", k.Kind, k.ChangeT)
	}
}

// A truth is a trend to simulate over 90 days of 2.2 points a day.
type truth struct {
	kind Kind
	at   func(day float64) float64
}

var truths = []truth{
	{Constant, func(float64) float64 { return 1 }},
	{Line, func(d float64) float64 { return 1 - 0.0015*d }},
	{Step, func(d float64) float64 {
		if d >= 40 {
			return 0.9
		}
		return 1
	}},
	{Bend, func(d float64) float64 { return 1 - 0.005*max(0, d-50) }},
	{Approach, func(d float64) float64 { return 1 - 0.3*(1-math.Exp(-d/15)) }},
	{StepAndLine, func(d float64) float64 {
		if d >= 60 {
			return 0.85 - 0.003*d
		}
		return 1 - 0.003*d
	}},
	{LateApproach, func(d float64) float64 { return 1 - 0.3*(1-math.Exp(-max(0, d-30)/12)) }},
}

// simulate gives points at random times of the 90 days with their own
// uncertainties, a scatter of sd beside, correlation phi and a share of wild
// points.
func simulate(at func(float64) float64, sd, phi, wild float64, seed uint64) []Point {
	rng := rand.New(rand.NewPCG(seed, 123))
	var ps []Point
	common := rng.NormFloat64()
	for d := 0.0; d < 90; d += rng.ExpFloat64() / 2.2 {
		u := 0.01 + 0.02*rng.Float64()
		y := at(d) + u*rng.NormFloat64() + sd*common
		common = phi*common + math.Sqrt(1-phi*phi)*rng.NormFloat64()
		if rng.Float64() < wild {
			y += 0.5 * rng.NormFloat64()
		}
		ps = append(ps, Point{T: d, Y: y, U: u})
	}
	return ps
}

// Each kind is chosen where it is the truth, wild points or not.
func TestFitChooses(t *testing.T) {
	const runs = 40
	for _, tr := range truths {
		right := 0
		for seed := range uint64(runs) {
			m := fit(t, simulate(tr.at, 0.015, 0.3, 0.05, seed), Options{})
			if m.Kind == tr.kind {
				right++
			}
		}
		t.Logf("%s: %d of %d", tr.kind, right, runs)
		if right < runs*9/10 {
			t.Errorf("%s chosen in %d of %d", tr.kind, right, runs)
		}
	}
}

// A fall that begins and ends is of none of the kinds. What the nearest kind
// leaves of it is not taken for noise that has no trend.
func TestFitRamp(t *testing.T) {
	for _, sd := range []float64{0.001, 0.01} {
		for _, from := range []float64{5, 20, 35} {
			for _, length := range []float64{20, 40, 53} {
				rng := rand.New(rand.NewPCG(0, 9))
				var ps []Point
				for d := 0.0; d < 90; d += rng.ExpFloat64() / 2.2 {
					ps = append(ps, Point{T: d, Y: -0.46*max(0, min(1, (d-from)/length)) + sd*rng.NormFloat64(), U: 0.003})
				}
				m := fit(t, ps, Options{Strictness: 1.3})
				if fall, _ := m.Between(m.T0, m.T1); m.Kind == Constant || math.Abs(fall+0.46) > 0.2 {
					t.Errorf("from day %g over %g: a change of %.2f, want -0.46 within 0.2: %s", from, length, fall, m.Why)
				}
			}
		}
	}
}

// How often a trend is seen in series without one. The bounds are what the
// penalties were chosen for, with room for three standard errors.
func TestFitLevel(t *testing.T) {
	for _, row := range []struct {
		n, runs int
		phi     float64
		most    float64
	}{
		{20, 200, 0, 0.03}, {60, 200, 0, 0.02}, {200, 200, 0, 0.02},
		{200, 200, 0.3, 0.02}, {200, 200, 0.6, 0.05},
		{200, 100, 0.9, 0.22}, // some ten effective points: not to be told from a trend
	} {
		seen := 0
		for seed := range uint64(row.runs) {
			if fit(t, every(autoregressive(row.n, row.phi, seed+1000)), Options{}).Kind != Constant {
				seen++
			}
		}
		share := float64(seen) / float64(row.runs)
		t.Logf("%d points, correlation %.1f: %.3f", row.n, row.phi, share)
		if share > row.most {
			t.Errorf("%d points, correlation %.1f: trend seen in %.3f, want %.2f at most", row.n, row.phi, share, row.most)
		}
	}
}

// Points count by their uncertainty: a run of poor points does not make a step.
func TestFitWeighs(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 8))
	ps := make([]Point, 120)
	for i := range ps {
		u := 0.01
		if i%3 == 0 {
			u = 0.2
		}
		ps[i] = Point{T: float64(i), Y: 1 - 0.001*float64(i) + u*rng.NormFloat64(), U: u}
	}
	m := fit(t, ps, Options{})
	if m.Kind != Line {
		t.Fatalf("%s, want a line: %s", m.Kind, m.Why)
	}
	// 80 good points alone: u(slope) = 0.01·√(12/80)/120.
	near(t, "u(slope)", m.USlope/(0.01*math.Sqrt(12.0/80)/120), 1, 0.25)
	near(t, "slope", m.Slope, -0.001, 2.5*m.USlope)
}

// A year of seasons in the mains temperature is no trend once it is a
// covariate, and a trend under it is found with the right slope.
func TestFitCovariates(t *testing.T) {
	const n = 400
	season, flow := make([]float64, n), make([]float64, n)
	ps, falling := make([]Point, n), make([]Point, n)
	rng := rand.New(rand.NewPCG(21, 22))
	for i := range ps {
		day := 365 * float64(i) / n
		season[i] = 11.5 + 5.5*math.Sin(2*math.Pi*(day-100)/365)
		flow[i] = 9 + rng.NormFloat64()
		y := 1 + 0.01*(season[i]-11.5) - 0.02*(flow[i]-9) + 0.02*rng.NormFloat64()
		ps[i] = Point{T: day, Y: y, U: 0.02}
		falling[i] = Point{T: day, Y: y - 0.0004*day, U: 0.02}
	}
	// Without the covariates the season is taken for correlated noise. That
	// makes no trend either, but blinds the fit to the line.
	if m := fit(t, ps, Options{}); m.Kind != Constant {
		t.Errorf("season without covariates: %s", m.Why)
	}
	blind := fit(t, falling, Options{Kinds: []Kind{Line}})
	columns := Options{Covariates: []Covariate{{Values: season}, {Values: flow}}}
	if m := fit(t, ps, columns); m.Kind != Constant {
		t.Errorf("season: %s", m.Why)
	}
	m := fit(t, falling, columns)
	if m.Kind != Line {
		t.Fatalf("season and a line: %s", m.Why)
	}
	near(t, "slope", m.Slope, -0.0004, 2.5*m.USlope)
	if blind.Kind == Line && blind.USlope < 3*m.USlope {
		t.Errorf("u(slope) %.2g with covariates and %.2g without: they do not pay", m.USlope, blind.USlope)
	}
	near(t, "effect of season", m.Effects[0], 0.01, 2.5*m.UEffects[0])
	near(t, "effect of flow", m.Effects[1], -0.02, 2.5*m.UEffects[1])
}

// The choice does not depend on units, and awkward series (few points, shared
// times, rounded values) neither fail nor give figures that are not numbers.
func TestFitUnits(t *testing.T) {
	for seed := range uint64(150) {
		rng := rand.New(rand.NewPCG(seed, 55))
		n := 8 + rng.IntN(50)
		ps, other := make([]Point, n), make([]Point, n)
		at := 0.0
		for i := range ps {
			if rng.IntN(3) > 0 {
				at += rng.ExpFloat64()
			}
			ps[i] = Point{T: at, Y: math.Round(4*rng.NormFloat64()*rng.Float64())/8 - 0.02*at}
			if seed%2 == 0 {
				ps[i].U = 0.1 + rng.Float64()
			}
			other[i] = Point{T: 1000 + 64*ps[i].T, Y: 1<<20*ps[i].Y - 5e6, U: 1 << 20 * ps[i].U}
		}
		a, b := fit(t, ps, Options{}), fit(t, other, Options{})
		if a.Kind != b.Kind {
			t.Errorf("seed %d: %s, and %s in other units", seed, a.Kind, b.Kind)
			continue
		}
		near(t, "slope in other units", b.Slope, a.Slope*(1<<20)/64, 1e-4*(math.Abs(a.Slope)+a.USlope)*(1<<20)/64)
		ya, ua := a.At(a.T1)
		yb, ub := b.At(b.T1)
		near(t, "level in other units", yb, 1<<20*ya-5e6, 1e-3*(1<<20)*(ua+1e-9))
		near(t, "its uncertainty", ub, 1<<20*ua, 1e-3*(1<<20)*(ua+1e-9))
		if !finite(a.Slope) || !finite(ya) || !finite(ua) || !finite(a.Scatter) || !(a.Inflation >= 1) {
			t.Errorf("seed %d: %+v", seed, a)
		}
	}
}

// gradient is the derivative of the value by the parameters, at a point that is
// nothing special.
func TestShapeGradient(t *testing.T) {
	const x, d = 0.637, 1e-6
	for _, f := range []shape{
		{kind: Constant, coef: []float64{0.7}},
		{kind: Line, coef: []float64{0.7, -0.4}},
		{kind: Step, theta: 0.3, coef: []float64{0.7, -0.4}},
		{kind: StepAndLine, theta: 0.3, coef: []float64{0.7, -0.4, 0.2}},
		{kind: Bend, theta: 0.3, coef: []float64{0.7, -0.4, 0.3}},
		{kind: Approach, rate: 2.1, coef: []float64{0.7, -0.4, 2.1}},
		{kind: LateApproach, theta: 0.3, rate: 2.1, coef: []float64{0.7, -0.4, 2.1, 0.3}},
	} {
		g := f.gradient(nil, x)
		if len(g) != f.kind.parameters() {
			t.Fatalf("%s: gradient of length %d for %d parameters", f.kind, len(g), f.kind.parameters())
		}
		for i := range g {
			moved := func(by float64) float64 {
				m := f
				m.coef = append([]float64(nil), f.coef...)
				m.coef[i] += by
				switch {
				case i < f.linear():
				case i == 2 && f.kind.hasRate():
					m.rate += by
				default:
					m.theta += by
				}
				return m.value(x)
			}
			near(t, fmt.Sprintf("%s, parameter %d", f.kind, i), g[i], (moved(d)-moved(-d))/(2*d), 1e-8)
		}
	}
}

// The one-pass scan against fits at every place.
func TestScan(t *testing.T) {
	ps := simulate(truths[3].at, 0.02, 0, 0.1, 5)[:60]
	s, err := newSeries(ps, Options{MinSegment: 5, Covariates: waves(60, 17)})
	if err != nil {
		t.Fatal(err)
	}
	s.setNoise(noise{1, 0.01})
	const rate = 7.3
	for _, k := range []Kind{Step, Bend, StepAndLine, LateApproach} {
		base := s.base(k)
		squares := func(cols [][]float64) float64 {
			b, _ := leastSquares(cols, s.y, s.initial, s.penalty(1))
			var sum float64
			for i, r := range s.y {
				for j, col := range cols {
					r -= b[j] * col[i]
				}
				sum += s.initial[i] * r * r
			}
			return sum
		}
		_, gain := s.scan(k, s.fading(rate), s.leftOf(base, s.initial), s.initial)
		tried := 0
		for at, g := range gain {
			if g == 0 {
				continue
			}
			tried++
			col := make([]float64, len(s.t))
			for i, x := range s.t {
				switch {
				case k == Bend:
					col[i] = max(0, x-s.t[at])
				case k == LateApproach:
					col[i] = 1 - math.Exp(-rate*max(0, x-s.t[at]))
				case i >= at:
					col[i] = 1
				}
			}
			near(t, fmt.Sprintf("%s at %d", k, at), g, squares(base)-squares(append(base, col)), 1e-6*squares(base))
		}
		if tried < 45 {
			t.Errorf("%s: %d places tried", k, tried)
		}
	}
}

func TestWhy(t *testing.T) {
	m := fit(t, simulate(truths[2].at, 0.01, 0, 0, 2), Options{})
	for _, want := range []string{"a step of -0.1", "than no change", "than line", "points with a scatter of"} {
		if !strings.Contains(m.Why, want) {
			t.Errorf("explanation lacks %q: %s", want, m.Why)
		}
	}
	var weights float64
	for i, c := range m.Candidates {
		weights += c.Weight
		if i > 0 && c.Criterion < m.Candidates[i-1].Criterion {
			t.Errorf("candidates out of order: %+v", m.Candidates)
		}
	}
	near(t, "weights", weights, 1, 1e-12)
	short := fit(t, simulate(func(d float64) float64 { return 1 - 0.6*(1-math.Exp(-d/80)) }, 0.001, 0, 0, 4), Options{Kinds: []Kind{Approach}})
	if !short.Extrapolated || !strings.Contains(short.Why, "extrapolation") {
		t.Errorf("68 %% of the way seen and not called an extrapolation: %s", short.Why)
	}
}

func TestFitRefuses(t *testing.T) {
	good := simulate(truths[0].at, 0.01, 0, 0, 1)
	if _, err := Fit(good[:7], Options{}); !errors.Is(err, ErrTooFew) {
		t.Errorf("seven points: %v", err)
	}
	if _, err := Fit(make([]Point, 20), Options{}); !errors.Is(err, ErrSeries) {
		t.Errorf("one time: %v", err)
	}
	constant := make([]float64, len(good))
	if _, err := Fit(good, Options{Covariates: []Covariate{{Values: constant}}}); !errors.Is(err, ErrSeries) {
		t.Errorf("constant covariate: %v", err)
	}
	w := waves(len(good), 30)
	if _, err := Fit(good, Options{Covariates: []Covariate{w[0], w[0]}}); !errors.Is(err, ErrNoFit) {
		t.Errorf("the same covariate twice: %v", err)
	}
	// Points without any scatter are no reason to fail.
	for _, tr := range truths[:4] {
		exact := make([]Point, 90)
		for i := range exact {
			exact[i] = Point{T: float64(i), Y: tr.at(float64(i))}
		}
		if m := fit(t, exact, Options{}); m.Kind != tr.kind {
			t.Errorf("exact %s: %s", tr.kind, m.Why)
		}
	}
}

func BenchmarkFit(b *testing.B) {
	for _, n := range []int{200, 2000} {
		ps := every(autoregressive(n, 0.3, 1))
		x := autoregressive(n, 0.9, 2)
		for name, o := range map[string]Options{
			"time alone":                {},
			"a covariate without prior": {Covariates: []Covariate{{Values: x}}},
			"a covariate with a prior":  {Covariates: []Covariate{{Values: x, Coefficient: Prior{U: 0.1}}}},
		} {
			b.Run(fmt.Sprintf("%d/%s", n, name), func(b *testing.B) {
				for b.Loop() {
					if _, err := Fit(ps, o); err != nil {
						b.Fatal(err)
					}
				}
			})
		}
	}
}
