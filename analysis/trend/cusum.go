package trend

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// A Side says on which side of its target a [CUSUM] raised the alarm.
type Side int8

// The sides.
const (
	Below   Side = -1
	NoAlarm Side = 0
	Above   Side = 1
)

// A CUSUM watches a series, point by point, for a lasting shift from its target
// (E. S. Page, Biometrika 41 (1954) 100, tabular form). Its fields are its whole
// state and can be stored between points. [DesignCUSUM] chooses K and H for a
// rate of false alarms that holds for independent points: where neighbours are
// correlated, divide by a standard deviation grown by the root of the
// [Model] Inflation. The rate holds, too, for a target that is known: one
// taken from a few dozen points makes false alarms more frequent.
//
// An alarm does not reset the sums; the caller does, with [CUSUM.Reset], when
// it has been dealt with.
type CUSUM struct {
	Target float64
	K      float64 // allowance: half the shift to be found, in units of the points
	H      float64 // decision limit, in units of the points
	Clip   float64 // one point counts for no more than this off target; 0: no limit

	Hi, Lo       float64 // sums of what lies above Target+K and below Target-K
	HiRun, LoRun int     // points since each sum was last zero: how long ago a shift began
}

// Add takes the next point. It returns on which side a sum exceeds H; where
// both do, the larger. A NaN counts as no point.
func (c *CUSUM) Add(y float64) Side {
	if math.IsNaN(y) {
		return NoAlarm
	}
	d := y - c.Target
	if c.Clip > 0 {
		d = max(-c.Clip, min(c.Clip, d))
	}
	grow(&c.Hi, &c.HiRun, d-c.K)
	grow(&c.Lo, &c.LoRun, -d-c.K)
	switch {
	case c.Hi > c.H && c.Hi >= c.Lo:
		return Above
	case c.Lo > c.H:
		return Below
	}
	return NoAlarm
}

// Reset sets the sums to zero.
func (c *CUSUM) Reset() { c.Hi, c.Lo, c.HiRun, c.LoRun = 0, 0, 0, 0 }

func grow(sum *float64, run *int, d float64) {
	if *sum += d; *sum <= 0 {
		*sum, *run = 0, 0
		return
	}
	*run++
}

// DesignCUSUM returns a CUSUM about target for independent, normal points of
// standard deviation sd: the one that finds a lasting shift of ±shift soonest
// while it raises, without a shift, one false alarm in falseAlarmEvery points
// on average, both sides together; the chance of one among n points is about
// 1-exp(-n/falseAlarmEvery). K is shift/2; H is solved for. It panics
// unless shift and sd are positive and falseAlarmEvery is at least 10; an
// error wraps [ErrNoFit] where no limit gives that rate.
func DesignCUSUM(target, sd, shift, falseAlarmEvery float64) (CUSUM, error) {
	if !(sd > 0 && shift > 0 && falseAlarmEvery >= 10) {
		panic("trend: CUSUM design out of range")
	}
	k := shift / 2 / sd
	lo, hi := 0.0, 1.0
	for runLength(k, hi, 0)/2 < falseAlarmEvery {
		lo, hi = hi, 2*hi
		if hi > 100 {
			return CUSUM{}, fmt.Errorf("%w: a shift of %.3g standard deviations cannot be watched at one false alarm in %g points",
				ErrNoFit, 2*k, falseAlarmEvery)
		}
	}
	for hi-lo > 1e-4 {
		if mid := (lo + hi) / 2; runLength(k, mid, 0)/2 < falseAlarmEvery {
			lo = mid
		} else {
			hi = mid
		}
	}
	return CUSUM{Target: target, K: k * sd, H: hi * sd}, nil
}

// RunLength returns the mean number of points from fresh sums to the first
// alarm, on either side, for independent normal points with the given
// standard deviation and mean Target+shift. Clip is left out of account.
func (c CUSUM) RunLength(shift, sd float64) float64 {
	k, h, d := c.K/sd, c.H/sd, shift/sd
	// Kemp's relation for the two one-sided schemes, exact for K of 0 or more.
	return 1 / (1/runLength(k, h, d) + 1/runLength(k, h, -d))
}

// runLength is the mean run length of a one-sided CUSUM in standard
// deviations: Page's integral equation
//
//	L(u) = 1 + L(0)·Φ(k-u-d) + ∫₀ʰ L(x)·φ(x+k-u-d) dx
//
// solved on the nodes of Gauss-Legendre quadrature.
func runLength(k, h, d float64) float64 {
	n := 16 + int(6*h) // the kernel is one unit wide: six nodes to it
	x, w := make([]float64, n), make([]float64, n)
	quad.Legendre{}.FixedLocations(x, w, 0, h)
	x, w = append([]float64{0}, x...), append([]float64{0}, w...)
	a, ones := mat.NewDense(n+1, n+1, nil), mat.NewVecDense(n+1, nil)
	for i, u := range x {
		ones.SetVec(i, 1)
		for j := range x {
			v := w[j] * distuv.UnitNormal.Prob(x[j]+k-u-d)
			if j == 0 {
				v = distuv.UnitNormal.CDF(k - u - d)
			}
			a.Set(i, j, -v)
		}
		a.Set(i, i, a.At(i, i)+1)
	}
	var l mat.VecDense
	if err := l.SolveVec(a, ones); err != nil && l.Len() == 0 || !(l.AtVec(0) >= 1) {
		return math.Inf(1) // singular to working precision: no alarm in 1e15 points
	}
	return l.AtVec(0)
}
