package trend

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

func mixture(t *testing.T, ps []Point, o Options) Mixture {
	t.Helper()
	m, err := FitMixture(ps, o)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// bypassed gives n points over 100 days: a trend with a scatter of 0.025 and a
// share by time of points that lie lower by 0.9 with a scatter of 0.1.
func bypassed(n int, at, share func(day float64) float64, seed uint64) (ps []Point, low []bool) {
	rng := rand.New(rand.NewPCG(seed, 2718))
	for i := range n {
		d := 100 * (float64(i) + rng.Float64()) / float64(n)
		is := rng.Float64() < share(d)
		y := at(d) + 0.025*rng.NormFloat64()
		if is {
			y += -0.9 + 0.1*rng.NormFloat64()
		}
		ps, low = append(ps, Point{T: d, Y: y, U: 0.01}), append(low, is)
	}
	return ps, low
}

func always(share float64) func(float64) float64 { return func(float64) float64 { return share } }

// Shares from a tenth to over a half, on level, line and fouling curve, from 20
// points to 2000: found, with share and separation within their uncertainty, and
// each point where it belongs.
func TestMixtureFound(t *testing.T) {
	trends := map[string]func(float64) float64{
		"level":   level,
		"line":    func(d float64) float64 { return -0.002 * d },
		"fouling": func(d float64) float64 { return -0.3 * (1 - math.Exp(-d/20)) },
	}
	for name, at := range trends {
		for _, n := range []int{20, 60, 200} {
			for _, share := range []float64{0.1, 0.3, 0.6} {
				if n == 20 && (share != 0.3 || name == "fouling") || share == 0.1 && n == 60 {
					continue // too few points of either to tell from outliers or to leave a curve
				}
				const runs = 20
				found, held, apart, wrong := 0, 0, 0, 0
				for seed := range uint64(runs) {
					ps, low := bypassed(n, at, always(share), seed+300)
					m := mixture(t, ps, Options{Strictness: 1.3})
					if m.Two {
						found++
					}
					if math.Abs(m.Share-share) <= 2.5*m.UShare+1e-9 {
						held++
					}
					if math.Abs(m.Separation-0.9) <= 2.5*m.USeparation+0.05 { // 0.05: what the trend's curve leaves
						apart++
					}
					for i := range low {
						if low[i] != (m.Low[i] > 0.5) {
							wrong++
						}
					}
				}
				t.Logf("%s, %d points, share %.1f: found %d, share %d, separation %d of %d; %d points misplaced", name, n, share, found, held, apart, runs, wrong)
				if found < 18 || held < 17 || apart < 17 || wrong > runs*n/100 {
					t.Errorf("%s, %d points, share %.1f: found %d, share %d, separation %d of %d; %d points misplaced", name, n, share, found, held, apart, runs, wrong)
				}
			}
		}
	}
}

// Series of one population: how often two are seen. Bounds are 1 in 100, with
// room for chance.
func TestMixtureNull(t *testing.T) {
	student := func(rng *rand.Rand) float64 { // t with 3 degrees of freedom
		var square float64
		for range 3 {
			x := rng.NormFloat64()
			square += x * x
		}
		return rng.NormFloat64() / math.Sqrt(square/3)
	}
	skewed := func(rng *rand.Rand) float64 { // a gamma of shape 4, its tail downwards
		var sum float64
		for range 4 {
			sum += rng.ExpFloat64()
		}
		return -(sum - 4) / 2
	}
	normal := func(rng *rand.Rand) float64 { return rng.NormFloat64() }
	uniform := func(rng *rand.Rand) float64 { return math.Sqrt(12) * (rng.Float64() - 0.5) }
	wild := func(rng *rand.Rand) float64 {
		if rng.Float64() < 0.04 {
			return 15 * rng.NormFloat64()
		}
		return rng.NormFloat64()
	}
	for _, row := range []struct {
		name  string
		noise func(*rand.Rand) float64
		phi   float64
		at    func(float64) float64
	}{
		{"normal", normal, 0, level},
		{"correlated", normal, 0.6, level},
		{"t with 3", student, 0, level},
		{"skewed", skewed, 0, level},
		{"uniform", uniform, 0, level},
		{"wild points", wild, 0, level},
		{"step", normal, 0.3, func(d float64) float64 { return -0.3 * math.Round(d/100) }},
		{"bend", normal, 0.3, func(d float64) float64 { return -0.01 * max(0, d-40) }},
		{"late fouling", normal, 0.3, func(d float64) float64 { return -0.4 * (1 - math.Exp(-max(0, d-30)/12)) }},
		{"two steps", normal, 0.3, func(d float64) float64 { return -0.2 * (math.Floor(d/34) - 2*math.Floor(d/67)) }},
		{"season", normal, 0.3, func(d float64) float64 { return 0.06 * math.Sin(2*math.Pi*d/100) }},
		{"two cleanings", normal, 0.3, func(d float64) float64 { return -0.012 * math.Mod(d, 33) }},
	} {
		for _, n := range []int{20, 60, 200} {
			runs := 25
			if testing.Short() {
				runs = 10
			}
			seen := 0
			for seed := range uint64(runs) {
				rng := rand.New(rand.NewPCG(seed+40077, 1618))
				var ps []Point
				x := row.noise(rng)
				for i := range n {
					d := 100 * float64(i) / float64(n)
					ps = append(ps, Point{T: d, Y: row.at(d) + 0.025*x, U: 0.01})
					x = row.phi*x + math.Sqrt(1-row.phi*row.phi)*row.noise(rng)
				}
				if mixture(t, ps, Options{Strictness: 1.3}).Two {
					seen++
				}
			}
			t.Logf("%s, %d points: two populations in %d of %d", row.name, n, seen, runs)
			if seen > 1 {
				t.Errorf("%s, %d points: two populations in %d of %d", row.name, n, seen, runs)
			}
		}
	}
}

// A share that begins on day 60 is dated; one that does not change is not.
func TestMixtureShare(t *testing.T) {
	const runs = 30
	dated, constant := 0, 0
	for seed := range uint64(runs) {
		ps, _ := bypassed(160, level, func(d float64) float64 {
			if d > 60 {
				return 0.4
			}
			return 0
		}, seed)
		m := mixture(t, ps, Options{})
		if m.Two && m.ShareEvidence > 0 && math.Abs(m.ShareT-60) < 6 && m.ShareBefore < 0.05 && math.Abs(m.ShareAfter-0.4) < 0.2 {
			dated++
		}
		ps, _ = bypassed(160, level, always(0.25), seed)
		if m := mixture(t, ps, Options{}); m.Two && m.ShareEvidence < 0 {
			constant++
		}
	}
	if dated < runs*9/10 || constant < runs*9/10 {
		t.Errorf("share dated in %d, found constant in %d of %d", dated, constant, runs)
	}
}

// The likelihood of two equal normal populations is that of the closed form,
// and the two are bimodal from a separation of two standard deviations on
// (M. F. Schilling et al., Am. Stat. 56 (2002) 223; from memory): Bimodality,
// √2·d/√(s²+s²), is then 2.
func TestMixtureLikelihood(t *testing.T) {
	var rest, sigma []float64
	rng := rand.New(rand.NewPCG(9, 9))
	for i := range 4000 {
		x := rng.NormFloat64()
		if i%4 == 0 {
			x -= 5
		}
		rest, sigma = append(rest, x), append(sigma, 1)
	}
	s := scatter(rest, sigma)
	p := s.split()
	near(t, "share", p.share, 0.25, 0.01)
	near(t, "level", p.level, -5, 0.15)
	near(t, "center", p.center, 0, 0.08)
	near(t, "scale", p.scale, 1, 0.04)
	near(t, "spread", p.spread, 1, 0.08)
	if p.freedom != 100 {
		t.Errorf("%g degrees of freedom for normal scatter", p.freedom)
	}
	var want float64
	for _, x := range s.rest {
		normal := func(mean float64) float64 { return math.Exp(-(x-mean)*(x-mean)/2) / math.Sqrt(2*math.Pi) }
		want += math.Log(0.75*normal(0) + 0.25*normal(-5))
	}
	// Five parameters fitted to these points gain about 5/2; t with 100 is not quite normal.
	near(t, "ln(likelihood)", p.logLikelihood, want, 6)
}

func TestMixtureRefuses(t *testing.T) {
	ps, _ := bypassed(19, level, always(0.3), 1)
	if _, err := FitMixture(ps, Options{}); !errors.Is(err, ErrTooFew) {
		t.Errorf("nineteen points: %v", err)
	}
}

func BenchmarkFitMixture(b *testing.B) {
	for _, n := range []int{200, 2000} {
		ps, _ := bypassed(n, level, always(0.3), 1)
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			for b.Loop() {
				if _, err := FitMixture(ps, Options{}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
