package trend

import "math"

// A Shift is the outcome of Pettitt's test for one change of level.
type Shift struct {
	Before int     // points before the change
	K      float64 // largest |U|
	P      float64 // approximate two-sided probability without a change
}

// Pettitt tests four or more independent points for one change of level
// without asking how they are distributed (A. N. Pettitt, Applied Statistics
// 28 (1979) 126). P is his approximation 2·exp(-6K²/(n³+n²)), good below 0.5.
// Where the largest |U| occurs more than once, the first counts. A slope gives
// a small P as well: the test does not tell one from the other. Errors:
// [ErrTooFew], [ErrSeries].
func Pettitt(ps []Point) (Shift, error) {
	if err := check(ps, 4); err != nil {
		return Shift{}, err
	}
	n := float64(len(ps))
	var s Shift
	var u float64
	for i, r := range ranks(values(ps))[:len(ps)-1] {
		u += 2*r - (n + 1)
		if math.Abs(u) > s.K {
			s.K, s.Before = math.Abs(u), i+1
		}
	}
	s.P = min(1, 2*math.Exp(-6*s.K*s.K/(n*n*n+n*n)))
	return s, nil
}
