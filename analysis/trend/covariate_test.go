package trend

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// lawU is the standard uncertainty of what a temperature law leaves of the
// coefficient of ln UA, per kelvin of mains: an invented figure of usual size.
const lawU = 0.0035

// A mains is the course of a mains temperature in °C over days.
type mains func(day float64) float64

// year is a mains with its warmest day in the middle of August (day 227), the
// form that J. Burch and C. Christensen give (ASES 2007; read in open code).
func year(from float64) mains {
	return func(d float64) float64 { return 12.5 - 5.8*math.Cos(2*math.Pi*(from+d-44)/365) }
}

// A field is a record of an invented unit: 1.6 showers a day, ln UA with a
// scatter of 0.025 that is correlated by 0.3, or a part of that, and a law of so
// much a kelvin.
type field struct {
	days  float64
	mains mains
	law   float64
	at    func(day float64) float64
	part  float64 // of the scatter; 0: 1
}

func (f field) record(seed uint64) ([]Point, []Covariate) {
	rng := rand.New(rand.NewPCG(seed, 4711))
	if f.part == 0 {
		f.part = 1
	}
	var ps []Point
	var cold []float64
	common := rng.NormFloat64()
	for d := 0.0; d < f.days; d += rng.ExpFloat64() / 1.6 {
		c := f.mains(d) + 0.4*rng.NormFloat64()
		y := f.at(d) + f.law*(c-12) + f.part*(0.02*rng.NormFloat64()+0.015*common)
		common = 0.3*common + math.Sqrt(1-0.09)*rng.NormFloat64()
		if rng.Float64() < 0.02 {
			y += 0.3 * rng.NormFloat64()
		}
		ps, cold = append(ps, Point{T: d, Y: y, U: 0.015 * f.part}), append(cold, c)
	}
	return ps, []Covariate{{Values: cold, Coefficient: Prior{U: lawU}}}
}

// drawLaw draws a law from its prior.
func drawLaw(seed uint64) float64 {
	return lawU * rand.New(rand.NewPCG(seed, 815)).NormFloat64()
}

func level(float64) float64 { return 0 }

// fallen reports whether a model shows a resolved loss, as a finding asks for it.
func fallen(m Model) bool {
	fall, u := m.Between(m.T0, m.T1)
	return m.Kind != Constant && fall < -max(0.05, 3*u)
}

// Eight weeks of mains that cools by 8 K at a steady pace. What a law of twice
// its uncertainty does in that time is no resolved loss, and the record says how
// much of the change is open. A loss well beyond what a law could do is one.
func TestSteadyCooling(t *testing.T) {
	const runs = 40
	cooling := func(d float64) float64 { return 17 - d/7 }
	for seed := range uint64(runs) {
		ps, covariates := field{days: 56, mains: cooling, law: 2 * lawU, at: level, part: 0.5}.record(seed)
		m := fit(t, ps, Options{Covariates: covariates, Strictness: 1.3})
		if fallen(m) {
			t.Errorf("seed %d: a law is taken for a loss: %s", seed, m.Why)
		}
		// The prior alone leaves 8 K times its uncertainty open; the wiggle of mains
		// from day to day tells a little.
		if a := m.Attribution; !(a.UTime > 0.6*8*lawU && a.UTime < 1.2*8*lawU) {
			t.Errorf("seed %d: u of the change in time is %.3f, want about %.3f", seed, a.UTime, 8*lawU)
		}
		if a := m.Attribution; !(a.Apparent < -3*a.UApparent) || math.Abs(a.Time) > 3*a.UTime {
			t.Errorf("seed %d: %+v, want a change that is seen and in time not resolved", seed, *a)
		}
		blind := covariates
		blind[0].Coefficient = Prior{U: 1e-6} // as if the law were known
		if m := fit(t, ps, Options{Covariates: blind, Strictness: 1.3}); m.Kind == Constant {
			t.Errorf("seed %d: with a law held for known it should be a change: %s", seed, m.Why)
		}
		ps, covariates = field{days: 56, mains: cooling, at: func(d float64) float64 { return -0.25 * d / 56 }}.record(seed)
		if m := fit(t, ps, Options{Covariates: covariates, Strictness: 1.3}); !fallen(m) {
			t.Errorf("seed %d: a loss of a quarter is not seen: %s", seed, m.Why)
		}
	}
}

// Half-years and years, with the season and against it: a healthy unit whose law
// is any that the prior allows shows no loss, one that fouls does.
func TestSeasons(t *testing.T) {
	const runs = 40
	for _, season := range []struct {
		name       string
		days, from float64
	}{
		{"cooling half-year", 183, 227}, {"warming half-year", 183, 44}, {"year", 365, 227},
	} {
		wrong, found := 0, 0
		for seed := range uint64(runs) {
			law := drawLaw(seed + 5000)
			ps, covariates := field{days: season.days, mains: year(season.from), law: law, at: level}.record(seed + 5000)
			if fallen(fit(t, ps, Options{Covariates: covariates, Strictness: 1.3})) {
				wrong++
			}
			loss := 0.16 + 0.27*float64(seed)/runs // ln of 15 to 35 % of conductance
			ps, covariates = field{days: season.days, mains: year(season.from), law: law, at: func(d float64) float64 {
				return -loss * (1 - math.Exp(-3*d/season.days))
			}}.record(seed + 6000)
			if fallen(fit(t, ps, Options{Covariates: covariates, Strictness: 1.3})) {
				found++
			}
		}
		t.Logf("%s: %d of %d healthy units with a loss, %d of %d fouled ones found", season.name, wrong, runs, found, runs)
		if wrong > 0 {
			t.Errorf("%s: %d of %d healthy units with a loss", season.name, wrong, runs)
		}
		if found < runs*95/100 {
			t.Errorf("%s: %d of %d fouled units found", season.name, found, runs)
		}
	}
}

// The 95 % interval of the change in time holds the truth at its rate, over laws
// drawn from the prior, on seeds that nothing was tuned on.
func TestSeasonCoverage(t *testing.T) {
	const runs = 400
	line := func(d float64) float64 { return -0.0006 * d }
	cooling := func(d float64) float64 { return 17 - d/7 }
	for _, row := range []struct {
		name string
		f    field
		kind Kind
	}{
		{"eight weeks, level", field{days: 56, mains: cooling, at: level}, Line},
		{"eight weeks, line", field{days: 56, mains: cooling, at: line}, Line},
		{"cooling half-year, line", field{days: 183, mains: year(227), at: line}, Line},
		{"warming half-year, line", field{days: 183, mains: year(44), at: line}, Line},
		{"year, line", field{days: 365, mains: year(227), at: line}, Line},
		{"cooling half-year, step", field{days: 183, mains: year(227), at: func(d float64) float64 {
			if d >= 110 {
				return -0.15
			}
			return 0
		}}, Step},
		{"cooling half-year, approach", field{days: 183, mains: year(227), at: func(d float64) float64 {
			return -0.3 * (1 - math.Exp(-d/30))
		}}, Approach},
	} {
		held, heldLine, total := 0, 0, 0
		var sum float64
		for seed := range uint64(runs) {
			f := row.f
			f.law = drawLaw(seed + 90000)
			ps, covariates := f.record(seed + 90000)
			m := fit(t, ps, Options{Covariates: covariates, Kinds: []Kind{row.kind}})
			truth := f.at(m.T1) - f.at(m.T0)
			if a := m.Attribution; math.Abs(a.Time-truth) <= z95*a.UTime {
				heldLine++
			}
			if m.Kind != row.kind {
				continue
			}
			total++
			d, u := m.Between(m.T0, m.T1)
			sum += u
			if math.Abs(d-truth) <= z95*u {
				held++
			}
		}
		t.Logf("%s: Between held in %d of %d, mean u %.4f; Attribution in %d of %d", row.name, held, total, sum/float64(max(1, total)), heldLine, runs)
		// Standard error of 0.95 in 400: 0.011.
		if row.kind == Line {
			if share := float64(heldLine) / runs; share < 0.93 || share > 0.98 {
				t.Errorf("%s: the interval of the change in time held in %.3f", row.name, share)
			}
			continue
		}
		if share := float64(held) / float64(total); total < runs*95/100 || share < 0.93 || share > 0.98 {
			t.Errorf("%s: the interval of Between held in %.3f of %d", row.name, share, total)
		}
	}
}

// What a line shows that knows of no covariate is the sum of the parts: the
// formula of omitted variables (any textbook of econometrics), which a prior on
// the covariate's coefficient alone leaves true.
func TestAttributionAddsUp(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 14))
	ps, x := make([]Point, 120), make([]float64, 120)
	var n, st, stt, sy, sty float64
	for i := range ps {
		d := float64(i) + rng.Float64()
		x[i] = 17 - 0.1*d + rng.NormFloat64()
		// Within Huber's limit, so that all weights are alike.
		ps[i] = Point{T: d, Y: 0.004*x[i] - 0.001*d + 0.02*(2*rng.Float64()-1)}
		n, st, stt, sy, sty = n+1, st+d, stt+d*d, sy+ps[i].Y, sty+d*ps[i].Y
	}
	slope := (n*sty - st*sy) / (n*stt - st*st)
	for _, u := range []float64{0, 0.002, 1e-5} {
		m := fit(t, ps, Options{Covariates: []Covariate{{Values: x, Coefficient: Prior{Mean: 0.003, U: u}}}})
		a := m.Attribution
		near(t, "sum of the parts", a.Time+a.Covariates[0], a.Apparent, 1e-12)
		near(t, fmt.Sprintf("apparent, prior %g", u), a.Apparent, slope*(m.T1-m.T0), 0.002*math.Abs(slope)*(m.T1-m.T0))
	}
}

// A prior is the same as one more row in the least squares; that of a tenth of
// what the record tells moves the coefficient by a hundredth towards its mean.
func TestPenalty(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	const n = 30
	cols, longer := make([][]float64, 3), make([][]float64, 3)
	var y, w []float64
	for range n {
		for j := range cols {
			cols[j] = append(cols[j], rng.NormFloat64())
		}
		y, w = append(y, rng.NormFloat64()), append(w, 0.5+rng.Float64())
	}
	const weight, mean = 3.7, 0.8
	for j := range cols {
		longer[j] = append(append([]float64(nil), cols[j]...), 0)
	}
	longer[2][n] = 1
	p := penalty{from: 2, weight: []float64{weight}, mean: []float64{mean}}
	got, cov := leastSquares(cols, y, w, p)
	want, covWant := leastSquares(longer, append(y, mean), append(w, weight), penalty{})
	for j := range got {
		near(t, "coefficient", got[j], want[j], 1e-12)
		near(t, "variance", cov.At(j, j), covWant.At(j, j), 1e-12)
	}
}

// marginal against the integral over the coefficient, summed numerically.
func TestMarginal(t *testing.T) {
	ps, covariates := field{days: 60, mains: func(d float64) float64 { return 17 - d/7 }, law: 0.002, at: level}.record(11)
	covariates[0].Coefficient = Prior{Mean: 0.001, U: lawU}
	s, err := newSeries(ps, Options{Covariates: covariates, MinSegment: 5})
	if err != nil {
		t.Fatal(err)
	}
	s.growth = 1.7
	s.setNoise(noise{1, 0.02})
	for _, k := range []Kind{Constant, Line} {
		f, ok := s.fit(k)
		if !ok {
			t.Fatal("no fit")
		}
		own := k.parameters()
		// With the weights as they ended: for each value of the coefficient the
		// best own parameters, then the sum over values.
		var base [][]float64
		one := make([]float64, len(s.t))
		for i := range one {
			one[i] = 1
		}
		if base = append(base, one); k == Line {
			base = append(base, s.t)
		}
		profile := func(b float64) float64 {
			y := make([]float64, len(s.y))
			for i := range y {
				y[i] = s.y[i] - b*s.covariates[0][i]
			}
			coef, _ := leastSquares(base, y, f.w, penalty{})
			var sum float64
			for i := range y {
				r := y[i]
				for j := range base {
					r -= coef[j] * base[j][i]
				}
				sum += f.w[i] * r * r
			}
			return sum/s.growth + s.prior.precision[0]*math.Pow(b-s.prior.mean[0], 2)
		}
		best := f.coef[own]
		least := profile(best)
		var integral float64
		wide := 8 / math.Sqrt(s.prior.precision[0])
		const steps = 4000
		for i := range steps {
			b := best + wide*(2*(float64(i)+0.5)/steps-1)
			integral += math.Exp((least-profile(b))/2) * 2 * wide / steps
		}
		want := -2 * math.Log(integral*math.Sqrt(s.prior.precision[0]/(2*math.Pi)))
		near(t, k.String(), s.marginal(f), want, 1e-3)
	}
}

// After the days that NeedAlong names, with the mains as it goes, the slope is
// resolved with a power of 80 %: by the variance of least squares with the prior
// as one more row, from sums by hand.
func TestNeedAlong(t *testing.T) {
	const slope = -0.0007
	ps, covariates := field{days: 56, mains: year(270), at: level}.record(77)
	m := fit(t, ps, Options{Covariates: covariates, Kinds: []Kind{Line}})
	course := func(t float64) []float64 { return []float64{year(270)(t)} }
	need := m.NeedAlong(slope, 1.6, course)
	if !(need.Days > 20 && need.Days < 365) {
		t.Fatalf("need %+v, want some months", need)
	}
	if steady := m.Need(slope, 1.6); !(steady.Days < need.Days) {
		t.Errorf("with a season %g days, without %g", need.Days, steady.Days)
	}
	variance := func(end float64) float64 {
		per := m.Scatter * m.Scatter * m.Inflation
		cols := make([][]float64, 3)
		var w []float64
		add := func(row ...float64) {
			for j, x := range row {
				cols[j] = append(cols[j], x)
			}
		}
		for i, p := range ps {
			add(1, p.T, covariates[0].Values[i]-12)
			w = append(w, 1/per)
		}
		for d := m.T1 + 0.5/1.6; d < end; d += 1 / 1.6 {
			add(1, d, course(d)[0]-12)
			w = append(w, 1/per)
		}
		add(0, 0, 1)
		w = append(w, 1/(lawU*lawU))
		_, cov := leastSquares(cols, make([]float64, len(w)), w, penalty{})
		return cov.At(1, 1)
	}
	// Huber's loss has 95 % of the efficiency of least squares, and wild points tell less.
	z := math.Abs(slope) / math.Sqrt(variance(m.T1+need.Days))
	near(t, "deviate after the days needed", z, z95+power80, 0.15)

	// What Separate names does it at once: the coefficient known so well...
	u, spread := m.Separate(slope, 0, 20)
	if !(u > 0 && u < lawU && spread > 0) {
		t.Fatalf("coefficient to ± %g, spread %g", u, spread)
	}
	known := covariates
	known[0].Coefficient.U = 1 / math.Sqrt(1/(lawU*lawU)+1/(u*u))
	told := fit(t, ps, Options{Covariates: known, Kinds: []Kind{Line}})
	near(t, "deviate with the coefficient known", math.Abs(slope)*(told.T1-told.T0)/told.Attribution.UTime, z95+power80, 0.1)
	// ... or twenty points more of that spread tell the coefficient so well.
	near(t, "u of the coefficient from the spread", m.Scatter*math.Sqrt(m.Inflation/20)/spread, u, 0.1*u)
	if u, spread := m.Separate(-1, 0, 20); !math.IsInf(u, 1) || spread != 0 {
		t.Errorf("a slope of 1 a day asks for %g, %g", u, spread)
	}
	if u, spread := m.Separate(-1e-5, 0, 20); u != 0 || !math.IsInf(spread, 1) {
		t.Errorf("a slope that scatter hides asks for %g, %g", u, spread)
	}
}

// Diggle's table of sample sizes (P. J. Diggle et al., Analysis of Longitudinal
// Data (2002), p. 29; read in the comments of an open package): subjects a group
// for a difference of slopes of 0.5 with readings at 0, 2 and 5, one-sided 5 %,
// power 80 %. One record of as many subjects resolves, two-sided, the slope that
// follows: the variance of a difference is twice that of a slope, and deviates
// of 1.960 stand in place of 1.645. Scatter is that of normal scores and what
// chance shows of their correlation is divided out, so that only Huber's
// efficiency of 95 % and their finite number are left.
func TestNeedDiggle(t *testing.T) {
	const z90 = 1.6448536269514722
	for _, row := range []struct{ variance, rho, subjects float64 }{
		{100, 0.2, 313}, {200, 0.2, 625}, {300, 0.2, 938},
		{100, 0.5, 196}, {200, 0.5, 391}, {300, 0.5, 586},
		{100, 0.8, 79}, {200, 0.8, 157}, {300, 0.8, 235},
	} {
		sd := math.Sqrt(row.variance * (1 - row.rho))
		var ps []Point
		n := int(row.subjects)
		rng := rand.New(rand.NewPCG(5, 8))
		for _, at := range []float64{0, 2, 5} {
			for _, i := range rng.Perm(n) {
				score := math.Sqrt2 * math.Erfinv(2*(float64(i)+0.5)/float64(n)-1)
				ps = append(ps, Point{T: at, Y: sd * score, U: sd})
			}
		}
		m := fit(t, ps, Options{Kinds: []Kind{Line}})
		slope := 0.5 / math.Sqrt2 * (z95 + power80) / (z90 + power80)
		lo, hi := slope/2, slope*2
		for hi-lo > 1e-4*slope {
			if mid := (lo + hi) / 2; m.Need(mid, 1) == (Need{}) {
				hi = mid
			} else {
				lo = mid
			}
		}
		near(t, fmt.Sprintf("variance %g, correlation %g: least slope over Diggle's", row.variance, row.rho), hi/slope/math.Sqrt(m.Inflation), 1/math.Sqrt(0.95), 0.02)
	}
}
