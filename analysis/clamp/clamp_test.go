package clamp

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// lagged returns what a clamp of time constant tau shows of the water, sampled
// at t, with noise; the lag is integrated in fine steps, not by the formula
// under test.
func lagged(t []float64, water func(float64) float64, tau, noise float64, rng *rand.Rand) []float64 {
	y := make([]float64, len(t))
	s, now := water(t[0]), t[0]
	for k := range t {
		const h = 0.01
		for now < t[k]-h/2 {
			s += h / tau * (water(now) - s)
			now += h
		}
		y[k] = s + noise*rng.NormFloat64()
	}
	return y
}

// restored is one series on its own.
func restored(t, y, fronts []float64, lag Lag) Series {
	one := []Series{{Lag: lag, Y: y, T: make([]float64, len(y)), Var: make([]float64, len(y))}}
	new(Smoother).Restore(t, one, fronts, 30)
	return one[0]
}

func seconds(n int, step float64) []float64 {
	t := make([]float64, n)
	for i := range t {
		t[i] = float64(i) * step
	}
	return t
}

// The step response of a first-order lag is 63.2 % after one time constant, 86.5
// % after two (identity 1 - exp(-k)): a guard on the test's own clamp.
func TestTestClamp(t *testing.T) {
	at := seconds(40, 1)
	y := lagged(at, func(s float64) float64 {
		if s < 0.5 {
			return 0
		}
		return 1
	}, 18, 0, rand.New(rand.NewPCG(1, 1)))
	if math.Abs(y[18]-0.6217) > 0.005 || math.Abs(y[36]-0.8609) > 0.005 {
		t.Errorf("after 17.5 and 35.5 s: %.4f and %.4f", y[18], y[36])
	}
}

func TestRestoreFollowsAFront(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	front := 60.0
	water := func(s float64) float64 {
		if s < front {
			return 20
		}
		return 20 + 14*(1-math.Exp(-(s-front)/12))
	}
	for _, step := range []float64{0.5, 1, 4} {
		at := seconds(int(300/step), step)
		got := restored(at, lagged(at, water, 18, 0.03, rng), []float64{front}, Lag{ResponseS: 18, NoiseK: 0.03})
		var worstCalm, area, want float64
		for k, s := range at {
			d := got.T[k] - water(s)
			if s > front+90 {
				worstCalm = max(worstCalm, math.Abs(d))
			}
			if s >= front {
				area += got.T[k] * step
				want += water(s) * step
			}
		}
		if worstCalm > 0.15 {
			t.Errorf("step %g s: off by %.3f K long after the front", step, worstCalm)
		}
		if rel := math.Abs(area/want - 1); rel > 0.002 {
			t.Errorf("step %g s: integral off by %.2f %%", step, 100*rel)
		}
	}
}

// The variance that the smoother states must be the scatter that it has.
func TestVarianceIsHonest(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	at := seconds(200, 1)
	var chi2 float64
	const rounds = 300
	for range rounds {
		// water that walks as the smoother assumes
		w := make([]float64, 200*100+1)
		for i := 1; i < len(w); i++ {
			w[i] = w[i-1] + calmPace*math.Sqrt(0.01)*rng.NormFloat64()
		}
		water := func(s float64) float64 { return 30 + w[min(len(w)-1, max(0, int(s*100)))] }
		got := restored(at, lagged(at, water, 18, 0.03, rng), nil, Lag{ResponseS: 18, NoiseK: 0.03})
		d := got.T[100] - water(at[100])
		chi2 += d * d / got.Var[100]
	}
	if chi2 /= rounds; chi2 < 0.8 || chi2 > 1.25 { // 3 sigma of chi-square/300 is 0.24
		t.Errorf("scatter over stated variance %.2f, want 1", chi2)
	}
}

func TestNoLagAndGaps(t *testing.T) {
	at := []float64{0, 1, 2, 3, 100, 101, 102}
	y := []float64{10, 10, 10, 10, 30, 30, 30}
	got := restored(at, y, nil, Lag{NoiseK: 0.02})
	for k := range y {
		if math.Abs(got.T[k]-y[k]) > 1e-3 {
			t.Errorf("at %g s: %.4f, want %g: a gap must cut the smoother", at[k], got.T[k], y[k])
		}
	}
}

func TestNoise(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	at := seconds(400, 1)
	y := lagged(at, func(s float64) float64 { return 20 + 10*math.Sin(s/60) }, 10, 0.08, rng)
	var m Noisemeter
	m.At(at)
	if got := m.Noise(y); math.Abs(got-0.08) > 0.012 {
		t.Errorf("noise %.4f K, want 0.08", got)
	}
	if got := m.Noise(make([]float64, 400)); got != minNoiseK {
		t.Errorf("a flat channel: %.4f K, want the floor", got)
	}
}

func TestWater(t *testing.T) {
	const water, room, loss = 36.0, 19.0, 0.03
	shown := water - loss*(water-room) // what a clamp shows, by the study file
	if got := Water(shown, loss, room); math.Abs(got-water) > 1e-12 {
		t.Errorf("%.6f, want %g", got, water)
	}
}

func BenchmarkRestore(b *testing.B) {
	rng := rand.New(rand.NewPCG(9, 9))
	at := seconds(600, 1)
	series := make([]Series, 4)
	for i := range series {
		series[i] = Series{
			Lag: Lag{ResponseS: 18, NoiseK: 0.03 + 0.001*float64(i)},
			Y:   lagged(at, func(s float64) float64 { return 30 }, 18, 0.03, rng),
			T:   make([]float64, len(at)),
			Var: make([]float64, len(at)),
		}
	}
	var m Smoother
	for b.Loop() {
		m.Restore(at, series, []float64{60}, 30)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/600/4, "ns/reading")
}

func TestDecay(t *testing.T) {
	for x := 0.0; x < 1; x += 0.013 {
		if got, want := decay(x), math.Exp(-x); math.Abs(got-want) > 1.5e-8 {
			t.Errorf("decay(%g) = %.10f, want %.10f", x, got, want)
		}
	}
}

// Series that go abreast must come out as each on its own, whatever the mix of
// time constants and the gaps.
func TestAbreast(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	at := seconds(300, 1)
	for k := 150; k < len(at); k++ {
		at[k] += 500
	}
	fronts := []float64{40, 90, 700}
	var series []Series
	for i, tau := range []float64{18, 18, 0, 25, 18} {
		y := make([]float64, len(at))
		for k := range y {
			y[k] = 20 + 5*math.Sin(at[k]/30) + 0.03*rng.NormFloat64()
		}
		series = append(series, Series{Lag: Lag{ResponseS: tau, NoiseK: 0.02 + 0.01*float64(i)}, Y: y, T: make([]float64, len(y)), Var: make([]float64, len(y))})
	}
	var m Smoother
	m.Restore(at, series, fronts, 30)
	for i, s := range series {
		alone := restored(at, s.Y, fronts, s.Lag)
		if !slices.Equal(s.T, alone.T) || !slices.Equal(s.Var, alone.Var) {
			t.Errorf("series %d differs from itself alone", i)
		}
	}
}

// rts is the smoother of Rauch, Tung and Striebel, AIAA Journal 3 (1965) 1445-1450, in
// matrices and with the pace given for each step: an independent way to the same
// estimate. It returns the water and its variance.
func rts(t, y, pace []float64, lag Lag) (w, variance []float64) {
	n := len(y)
	prior, post := make([]*mat.Dense, n), make([]*mat.Dense, n)
	x0, x1 := make([]*mat.VecDense, n), make([]*mat.VecDense, n)
	step := make([]*mat.Dense, n)
	r := lag.NoiseK * lag.NoiseK
	p := mat.NewDense(2, 2, []float64{100, 0, 0, r})
	x := mat.NewVecDense(2, []float64{y[0], y[0]})
	for k := range y {
		step[k] = mat.NewDense(2, 2, []float64{1, 0, 0, 1})
		if k > 0 {
			dt := t[k] - t[k-1]
			a := math.Exp(-dt / lag.ResponseS)
			step[k] = mat.NewDense(2, 2, []float64{1, 0, 1 - a, a})
			walk := mat.NewDense(2, 2, nil) // integral of F(s) q F(s)' over the step, by Simpson's rule
			const m = 200
			for i := 0; i <= m; i++ {
				b := 1 - math.Exp(-dt*float64(i)/m/lag.ResponseS)
				q := pace[k] * dt / m / 3 * float64(2+2*(i%2))
				if i == 0 || i == m {
					q /= 2
				}
				walk.Add(walk, mat.NewDense(2, 2, []float64{q, q * b, q * b, q * b * b}))
			}
			var next mat.Dense
			next.Mul(step[k], p)
			next.Mul(&next, step[k].T())
			next.Add(&next, walk)
			p = &next
			var moved mat.VecDense
			moved.MulVec(step[k], x)
			x = &moved
		}
		prior[k], x0[k] = mat.DenseCopyOf(p), mat.VecDenseCopyOf(x)
		s := p.At(1, 1) + r
		gain := mat.NewVecDense(2, []float64{p.At(0, 1) / s, p.At(1, 1) / s})
		var took mat.Dense
		took.Outer(s, gain, gain)
		after := new(mat.Dense)
		after.Sub(p, &took)
		p = after
		y1 := new(mat.VecDense)
		y1.AddScaledVec(x, y[k]-x.AtVec(1), gain)
		x = y1
		post[k], x1[k] = mat.DenseCopyOf(p), mat.VecDenseCopyOf(x)
	}
	w, variance = make([]float64, n), make([]float64, n)
	w[n-1], variance[n-1] = x.AtVec(0), p.At(0, 0)
	for k := n - 2; k >= 0; k-- {
		var back, inverse, d, g mat.Dense
		if err := inverse.Inverse(prior[k+1]); err != nil {
			panic(err)
		}
		back.Mul(post[k], step[k+1].T())
		back.Mul(&back, &inverse)
		d.Sub(p, prior[k+1])
		g.Mul(&back, &d)
		g.Mul(&g, back.T())
		p = new(mat.Dense)
		p.Add(post[k], &g)
		var dx, moved mat.VecDense
		dx.SubVec(x, x0[k+1])
		moved.MulVec(&back, &dx)
		x = new(mat.VecDense)
		x.AddVec(x1[k], &moved)
		w[k], variance[k] = x.AtVec(0), p.At(0, 0)
	}
	return w, variance
}

func TestAgainstRauchTungStriebel(t *testing.T) {
	rng := rand.New(rand.NewPCG(21, 22))
	var at []float64
	for s := 0.0; len(at) < 250; s += 0.8 + 0.4*rng.Float64() {
		if len(at) < 15 {
			s += 25 // a node at rest
		}
		at = append(at, s)
	}
	y := make([]float64, len(at))
	for k, s := range at {
		y[k] = 20 + 12*math.Tanh((s-700)/30) + 0.03*rng.NormFloat64()
	}
	fronts := []float64{at[15], at[100]}
	lag := Lag{ResponseS: 18, NoiseK: 0.03}
	got := restored(at, y, fronts, lag)
	var m Smoother
	m.pace = make([]float64, len(at))
	m.setPace(at, 0, len(at), fronts)
	w, variance := rts(at, y, m.pace, lag)
	for k := range y {
		// decay is good to 1.5e-8, and the rule above to as much
		if math.Abs(got.T[k]-w[k]) > 1e-6 || math.Abs(got.Var[k]/variance[k]-1) > 1e-5 {
			t.Errorf("at %.1f s: %.9f K with variance %.4g, want %.9f with %.4g", at[k], got.T[k], got.Var[k], w[k], variance[k])
		}
	}
}
