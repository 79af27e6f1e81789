package event

import (
	"math"
	"testing"
)

// The powers against the exponential of each time constant, by the standard library.
func TestTails(t *testing.T) {
	var f [len(tailsS)]float64
	for s := 0.0; s < 900; s += 0.7 {
		tailsAt(s, &f)
		for i, theta := range tailsS {
			if want := math.Exp(-s / theta); math.Abs(f[i]-want) > 1e-13*want {
				t.Errorf("%g s of %g s: %g, want %g", s, theta, f[i], want)
			}
		}
	}
}
