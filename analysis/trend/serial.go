package trend

import (
	"fmt"
)

// z95 is the standard normal deviate of a two-sided 95 %.
const z95 = 1.959963984540054

// autocorrelation returns the autocorrelation of xs at lags 1 to last, about
// the mean of all and divided by the sum over all, as is usual.
func autocorrelation(xs []float64, last int) []float64 {
	var mean, c0 float64
	for _, x := range xs {
		mean += x / float64(len(xs))
	}
	for _, x := range xs {
		c0 += (x - mean) * (x - mean)
	}
	r := make([]float64, last)
	if c0 == 0 {
		return r
	}
	for i := range r {
		var c float64
		for j := i + 1; j < len(xs); j++ {
			c += (xs[j] - mean) * (xs[j-i-1] - mean)
		}
		r[i] = c / c0
	}
	return r
}

func noFit(format string, a ...any) error {
	return fmt.Errorf("%w: "+format, append([]any{ErrNoFit}, a...)...)
}

func badSeries(format string, a ...any) error {
	return fmt.Errorf("%w: "+format, append([]any{ErrSeries}, a...)...)
}
