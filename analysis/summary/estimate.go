package summary

import (
	"greywatt/analysis/robust"
	"math"
	"slices"
	"sort"

	"gonum.org/v1/gonum/stat/distuv"
)

// An Estimate is a median over the events of one dwelling, with its uncertainty in
// two parts. One averages out over events: noise, transients, and how one shower
// truly differs from the next. The other does not, however many events there are:
// the clamps' offsets, the flow meter's scale, the conversion of the rated points.
// A figure that is not known is NaN.
type Estimate struct {
	Median float64
	Events int

	// Lo and Hi are the distribution-free 95 % interval of the median: what
	// another such set of events could have given from the same sensors. NaN with
	// fewer than six events.
	Lo, Hi float64

	// OwnU95 is the part that averages out: half of the interval, and with fewer
	// than six events what their budgets and their scatter, the larger, make of a
	// mean of so many. Of so few it says how well these events are known, and not
	// what others would have given.
	OwnU95        float64
	SystematicU95 float64            // of what does not average out, k = 2
	U95           float64            // both parts
	Systematic    []SystematicEffect // what SystematicU95 consists of, in the order of the budget
}

// A SystematicEffect is one input whose error all events of a dwelling have in common.
type SystematicEffect struct {
	Input    string
	Shift    float64 // of the figure by one standard uncertainty of the input, signed
	OfMethod bool    // an assumption of the method: the dwellings of a study share it
	Batch    string  // of the sensor whose error it is
	InBatch  float64 // share of the variance, 0 to 1, that the dwellings of the batch share
}

// newEstimate returns the estimate for values, each with the standard uncertainty
// that is its own, with the systematic shifts of all.
func newEstimate(values, own []float64, systematic []SystematicEffect) Estimate {
	e := Estimate{Median: robust.Median(values), Events: len(values), Systematic: systematic}
	e.Lo, e.Hi = medianInterval(values)
	e.OwnU95 = (e.Hi - e.Lo) / 2
	if math.IsNaN(e.OwnU95) {
		e.OwnU95 = fewU95(values, own)
	}
	var v float64
	for _, s := range systematic {
		v += s.Shift * s.Shift
	}
	e.SystematicU95 = 2 * math.Sqrt(v)
	if len(values) == 0 {
		e.SystematicU95 = math.NaN()
	}
	e.U95 = math.Hypot(e.OwnU95, e.SystematicU95)
	return e
}

// fewU95 is the expanded uncertainty, k = 2, of the mean of a few values, by the
// larger of their own variance and that of their scatter; NaN for none.
func fewU95(values, own []float64) float64 {
	n := float64(len(values))
	if n == 0 {
		return math.NaN()
	}
	var mean, stated, scatter float64
	for i, v := range values {
		mean += v / n
		stated += own[i] * own[i] / n
	}
	for _, v := range values {
		scatter += (v - mean) * (v - mean) / max(1, n-1)
	}
	return 2 * math.Sqrt(max(stated, scatter)/n)
}

// medianInterval returns the shortest symmetric pair of order statistics that
// holds the median of the population with a probability of at least 95 %,
// whatever its distribution, for values drawn from it independently; NaN for
// fewer than six. The rank of the lower one is the greatest k for which
// Bin(n, 1/2) falls below k with a probability of at most 2.5 %. Source: W. J.
// Conover, Practical Nonparametric Statistics, on confidence intervals for a
// quantile (from memory).
func medianInterval(values []float64) (lo, hi float64) {
	n := len(values)
	below := distuv.Binomial{N: float64(n), P: 0.5}
	k := sort.Search(n/2, func(k int) bool { return below.CDF(float64(k)) > 0.025 })
	if k == 0 {
		return math.NaN(), math.NaN()
	}
	s := slices.Sorted(slices.Values(values))
	return s[k-1], s[n-k]
}

// coverage2 is the probability below -2 standard deviations of a normal
// distribution, so that intervals agree with k = 2.
var coverage2 = distuv.UnitNormal.CDF(-2)

// medianOfUncertain returns the interval, k = 2, of the median of quantities
// that are each known as a normal distribution, independently. For an odd number
// it is exact: at x the number of quantities below x is a sum of independent yes
// and no, and the median is below x where more than half of them are. For an
// even number the ends are the means of those of the middle two, as if the two
// moved together: up to √2 too wide where they lie apart.
func medianOfUncertain(mean, u []float64) (lo, hi float64) {
	n := len(mean)
	if n == 0 {
		return math.NaN(), math.NaN()
	}
	from, to := math.Inf(1), math.Inf(-1)
	for i := range mean {
		from, to = min(from, mean[i]-8*u[i]), max(to, mean[i]+8*u[i])
	}
	chance := make([]float64, n+1)
	// at returns where the k-th smallest is below with probability p
	at := func(k int, p float64) float64 {
		a, b := from, to
		for range 60 {
			m := (a + b) / 2
			if countBelow(chance, mean, u, m); sum(chance[k:]) < p {
				a = m
			} else {
				b = m
			}
		}
		return (a + b) / 2
	}
	low, high := (n+1)/2, n/2+1
	return (at(low, coverage2) + at(high, coverage2)) / 2, (at(low, 1-coverage2) + at(high, 1-coverage2)) / 2
}

// countBelow fills in chance[k], the probability that k of the quantities are
// below x.
func countBelow(chance, mean, u []float64, x float64) {
	clear(chance)
	chance[0] = 1
	for i := range mean {
		p := 0.5
		switch {
		case u[i] > 0:
			p = distuv.UnitNormal.CDF((x - mean[i]) / u[i])
		case x > mean[i]:
			p = 1
		case x < mean[i]:
			p = 0
		}
		for k := i + 1; k > 0; k-- {
			chance[k] += p * (chance[k-1] - chance[k])
		}
		chance[0] *= 1 - p
	}
}

func sum(x []float64) float64 {
	var s float64
	for _, v := range x {
		s += v
	}
	return s
}
