package robust

import (
	"math"
	"slices"
)

// Median returns the middle of x, NaN where x is empty. x is left as it was.
func Median(x []float64) float64 {
	return Quantile(x, 0.5)
}

// Quantile returns the p-quantile (0 to 1) of x by linear interpolation between
// order statistics, NaN where x is empty. x is left as it was.
func Quantile(x []float64, p float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	s := slices.Clone(x)
	slices.Sort(s)
	h := p * float64(len(s)-1)
	i := int(h)
	if i+1 >= len(s) {
		return s[len(s)-1]
	}
	return s[i] + (h-float64(i))*(s[i+1]-s[i])
}

// MedianAndSpread returns the median and the standard deviation as the median
// absolute deviation gives it for a normal scatter.
func MedianAndSpread(x []float64) (center, spread float64) {
	center = Median(x)
	d := make([]float64, len(x))
	for i, v := range x {
		d[i] = math.Abs(v - center)
	}
	return center, 1.4826 * Median(d)
}
