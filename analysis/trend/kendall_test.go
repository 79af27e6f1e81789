package trend

import (
	"cmp"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// numbers reads values separated by spaces.
func numbers(s string) []float64 {
	var xs []float64
	for _, f := range strings.Fields(s) {
		x, err := strconv.ParseFloat(f, 64)
		if err != nil {
			panic(err)
		}
		xs = append(xs, x)
	}
	return xs
}

// every makes points of the values at T = 1, 2, 3 and so on.
func every(ys []float64) []Point {
	ps := make([]Point, len(ys))
	for i, y := range ys {
		ps[i] = Point{T: float64(i + 1), Y: y}
	}
	return ps
}

// sulfate is example 17-6 of EPA (2009), Unified Guidance, p. 17-33. The times
// are labels YEAR.MONTH and are used as numbers there too.
func sulfate() []Point {
	ts := numbers(`89.6 89.8 90.1 90.3 90.6 90.8 91.1 91.3 91.6 91.8 92.1 92.6 93.1 93.6 94.1 94.6 95.1 95.6 95.8 96.1 96.3 96.6 96.8`)
	ys := numbers(`480 450 490 520 485 510 510 530 510 560 560 540 590 550 600 700 570 610 650 620 830 720 590`)
	ps := every(ys)
	for i := range ps {
		ps[i].T = ts[i]
	}
	return ps
}

// nile is the flow of a river at one gauge, 1871 to 1970, in 10⁸ m³: a standard
// series of the literature on changes (G. W. Cobb, Biometrika 65 (1978) 243).
var nile = numbers(`1120 1160 963 1210 1160 1160 813 1230 1370 1140 995 935 1110 994 1020 960 1180 799 958 1140
	1100 1210 1150 1250 1260 1220 1030 1100 774 840 874 694 940 833 701 916 692 1020 1050 969 831 726 456 824 702
	1120 1100 832 764 821 768 845 864 862 698 845 744 796 1040 759 781 865 845 944 984 897 822 1010 771 676 649 846
	812 742 801 1040 860 874 848 890 744 749 838 1050 918 986 797 923 975 815 1020 906 901 1170 912 746 919 718 714 740`)

// pageData is the series of E. S. Page, Biometrika 42 (1955) 523.
var pageData = numbers(`-1.05 .96 1.22 .58 -.98 -.03 -1.54 -.71 -.35 .66 .44 .91 -.02 -1.42 1.26 -1.02 -.81 1.66 1.05 .97
	2.14 1.22 -.24 1.6 .72 -.12 .44 .03 .66 .56 1.37 1.66 .1 .8 1.29 .49 -.07 1.18 3.29 1.84`)

// The printed results of the sulfate example, read in the manual of a
// statistics package; its tau is S over all pairs. Tolerance: the last digit.
func TestSulfate(t *testing.T) {
	k, err := MannKendall(sulfate())
	if err != nil {
		t.Fatal(err)
	}
	if k.S != 194 {
		t.Errorf("S = %d, want 194", k.S)
	}
	near(t, "variance", k.Var, 1428, 1e-9)
	near(t, "tau-a", k.TauA, .7667984, 5e-8)
	near(t, "z", k.Z, 5.107322, 5e-7)
	near(t, "p", k.P, 3.267574e-07, 5e-14)
	s, err := TheilSen(sulfate(), SlopeOptions{})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "slope", s.PerDay, 26.6666667, 5e-8)
	near(t, "intercept", s.Intercept, -1909.3333333, 5e-8)
	near(t, "low", s.Lo, 20.00000, 5e-6)
	near(t, "high", s.Hi, 35.71182, 5e-6)
}

// Calculated from the published data by the formulas of the literature. tau-a
// and tau-b differ by the ties, and programs differ in which they print.
func TestNileKendall(t *testing.T) {
	k, err := MannKendall(every(nile))
	if err != nil {
		t.Fatal(err)
	}
	if k.S != -1387 {
		t.Errorf("S = %d, want -1387", k.S)
	}
	near(t, "variance", k.Var, 112728.333, 5e-4)
	near(t, "z", k.Z, -4.128067, 5e-7)
	near(t, "p", k.P, 3.65826e-5, 5e-11)
	near(t, "tau-a", k.TauA, -.280202, 5e-7)
	near(t, "tau-b", k.TauB, -.280741, 5e-7)
	s, err := TheilSen(every(nile), SlopeOptions{})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "slope", s.PerDay, -2.6, 1e-9)
}

// The uncapped algorithm as published, calculated from the data with an
// implementation's steps; its far lags 33 to 35 are noise, and the cap leaves
// them out.
func TestHamedRao(t *testing.T) {
	k, err := HamedRao(every(nile), AllLags)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "n/n*", k.Inflation, 2.142898, 5e-7)
	near(t, "variance", k.Var, 241565.36, 5e-3)
	near(t, "z", k.Z, -2.819979, 5e-7)
	near(t, "p", k.P, .00480268, 5e-9)

	capped, err := HamedRao(every(nile), CappedLags)
	if err != nil {
		t.Fatal(err)
	}
	// The same sum without lags 33, 34 and 35, whose coefficients are given to
	// three digits: the factors come from the same formula by hand.
	n := 100.0
	far := 0.0
	for lag, r := range map[float64]float64{33: -.197, 34: -.208, 35: -.232} {
		far += (n - lag) * (n - lag - 1) * (n - lag - 2) * r
	}
	near(t, "n/n* capped", capped.Inflation, 2.142898-2*far/(n*(n-1)*(n-2)), 2e-3)
	if _, err := HamedRao(every(nile[:10]), CappedLags); !errors.Is(err, ErrTooFew) {
		t.Errorf("ten points: %v, want ErrTooFew", err)
	}
}

// On correlated noise without a trend the plain test cries too often and the
// corrected one about half as often, which is not yet its nominal 5 %; on white
// noise the correction costs next to nothing.
func TestHamedRaoLevel(t *testing.T) {
	const runs, n = 400, 150
	reject := func(phi float64, test func([]Point) (Kendall, error)) float64 {
		count := 0.0
		for seed := range uint64(runs) {
			k, err := test(every(autoregressive(n, phi, seed)))
			if err != nil {
				t.Fatal(err)
			}
			if k.P < 0.05 {
				count++
			}
		}
		return count / runs
	}
	capped := func(ps []Point) (Kendall, error) { return HamedRao(ps, CappedLags) }
	// Standard error of a share of 0.05 in 400: 0.011.
	near(t, "white noise, plain", reject(0, MannKendall), 0.05, 0.035)
	near(t, "white noise, corrected", reject(0, capped), 0.04, 0.035)
	plain, corrected := reject(0.5, MannKendall), reject(0.5, capped)
	t.Logf("phi 0.5: plain %.3f, corrected %.3f", plain, corrected)
	if !(plain > 0.2 && corrected < 0.6*plain) {
		t.Errorf("correlated noise: plain %.3f, want above 0.2; corrected %.3f, want it about halved", plain, corrected)
	}
}

// autoregressive returns noise of unit variance with lag-one correlation phi.
func autoregressive(n int, phi float64, seed uint64) []float64 {
	rng := rand.New(rand.NewPCG(seed, 77))
	ys := make([]float64, n)
	x := rng.NormFloat64()
	for i := range ys {
		ys[i] = x
		x = phi*x + math.Sqrt(1-phi*phi)*rng.NormFloat64()
	}
	return ys
}

// P(S >= s) without ties by enumeration, which is R. O. Gilbert (1987), table
// A18 (from memory), and again here over all permutations.
func TestExactNull(t *testing.T) {
	for n, rows := range map[int]map[int]float64{
		4:  {0: .625, 2: .375, 4: .16667, 6: .04167},
		5:  {4: .24167, 6: .11667, 8: .04167, 10: .00833},
		6:  {9: .06806, 11: .02778, 13: .00833, 15: .00139},
		8:  {14: .05434, 16: .03051, 18: .01558, 20: .00707},
		10: {19: .05416, 21: .03628, 23: .02331, 25: .01430},
	} {
		for s, want := range rows {
			near(t, "P(S>=s)", kendallTail(n, s), want, 5e-6)
		}
	}
	counts, total := map[int]int{}, 0
	permute([]float64{1, 2, 3, 4, 5, 6}, func(ys []float64) {
		k, err := MannKendall(every(ys))
		if err != nil {
			t.Fatal(err)
		}
		if !k.Exact {
			t.Fatal("six points without ties: not exact")
		}
		counts[k.S]++
		total++
	})
	for s := -15; s <= 15; s++ {
		tail := 0
		for x, c := range counts {
			if x >= s {
				tail += c
			}
		}
		near(t, "tail over all permutations", kendallTail(6, s), float64(tail)/float64(total), 1e-12)
	}
	k, err := MannKendall(every([]float64{1, 2, 3, 4}))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "two-sided p of four rising points", k.P, 2*.0416667, 1e-6)
}

func permute(xs []float64, visit func([]float64)) {
	var f func(k int)
	f = func(k int) {
		if k == len(xs) {
			visit(xs)
			return
		}
		for i := k; i < len(xs); i++ {
			xs[k], xs[i] = xs[i], xs[k]
			f(k + 1)
			xs[k], xs[i] = xs[i], xs[k]
		}
	}
	f(0)
}

// With ties in value and in time the variance is that over all permutations.
func TestKendallVarianceWithTies(t *testing.T) {
	ts := []float64{1, 1, 2, 3, 3, 3}
	var sum, squares, count float64
	var want float64
	permute([]float64{5, 5, 5, 7, 8, 8}, func(ys []float64) {
		ps := make([]Point, len(ys))
		for i := range ps {
			ps[i] = Point{T: ts[i], Y: ys[i]}
		}
		k, err := MannKendall(ps)
		if err != nil {
			t.Fatal(err)
		}
		sum, squares, count, want = sum+float64(k.S), squares+float64(k.S*k.S), count+1, k.Var
	})
	near(t, "mean of S", sum/count, 0, 1e-12)
	near(t, "variance of S", squares/count, want, 1e-9)
}

func TestFlatSeries(t *testing.T) {
	k, err := MannKendall(every(make([]float64, 20)))
	if err != nil {
		t.Fatal(err)
	}
	if k.S != 0 || k.P != 1 || k.Z != 0 {
		t.Errorf("all alike: %+v", k)
	}
	s, err := TheilSen(every(make([]float64, 20)), SlopeOptions{})
	if err != nil || s.PerDay != 0 || s.Lo != 0 || s.Hi != 0 {
		t.Errorf("all alike: %+v, %v", s, err)
	}
}

// Pettitt's test on Page's data, as in the manual of a statistics package
// (change after 17, K = 232, p = .014), and on the river (calculated).
func TestPettitt(t *testing.T) {
	s, err := Pettitt(every(pageData))
	if err != nil {
		t.Fatal(err)
	}
	if s.Before != 17 || s.K != 232 {
		t.Errorf("change after %d with K = %g, want 17 and 232", s.Before, s.K)
	}
	near(t, "p", s.P, .0145556, 5e-8)
	s, err = Pettitt(every(nile))
	if err != nil {
		t.Fatal(err)
	}
	if s.Before != 28 || s.K != 1617 {
		t.Errorf("change after %d with K = %g, want 28 and 1617", s.Before, s.K)
	}
	near(t, "p", s.P, 3.591e-7, 5e-11)
}

// listed is Sen's estimate from a list of all slopes, for comparison.
func listed(ps []Point, w []float64) (median, lo float64) {
	type slope struct{ b, w float64 }
	var all []slope
	var total float64
	for i := range ps {
		for j := i + 1; j < len(ps); j++ {
			if ps[j].T > ps[i].T {
				all = append(all, slope{(ps[j].Y - ps[i].Y) / (ps[j].T - ps[i].T), w[i] * w[j]})
				total += w[i] * w[j]
			}
		}
	}
	slices.SortFunc(all, func(a, b slope) int { return cmp.Compare(a.b, b.b) })
	at := func(x float64) float64 {
		var sum float64
		for _, s := range all {
			if sum += s.w; sum >= x {
				return s.b
			}
		}
		return math.NaN()
	}
	return at(total / 2), at(total / 5)
}

func TestSlopesAgainstList(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for trial := range 40 {
		n := 5 + rng.IntN(60)
		ps, ones, w := make([]Point, n), make([]float64, n), make([]float64, n)
		at := 0.0
		for i := range ps {
			if rng.IntN(4) > 0 { // some share a time, some a value
				at += float64(1 + rng.IntN(3))
			}
			ps[i] = Point{T: at, Y: math.Round(10*rng.NormFloat64()) + 0.3*at, U: 0.5 + rng.Float64()}
			ones[i], w[i] = 1, 1/(ps[i].U*ps[i].U)
		}
		if ps[n-1].T == ps[0].T {
			continue
		}
		for _, w := range [][]float64{ones, w} {
			s := newSlopes(ps, w)
			mid, fifth := listed(ps, w)
			near(t, "median slope", s.atWeight(s.total/2), mid, 1e-9)
			near(t, "fifth slope", s.atWeight(s.total/5), fifth, 1e-9)
			if trial == 0 {
				near(t, "weight above all", s.upTo(s.hi+1e-9), s.total, 1e-9*s.total)
			}
		}
	}
}

// With equal weights the variance of the weighted S is Kendall's, times with
// several points included; with unequal ones it is that over all permutations.
func TestWeightedVariance(t *testing.T) {
	ps, w := every([]float64{1, 2, 3, 4, 5, 6}), []float64{1, 1, 1, 1, 1, 1}
	ps[2].T = ps[1].T
	k, err := MannKendall(ps)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "equal weights", newSlopes(ps, w).variance(), k.Var, 1e-9)
	w = []float64{1, 3, 0.5, 2, 1, 4}
	var squares, count float64
	permute([]float64{1, 2, 3, 4, 5, 6}, func(ys []float64) {
		var s float64
		for i := range ys {
			for j := i + 1; j < len(ys); j++ {
				if ps[j].T > ps[i].T {
					s += w[i] * w[j] * math.Copysign(1, ys[j]-ys[i])
				}
			}
		}
		squares, count = squares+s*s, count+1
	})
	near(t, "unequal weights", newSlopes(ps, w).variance(), squares/count, 1e-9)
}

// Intervals of both kinds hold the truth at their stated rate, and weights pay
// where points differ.
func TestSlopeCoverage(t *testing.T) {
	const runs, n, truth = 400, 60, -0.004
	var held, heldWeighted int
	var spread, spreadWeighted float64
	for seed := range uint64(runs) {
		rng := rand.New(rand.NewPCG(seed, 9))
		ps := make([]Point, n)
		for i := range ps {
			u := 0.02
			if i%2 == 0 {
				u = 0.1
			}
			at := 90 * rng.Float64()
			ps[i] = Point{T: at, Y: 1 + truth*at + u*rng.NormFloat64(), U: u}
		}
		slices.SortFunc(ps, func(a, b Point) int { return cmp.Compare(a.T, b.T) })
		a, err := TheilSen(ps, SlopeOptions{})
		if err != nil {
			t.Fatal(err)
		}
		b, err := TheilSen(ps, SlopeOptions{Weighting: ByUncertainty})
		if err != nil {
			t.Fatal(err)
		}
		if a.Lo <= truth && truth <= a.Hi {
			held++
		}
		if b.Lo <= truth && truth <= b.Hi {
			heldWeighted++
		}
		spread += (a.PerDay - truth) * (a.PerDay - truth)
		spreadWeighted += (b.PerDay - truth) * (b.PerDay - truth)
	}
	// 95 % of 400 with a standard error of 1.1 %. The errors are not alike, so
	// the interval is approximate.
	for what, k := range map[string]int{"plain": held, "weighted": heldWeighted} {
		if share := float64(k) / runs; share < 0.91 || share > 0.985 {
			t.Errorf("%s interval held the slope in %.3f of the runs", what, share)
		}
	}
	t.Logf("weighted over plain spread: %.2f", math.Sqrt(spreadWeighted/spread))
	if !(spreadWeighted < 0.7*spread) {
		t.Errorf("weights do not pay: mean square %.3g against %.3g", spreadWeighted, spread)
	}
}

func TestSlopeRefuses(t *testing.T) {
	short := every([]float64{1, 2, 3})
	if _, err := TheilSen(short, SlopeOptions{}); !errors.Is(err, ErrTooFew) {
		t.Errorf("three points: %v", err)
	}
	if _, err := TheilSen(every(nile), SlopeOptions{Weighting: ByUncertainty}); !errors.Is(err, ErrSeries) {
		t.Errorf("weights without uncertainties: %v", err)
	}
	same := []Point{{T: 1, Y: 1}, {T: 1, Y: 2}, {T: 1, Y: 3}, {T: 1, Y: 4}}
	if _, err := TheilSen(same, SlopeOptions{}); !errors.Is(err, ErrNoFit) {
		t.Errorf("one time: %v", err)
	}
	back := []Point{{T: 1}, {T: 3}, {T: 2}, {T: 4}}
	if _, err := MannKendall(back); !errors.Is(err, ErrSeries) {
		t.Errorf("out of order: %v", err)
	}
	// Four points bound no 95 % interval: Kendall's S of 6 has a tail of 1 in 24.
	s, err := TheilSen(every([]float64{1, 2, 4, 8}), SlopeOptions{})
	if err != nil || !math.IsInf(s.Lo, -1) || !math.IsInf(s.Hi, 1) {
		t.Errorf("four points: %+v, %v", s, err)
	}
}

func BenchmarkTheilSen(b *testing.B) {
	for _, n := range []int{800, 4000} {
		ps := every(autoregressive(n, 0, 1))
		b.Run(strconv.Itoa(n), func(b *testing.B) {
			for b.Loop() {
				if _, err := TheilSen(ps, SlopeOptions{}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkHamedRao4000(b *testing.B) {
	ps := every(autoregressive(4000, 0.3, 1))
	for b.Loop() {
		if _, err := HamedRao(ps, CappedLags); err != nil {
			b.Fatal(err)
		}
	}
}
