package trend

import (
	"math"
	"slices"
)

// z95 is the standard normal deviate of a two-sided 95 %.
const z95 = 1.959963984540054

// Huber's loss is that of least squares up to huberC standard deviations and
// grows in proportion beyond: P. J. Huber, Robust Statistics (1981); 1.345
// gives 95 % of the efficiency of least squares on normal errors. huberBeta is
// the mean of min(z², huberC²) for a standard normal z.
const (
	huberC    = 1.345
	huberBeta = 0.7101645
)

func huberLoss(z float64) float64 {
	if z = math.Abs(z); z > huberC {
		return huberC * (2*z - huberC)
	}
	return z * z
}

func huberWeight(z float64) float64 { return min(1, huberC/math.Abs(z)) }

// centred returns xs about their mean, and the sum of their squares.
func centred(xs []float64) (about []float64, squares float64) {
	var mean float64
	for _, x := range xs {
		mean += x / float64(len(xs))
	}
	about = make([]float64, len(xs))
	for i, x := range xs {
		about[i] = x - mean
		squares += about[i] * about[i]
	}
	return about, squares
}

// autocorrelation returns that of values about their mean at a lag, divided by
// the sum over all, as is usual.
func autocorrelation(about []float64, squares float64, lag int) float64 {
	if squares == 0 {
		return 0
	}
	var c float64
	for i, x := range about[lag:] {
		c += x * about[i]
	}
	return c / squares
}

// inflation returns by how much the serial correlation of standardised
// residuals makes the variance of a mean larger than that of as many
// independent ones; n divided by it is the effective sample size. The sum over
// the autocorrelations ends by C. J. Geyer's initial monotone sequence
// (Statistical Science 7 (1992) 473): in pairs of lags, for as long as they are
// positive, none counting for more than the one before. So a weak correlation
// that reaches far is seen, and chance correlations far out are not. It is at
// least 1, since less would sharpen results on the word of noise, and leaves at
// least four effective points.
func inflation(z []float64) float64 {
	clipped := make([]float64, len(z))
	for i, x := range z {
		clipped[i] = max(-2.5, min(2.5, x)) // an outlier hides the correlation of all others
	}
	about, squares := centred(clipped)
	sum, last := 0.0, math.Inf(1)
	for lag := 0; lag < len(z)/4; lag += 2 {
		r := 1.0
		if lag > 0 {
			r = autocorrelation(about, squares, lag)
		}
		last = min(last, r+autocorrelation(about, squares, lag+1))
		if last <= 0 {
			break
		}
		sum += last
	}
	return max(1, min(2*sum-1, float64(len(z))/4))
}

// A noise is the standard deviation of points about a model, from their own
// uncertainty u: √(factor²u² + extra²).
type noise struct{ factor, extra float64 }

func (n noise) of(u float64) float64 {
	return math.Sqrt(n.factor*n.factor*u*u + n.extra*n.extra)
}

// noiseOf returns the noise that the residuals r bear out, given what is known
// of each in u (0: nothing) and the number of parameters lost to the fit. Where
// u does not account for the residuals, a scatter common to all is added in
// squares; where it is larger than they are, it is scaled down. The measure is
// Huber's proposal 2, which outliers do not move far. floor is the scatter
// below which residuals count as rounding.
func noiseOf(r, u []float64, lost int, floor float64) noise {
	known, largest := true, floor
	for i := range r {
		known = known && u[i] > 0
		largest = max(largest, math.Abs(r[i]))
	}
	limit := huberBeta * float64(len(r)-lost)
	tooSmall := func(n noise) bool {
		var sum, sd float64
		was := math.NaN()
		for i, x := range r {
			if u[i] != was { // mostly they are all alike
				was = u[i]
				sd = n.of(was)
			}
			z := x / sd
			if sum += min(z*z, huberC*huberC); sum > limit {
				return true
			}
		}
		return false
	}
	at, lo, hi := func(x float64) noise { return noise{1, x} }, floor, 2*huberC*largest
	if known && !tooSmall(noise{1, 0}) {
		at, lo, hi = func(x float64) noise { return noise{x, 0} }, 1e-6, 1
	}
	for hi/lo > 1+1e-9 {
		if mid := math.Sqrt(lo * hi); tooSmall(at(mid)) {
			lo = mid
		} else {
			hi = mid
		}
	}
	return at(hi)
}

// neighbourNoise is [noiseOf] from how far each point lies off the middle
// between its neighbours, which neither slopes nor a few steps disturb.
func neighbourNoise(y, u []float64, floor float64) noise {
	n := len(y) - 2
	r, ur := make([]float64, n), make([]float64, n)
	for i := range n {
		r[i] = (y[i+1] - (y[i]+y[i+2])/2) / math.Sqrt(1.5)
		ur[i] = math.Sqrt((u[i+1]*u[i+1] + (u[i]*u[i]+u[i+2]*u[i+2])/4) / 1.5)
	}
	return noiseOf(r, ur, 0, floor)
}

// rounding returns the scatter that counts as none in ys: a millionth of their
// range, or of anything where they are all alike.
func rounding(ys []float64) float64 {
	if r := slices.Max(ys) - slices.Min(ys); r > 0 {
		return 1e-6 * r
	}
	return 1e-6
}
