package robust

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// Against sorting by the standard library.
func TestNth(t *testing.T) {
	rng := rand.New(rand.NewPCG(13, 14))
	var s Selection
	for n := 1; n < 400; n++ {
		x := make([]float64, n)
		for i := range x {
			switch n % 3 {
			case 0:
				x[i] = float64(rng.IntN(1+n/8)) / 16 // ties
			case 1:
				x[i] = rng.NormFloat64()
			default:
				x[i] = []float64{0, math.Inf(1), math.Inf(-1), -3, 1e-310, 5}[rng.IntN(6)]
			}
		}
		sorted := slices.Sorted(slices.Values(x))
		for _, k := range []int{0, rng.IntN(n), n / 2, n - 1} {
			if got := s.Nth(x, k); got != sorted[k] {
				t.Fatalf("place %d of %d: %g, want %g", k, n, got, sorted[k])
			}
		}
	}
}

func BenchmarkNth(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 2))
	x := make([][120]float64, 2048)
	for i := range x {
		for j := range x[i] {
			x[i][j] = math.Abs(rng.NormFloat64())
		}
	}
	var s Selection
	k := 0
	for b.Loop() {
		s.Nth(x[k%2048][:], 60)
		k++
	}
}
