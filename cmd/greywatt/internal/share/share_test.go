package share

import (
	"fmt"
	"math"
	"testing"
)

// The scores by another program: for i in 1 2 3; do printf $i/NAME | sha256sum; done
func TestOwner(t *testing.T) {
	for name, want := range map[string][3]int{ // of 1, 2 and 3 workers
		"larch-04": {1, 2, 2}, // 61d5…, ee36…, bcd6…
		"larch-05": {1, 1, 1}, // e6b4…, 11a1…, ae5c…
		"elm":      {1, 1, 3}, // 95d0…, 8c9c…, d227…
	} {
		for n := range want {
			if got := Owner(name, n+1); got != want[n] {
				t.Errorf("%s of %d workers: worker %d, want %d", name, n+1, got, want[n])
			}
		}
	}
}

// Every piece has one owner, the shares are even, and a new worker takes its
// share from all others without moving anything else.
func TestShares(t *testing.T) {
	const pieces = 20_000
	for n := 1; n <= 12; n++ {
		counts := make([]int, n)
		moved := 0
		for p := range pieces {
			name := fmt.Sprintf("dwelling-%d", p)
			owners := 0
			for i := range n {
				if (Share{i + 1, n}).Has(name) {
					counts[i]++
					owners++
				}
			}
			if owners != 1 {
				t.Fatalf("%s has %d owners of %d", name, owners, n)
			}
			if before, after := Owner(name, n), Owner(name, n+1); before != after {
				if after != n+1 {
					t.Fatalf("%s moves from %d to %d of %d, want to the new one or not at all", name, before, after, n+1)
				}
				moved++
			}
		}
		// Binomial counts: five standard deviations are passed once in two million.
		even := func(count int, p float64) bool {
			return math.Abs(float64(count)-pieces*p) <= 5*math.Sqrt(pieces*p*(1-p))
		}
		for i, c := range counts {
			if !even(c, 1/float64(n)) {
				t.Errorf("worker %d of %d has %d of %d", i+1, n, c, pieces)
			}
		}
		if !even(moved, 1/float64(n+1)) {
			t.Errorf("from %d to %d workers %d of %d move", n, n+1, moved, pieces)
		}
	}
}

func TestParse(t *testing.T) {
	if s, err := Parse("2/3"); err != nil || s != (Share{2, 3}) {
		t.Errorf("2/3: %v, %v", s, err)
	}
	for _, text := range []string{"", "2", "0/3", "4/3", "a/3", "1/0", "1/3/5", "-1/2"} {
		if s, err := Parse(text); err == nil {
			t.Errorf("%q is taken as %v", text, s)
		}
	}
	if !(Share{}).Has("anything") {
		t.Error("the only worker does not have everything")
	}
}
