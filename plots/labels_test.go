package plots

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

func TestSpread(t *testing.T) {
	for _, c := range []struct {
		name             string
		want, out        []float64
		gap, bottom, top float64
	}{
		{"room enough", []float64{10, 50, 90}, []float64{10, 50, 90}, 16, 0, 100},
		{"two part evenly", []float64{40, 40}, []float64{32, 48}, 16, 0, 100},
		{"order is kept", []float64{52, 48}, []float64{58, 42}, 16, 0, 100},
		{"three, one apart", []float64{30, 34, 90}, []float64{24, 40, 90}, 16, 0, 100},
		{"pushed in from the edge", []float64{99, 98}, []float64{100, 84}, 16, 0, 100},
		{"too many share", []float64{5, 5, 5}, []float64{0, 10, 20}, 16, 0, 20},
	} {
		got := spread(c.want, c.gap, c.bottom, c.top)
		for i := range got {
			if math.Abs(got[i]-c.out[i]) > 1e-9 {
				t.Errorf("%s: %v, want %v", c.name, got, c.out)
				break
			}
		}
	}
}

// No small move of all, or of one, brings the places nearer to those wanted
// without breaking a rule: they are the least-squares ones.
func TestSpreadIsOptimal(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for range 500 {
		n := 2 + rng.IntN(5)
		want := make([]float64, n)
		for i := range want {
			want[i] = 200 * rng.Float64()
		}
		slices.Sort(want)
		got := spread(want, 16, 10, 190)
		cost := func(ps []float64) float64 {
			s := 0.0
			for i := range ps {
				s += (ps[i] - want[i]) * (ps[i] - want[i])
			}
			return s
		}
		allowed := func(ps []float64) bool {
			for i := range ps {
				if ps[i] < 10-1e-9 || ps[i] > 190+1e-9 || i > 0 && ps[i]-ps[i-1] < 16-1e-9 {
					return false
				}
			}
			return true
		}
		if !allowed(got) {
			t.Fatalf("%v from %v breaks a rule", got, want)
		}
		for range 50 {
			try := slices.Clone(got)
			from, to := rng.IntN(n), rng.IntN(n)
			for i := min(from, to); i <= max(from, to); i++ {
				try[i] += []float64{-0.3, 0.3}[rng.IntN(2)]
			}
			if allowed(try) && cost(try) < cost(got)-1e-9 {
				t.Fatalf("%v is nearer to %v than %v", try, want, got)
			}
		}
	}
}

func noisy(rng *rand.Rand, n int, width, noise float64) []point {
	ps := make([]point, n)
	y := 100.0
	for i := range ps {
		if i == n/3 {
			y = 20 // a step
		}
		ps[i] = point{50 + width*float64(i)/float64(n-1), y + noise*rng.NormFloat64()}
	}
	ps[n/2].y = 3 // a spike of one sample
	return ps
}

// height returns the y of a line at x.
func height(line []point, x float64) float64 {
	for i := 1; i < len(line); i++ {
		a, b := line[i-1], line[i]
		if x <= b.x {
			if b.x == a.x {
				return b.y
			}
			return a.y + (b.y-a.y)*(x-a.x)/(b.x-a.x)
		}
	}
	return line[len(line)-1].y
}

func TestThinKeepsWhatCanBeSeen(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	for _, n := range []int{5, 100, 700, 6000} {
		for _, noise := range []float64{0, 0.1, 2} {
			ps := noisy(rng, n, 700, noise)
			got := thin(ps, 0.35)
			if got[0] != ps[0] || got[len(got)-1] != ps[n-1] {
				t.Errorf("%d points: ends moved", n)
			}
			for _, p := range ps {
				// All heights that the line takes in a px column are one to the eye.
				col := math.Floor(p.x)
				a, b := height(got, col), height(got, col+1)
				lo, hi := math.Min(a, b), math.Max(a, b)
				for _, q := range got {
					if q.x >= col && q.x < col+1 {
						lo, hi = math.Min(lo, q.y), math.Max(hi, q.y)
					}
				}
				if d := math.Abs(height(got, p.x) - p.y); d > 0.36 && !(p.y >= lo-0.36 && p.y <= hi+0.36) {
					t.Fatalf("%d points, noise %g: (%.2f, %.2f) lies %.2f px off", n, noise, p.x, p.y, d)
				}
			}
			if !slices.ContainsFunc(got, func(p point) bool { return p.y == 3 }) {
				t.Errorf("%d points, noise %g: the spike is lost", n, noise)
			}
			if n == 6000 && len(got) > 4*701 {
				t.Errorf("%d points left of %d, want four a px at most", len(got), n)
			}
			if noise == 0 && n >= 100 && len(got) > 12 {
				t.Errorf("%d points left of two straight pieces and a spike", len(got))
			}
		}
	}
}

func TestSummariseShowsMeanAndSpread(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 9))
	ps := noisy(rng, 4000, 700, 3)
	s := summarise(ps, 2, 0.35)
	if s.ribbon == nil {
		t.Fatal("no ribbon round a noise of 3 px")
	}
	turn := 1 // the ribbon's upper edge goes right, its lower edge comes back
	for turn < len(s.ribbon) && s.ribbon[turn].x >= s.ribbon[turn-1].x {
		turn++
	}
	high, low := s.ribbon[:turn], slices.Clone(s.ribbon[turn:])
	slices.Reverse(low)
	outside := 0
	for _, p := range ps {
		if p.y < height(high, p.x)-0.4 || p.y > height(low, p.x)+0.4 {
			outside++
		}
	}
	// Between two bins' extremes the edges run straight.
	if share := float64(outside) / float64(len(ps)); share > 0.12 {
		t.Errorf("%.0f %% of the points lie outside the ribbon", 100*share)
	}
	if !slices.ContainsFunc(high, func(p point) bool { return p.y == 3 }) {
		t.Error("the spike is lost")
	}
	// A bin holds 17 points, so its mean strays by 3/√17 = 0.73 px (standard);
	// the bins of the step and of the spike by more.
	far := 0
	for _, p := range s.mean[1 : len(s.mean)-1] {
		want := 100.0
		if p.x > 50+700/3.0 {
			want = 20
		}
		if math.Abs(p.y-want) > 4*0.73 {
			far++
		}
	}
	if far > 2 {
		t.Errorf("%d means stray", far)
	}
	if s := summarise(ps, 400, 0.35); s.ribbon != nil {
		t.Error("a ribbon under a line that hides it")
	}
	few := ps[:40]
	for i := range few {
		few[i].x = 10 * float64(i)
	}
	if s := summarise(few, 2, 0); len(s.mean) != len(few) {
		t.Errorf("a line of few points was averaged to %d", len(s.mean))
	}
}

func TestFlagRows(t *testing.T) {
	marks := []trendMark{{at: 100}, {at: 105}, {at: 300}, {at: 395}}
	got := TrendChart{}.flagRows(marks, func(m trendMark) (x, w float64) { return float64(m.at), 60 }, 420)
	// The last is pushed in from the edge at 420 and so stands left of its own
	// line, over the third's label.
	want := []flagPosition{{104, 1}, {109, 0}, {304, 1}, {360, 0}}
	if !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}
