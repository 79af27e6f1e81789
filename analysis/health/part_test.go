package health

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// The middle of a record's noises is the middle of them sorted, whatever parts they
// come in. Source: the definition of the median.
func TestNoises(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	var sum noises
	var all []float64
	if m := sum.median(); !math.IsNaN(m) {
		t.Errorf("of none the median is %g", m)
	}
	for range 200 {
		var part counts
		for range rng.IntN(4) * rng.IntN(30) {
			v := coarse(math.Exp(4*rng.NormFloat64()) * float64(rng.IntN(8)))
			part.add(v)
			all = append(all, v)
		}
		sum.addAll(part)
		slices.Sort(all)
		if n := len(all); n > 0 {
			if got, want := sum.median(), (all[(n-1)/2]+all[n/2])/2; got != want {
				t.Fatalf("of %d the median is %g, want %g", n, got, want)
			}
		}
	}
	if len(sum) >= len(all) {
		t.Errorf("%d values of %d are held: none came twice", len(sum), len(all))
	}
}
