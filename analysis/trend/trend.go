// Package trend says what a series of events shows: a slope, a step, an
// approach to a limit, or nothing that the scatter lets through.
//
// It knows points (time, value, uncertainty) and no exchanger. Three groups
// stand side by side. Tests and estimates from the literature, each alone:
// [MannKendall], [HamedRao], [TheilSen], [Pettitt], [Changes], [Jumps],
// [FitAsymptote].
// A choice among models that explains itself: [Fit]. A watch for events as
// they come in: [CUSUM].
//
// Assumptions. Points come in time order. A point's uncertainty is what varies
// from point to point; an error that all points share moves the level and not
// the trend, and belongs to the caller. Neighbours may be correlated; the
// functions say where they allow for it. Where a series begins afresh, after a
// cleaning for example, the caller cuts it.
package trend

import (
	"cmp"
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

// A Point is one event's place in a trend.
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

// ranks returns the ranks of xs from 1, equal values sharing their mean rank.
func ranks(xs []float64) []float64 {
	order := make([]int, len(xs))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(xs[a], xs[b]) })
	r := make([]float64, len(xs))
	for from := 0; from < len(xs); {
		to := from + 1
		for to < len(xs) && xs[order[to]] == xs[order[from]] {
			to++
		}
		for _, i := range order[from:to] {
			r[i] = float64(from+1+to) / 2
		}
		from = to
	}
	return r
}

// tied returns the sizes of the groups of equal values in xs, singles left out.
func tied(xs []float64) []float64 {
	xs = slices.Clone(xs)
	slices.Sort(xs)
	var groups []float64
	for from := 0; from < len(xs); {
		to := from + 1
		for to < len(xs) && xs[to] == xs[from] {
			to++
		}
		if to > from+1 {
			groups = append(groups, float64(to-from))
		}
		from = to
	}
	return groups
}
