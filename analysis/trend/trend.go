// Package trend says what a series of events shows: a slope, a step, an
// approach to a limit, or nothing that the scatter lets through.
//
// It knows points (time, value, uncertainty) and no exchanger. [Fit] chooses
// among kinds of curve, with covariates beside time, and explains its choice;
// [Changes] cuts a series into levels; [Jumps] finds sudden changes on a series
// that slopes too; [FitMixture] tells two populations from one; [CUSUM]
// watches points as they come in.
//
// Assumptions. Points come in time order. A point's uncertainty is what varies
// from point to point; an error that all points share moves the level and not
// the trend, and belongs to the caller. Neighbours may be correlated; the
// functions say where they allow for it. Where a series starts again, after a
// cleaning for example, the caller cuts it.
package trend

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// The errors that data can cause; they are returned wrapped.
var (
	ErrTooFew = errors.New("trend: too few points")
	ErrSeries = errors.New("trend: bad series") // not finite, or not in time order
	ErrNoFit  = errors.New("trend: no fit")     // the model does not describe the points
)

// A Point is one event in a trend.
type Point struct {
	T float64 // days, from any origin
	Y float64 // the quantity followed
	U float64 // standard uncertainty (k = 1) of Y from event to event; 0: not known
}

// check refuses series that are short, not finite or out of order.
func check(ps []Point, atLeast int) error {
	if len(ps) < atLeast {
		return fmt.Errorf("%w: %d, want %d", ErrTooFew, len(ps), atLeast)
	}
	for i, p := range ps {
		if !finite(p.T) || !finite(p.Y) || !finite(p.U) || p.U < 0 {
			return fmt.Errorf("%w: point %d is (%g, %g ± %g)", ErrSeries, i, p.T, p.Y, p.U)
		}
		if i > 0 && p.T < ps[i-1].T {
			return fmt.Errorf("%w: point %d at %g comes after one at %g", ErrSeries, i, p.T, ps[i-1].T)
		}
	}
	return nil
}

func noFit(format string, a ...any) error {
	return fmt.Errorf("%w: "+format, append([]any{ErrNoFit}, a...)...)
}

func badSeries(format string, a ...any) error {
	return fmt.Errorf("%w: "+format, append([]any{ErrSeries}, a...)...)
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// median returns the median of xs, which it leaves in order; NaN for none.
func median(xs []float64) float64 {
	xs = slices.Clone(xs)
	slices.Sort(xs)
	n := len(xs)
	if n == 0 {
		return math.NaN()
	}
	return (xs[(n-1)/2] + xs[n/2]) / 2
}

// values returns the points' values.
func values(ps []Point) []float64 {
	ys := make([]float64, len(ps))
	for i, p := range ps {
		ys[i] = p.Y
	}
	return ys
}
