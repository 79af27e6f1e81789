package trend

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// A Weighting says how much points count against each other.
type Weighting uint8

const (
	// Equal counts all points alike.
	Equal Weighting = iota
	// ByUncertainty counts a pair by 1/(u²·u²) of its two points. Every point
	// must have an uncertainty. Weights are best taken with the scatter that
	// all points share in U, or a few points of small U decide alone.
	ByUncertainty
)

// SlopeOptions are the choices of [TheilSen]; the zero value is the classic
// estimate with its 95 % interval.
type SlopeOptions struct {
	Confidence float64 // of the interval, 0 to 1; 0: 0.95
	Weighting  Weighting
	Inflation  float64 // of the variance by serial correlation, as from [HamedRao]; 0: 1
}

// A Slope is a robust straight line.
type Slope struct {
	PerDay    float64 // change of Y in a day
	Lo, Hi    float64 // its interval; infinite where the points are too few to bound it
	Intercept float64 // Y at T = 0
	Pairs     int     // pairs of points of different times
}

// TheilSen returns the median of the slopes of all pairs of points (P. K. Sen,
// J. Am. Stat. Assoc. 63 (1968) 1379) and its interval from the null variance
// of Kendall's S, with the order statistics interpolated as in R. O. Gilbert
// (1987), section 16.4; other programs round the ranks and differ in the last
// digits. The intercept is median Y less slope times median T (W. J. Conover,
// Practical Nonparametric Statistics (1999)); weighted, it is the weighted
// median of what the slope leaves.
//
// Weighted, it is the weighted median of the slopes, and the variance that of
// the weighted S for exchangeable errors.
//
// Time n log n for each step of a bisection, memory n: four thousand points
// take a fraction of a second. Errors: [ErrTooFew] for fewer than four points
// or two times, [ErrSeries].
func TheilSen(ps []Point, o SlopeOptions) (Slope, error) {
	if err := check(ps, 4); err != nil {
		return Slope{}, err
	}
	if o.Confidence == 0 {
		o.Confidence = 0.95
	}
	if o.Inflation == 0 {
		o.Inflation = 1
	}
	if !(o.Confidence > 0 && o.Confidence < 1 && o.Inflation > 0) {
		panic("trend: slope options out of range")
	}
	z := distuv.UnitNormal.Quantile((1 + o.Confidence) / 2)
	w := make([]float64, len(ps))
	for i, p := range ps {
		w[i] = 1
		if o.Weighting == ByUncertainty {
			if p.U == 0 {
				return Slope{}, badSeries("point %d has no uncertainty to weigh it by", i)
			}
			w[i] = 1 / (p.U * p.U)
		}
	}
	s := newSlopes(ps, w)
	if s.pairs == 0 {
		return Slope{}, noFit("all points are of one time")
	}
	out := Slope{Pairs: s.pairs}
	if o.Weighting == Equal {
		k, err := MannKendall(ps)
		if err != nil {
			return Slope{}, err
		}
		c := z * math.Sqrt(k.Var*o.Inflation)
		n := float64(s.pairs)
		out.PerDay = s.ranked((n + 1) / 2)
		out.Lo, out.Hi = s.ranked((n-c)/2), s.ranked((n+c)/2+1)
		ts := make([]float64, len(ps))
		for i, p := range ps {
			ts[i] = p.T
		}
		out.Intercept = median(values(ps)) - out.PerDay*median(ts)
		return out, nil
	}
	c := z * math.Sqrt(s.variance()*o.Inflation)
	out.PerDay = s.atWeight(s.total / 2)
	out.Lo, out.Hi = math.Inf(-1), math.Inf(1)
	if c < s.total {
		out.Lo, out.Hi = s.atWeight((s.total-c)/2), s.atWeight((s.total+c)/2)
	}
	rest := make([]float64, len(ps))
	for i, p := range ps {
		rest[i] = p.Y - out.PerDay*p.T
	}
	out.Intercept = weightedMedian(rest, w)
	return out, nil
}

// slopes answers rank questions about the slopes of all pairs without listing
// them: the pairs with a slope up to b are those that y - b·t puts in falling
// order, and a tree of partial sums counts them in n log n.
type slopes struct {
	ps     []Point
	w      []float64
	pairs  int
	total  float64 // weight of all pairs
	lo, hi float64 // extreme slopes
	tol    float64

	rest  []float64
	order []int // by rest; kept between calls, when it is nearly in order
	rank  []int
	tree  []float64
}

func newSlopes(ps []Point, w []float64) *slopes {
	n := len(ps)
	s := &slopes{ps: ps, w: w, rest: make([]float64, n), order: make([]int, n), rank: make([]int, n), tree: make([]float64, n+1)}
	for i := range s.order {
		s.order[i] = i
	}
	// The slope of any pair is a mean of those between neighbours in time, so
	// the extremes are among these.
	s.lo, s.hi = math.Inf(1), math.Inf(-1)
	var before float64 // weight of all earlier times
	prevLo, prevHi, prevT := math.NaN(), math.NaN(), math.NaN()
	minY, maxY := ps[0].Y, ps[0].Y
	for from := 0; from < n; {
		to, weight := from, 0.0
		lo, hi := ps[from].Y, ps[from].Y
		for ; to < n && ps[to].T == ps[from].T; to++ {
			lo, hi = min(lo, ps[to].Y), max(hi, ps[to].Y)
			weight += w[to]
		}
		if from > 0 {
			dt := ps[from].T - prevT
			s.lo, s.hi = min(s.lo, (lo-prevHi)/dt), max(s.hi, (hi-prevLo)/dt)
		}
		s.pairs += from * (to - from)
		s.total += before * weight
		before += weight
		minY, maxY = min(minY, lo), max(maxY, hi)
		prevLo, prevHi, prevT = lo, hi, ps[from].T
		from = to
	}
	s.tol = 1e-13 * (maxY - minY) / (ps[n-1].T - ps[0].T)
	return s
}

// upTo returns the weight of the pairs with a slope of b or less.
func (s *slopes) upTo(b float64) float64 {
	for i, p := range s.ps {
		s.rest[i] = p.Y - b*p.T
	}
	slices.SortFunc(s.order, func(i, j int) int { return cmp.Compare(s.rest[j], s.rest[i]) })
	r := 0
	for k, i := range s.order {
		if k == 0 || s.rest[i] != s.rest[s.order[k-1]] {
			r++
		}
		s.rank[i] = r
	}
	clear(s.tree)
	var sum float64
	for from := 0; from < len(s.ps); {
		to := from
		for ; to < len(s.ps) && s.ps[to].T == s.ps[from].T; to++ {
			var above float64
			for r := s.rank[to]; r > 0; r -= r & -r {
				above += s.tree[r]
			}
			sum += s.w[to] * above
		}
		for ; from < to; from++ {
			for r := s.rank[from]; r < len(s.tree); r += r & -r {
				s.tree[r] += s.w[from]
			}
		}
	}
	return sum
}

// atWeight returns the smallest slope up to which the pairs weigh at least x.
func (s *slopes) atWeight(x float64) float64 {
	lo, hi := s.lo, s.hi
	for hi-lo > s.tol {
		mid := lo + (hi-lo)/2
		if mid <= lo || mid >= hi {
			break
		}
		if s.upTo(mid) >= x {
			hi = mid
		} else {
			lo = mid
		}
	}
	return s.snap(lo, hi)
}

// snap returns the slope of a pair between lo and hi, so that ties stay ties
// when it is taken off the points. At such a slope the pair's points stand side
// by side in order.
func (s *slopes) snap(lo, hi float64) float64 {
	mid := lo + (hi-lo)/2
	s.upTo(mid)
	for k, i := range s.order[1:] {
		p, q := s.ps[s.order[k]], s.ps[i]
		if p.T == q.T {
			continue
		}
		if b := (q.Y - p.Y) / (q.T - p.T); b >= lo-s.tol && b <= hi+s.tol {
			return b
		}
	}
	return mid
}

// ranked returns the slope of the given rank from 1, interpolated between
// whole ranks; infinite outside them. For points of weight 1.
func (s *slopes) ranked(rank float64) float64 {
	switch {
	case rank < 1:
		return math.Inf(-1)
	case rank > float64(s.pairs):
		return math.Inf(1)
	}
	whole, part := math.Modf(rank)
	b := s.atWeight(whole)
	if part > 0 {
		b += part * (s.atWeight(whole+1) - b)
	}
	return b
}

// variance is that of Σ w_i w_j sgn(y_j - y_i) over the pairs, for errors that
// are independent and alike: (Σ w_i²w_j² over pairs + Σ a_i²)/3, with a_i the
// weight of a point against all earlier less all later ones. With weights of 1
// it is Kendall's n(n-1)(2n+5)/18.
func (s *slopes) variance() float64 {
	var all float64
	for _, w := range s.w {
		all += w
	}
	var before, squaresBefore, sum float64
	for from := 0; from < len(s.ps); {
		var weight, squares float64
		to := from
		for ; to < len(s.ps) && s.ps[to].T == s.ps[from].T; to++ {
			weight += s.w[to]
			squares += s.w[to] * s.w[to]
		}
		after := all - before - weight
		sum += squares*squaresBefore + squares*(before-after)*(before-after)
		before += weight
		squaresBefore += squares
		from = to
	}
	return sum / 3
}

// weightedMedian returns the value up to which half the weight lies.
func weightedMedian(xs, w []float64) float64 {
	order := make([]int, len(xs))
	var total float64
	for i := range order {
		order[i] = i
		total += w[i]
	}
	slices.SortFunc(order, func(i, j int) int { return cmp.Compare(xs[i], xs[j]) })
	var sum float64
	for _, i := range order {
		if sum += w[i]; sum >= total/2 {
			return xs[i]
		}
	}
	return math.NaN()
}
