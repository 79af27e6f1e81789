package trend

import (
	"math"
	"slices"
)

// ChangeOptions are the choices of [Changes]. The zero value has the scatter
// and its serial correlation estimated.
type ChangeOptions struct {
	// Penalty is what one change must gain, in units of ln(n) times the
	// variance; 0: 3, the leading term of the modified BIC for changes of mean
	// (N. R. Zhang and D. O. Siegmund, Biometrics 63 (2007) 22).
	Penalty float64
	// MinSegment is the least number of points between changes; 0: 5.
	MinSegment int
	// Sigma, where not 0, is the standard deviation of all points, taken as
	// independent; uncertainties, scatter and correlation are then not looked
	// at and no outlier is pulled in.
	Sigma float64
}

// A Partition is a series cut into segments of constant level.
type Partition struct {
	Changes   []Change // in time order; none: one level
	Levels    []float64
	Scatter   float64 // standard deviation of a typical point about its level
	Inflation float64 // of the variance, by serial correlation
}

// A Change is a change of level.
type Change struct {
	Index  int     // of the first point after it
	T      float64 // of that point
	Lo, Hi float64 // it lies between these times with 95 %: from the last point surely before to the first surely after
	Step   float64 // level after less level before
	UStep  float64 // its standard uncertainty, Inflation included, Lo to Hi not
}

// likelihoodRatio95 is the 95 % point of the likelihood ratio of a change's
// place, c with (1-exp(-c/2))² = 0.95: B. E. Hansen, Econometrica 68 (2000)
// 575, table I.
const likelihoodRatio95 = 7.35

// Changes finds the changes of level of ten or more points: of all partitions,
// the one of least squared error plus a penalty for each change, by the exact
// dynamic programme of B. Jackson et al., IEEE Signal Process. Lett. 12 (2005)
// 105, whose answer PELT would give too. At worst time n²; a hundredth of a
// second for four thousand points.
//
// Points count by their uncertainty with a common scatter added. Lone wild
// points are pulled in to three standard deviations from the median of the
// seven around them first, so that they do not become levels of their own. The
// penalty grows with the [Partition] Inflation, estimated from what the levels
// leave; slow waves and slopes are therefore not cut into steps as long as
// they look like correlated noise. A series with a slope is a matter for [Fit].
// Errors: [ErrTooFew], [ErrSeries].
func Changes(ps []Point, o ChangeOptions) (Partition, error) {
	if err := check(ps, 10); err != nil {
		return Partition{}, err
	}
	if o.Penalty == 0 {
		o.Penalty = 3
	}
	if o.MinSegment == 0 {
		o.MinSegment = 5
	}
	if o.Penalty < 0 || o.MinSegment < 1 || o.Sigma < 0 {
		panic("trend: change options out of range")
	}
	penalty := o.Penalty * math.Log(float64(len(ps)))
	if o.Sigma > 0 {
		l := newLevels(values(ps), func(int) float64 { return o.Sigma })
		return l.describe(ps, l.cut(penalty, o.MinSegment), 1), nil
	}
	ys, u := values(ps), make([]float64, len(ps))
	for i, p := range ps {
		u[i] = p.U
	}
	floor := rounding(ys)
	scale, growth := neighbourNoise(ys, u, floor), 1.0
	middle := middles(ys)
	// Each round takes scatter and correlation from what the cuts of the last
	// one leave. The growth only rises, so the cuts only get fewer.
	for {
		sigma := func(i int) float64 { return scale.of(u[i]) }
		l := newLevels(pullIn(ys, middle, sigma), sigma)
		cuts := l.cut(penalty*growth, o.MinSegment)
		rest := l.rest(cuts)
		scale = noiseOf(rest, u, len(cuts)+1, floor)
		for i := range rest {
			rest[i] /= scale.of(u[i])
		}
		if g := inflation(rest); g > growth*1.01 {
			growth = g
			continue
		}
		return l.describe(ps, cuts, growth), nil
	}
}

// pullIn returns ys with no value further than three sigma from the middle of those
// about it, see [middles].
func pullIn(ys, middle []float64, sigma func(int) float64) []float64 {
	const limit = 3
	out := slices.Clone(ys)
	for i, m := range middle {
		out[i] = max(m-limit*sigma(i), min(m+limit*sigma(i), ys[i]))
	}
	return out
}

// middles returns the median of the seven values about each, fewer where there are
// not so many.
func middles(ys []float64) []float64 {
	const most = 3
	reach := min(most, (len(ys)-1)/2)
	out := make([]float64, len(ys))
	var sorted [2*most + 1]float64
	for i := range ys {
		from := max(0, min(i-reach, len(ys)-2*reach-1))
		near := sorted[:copy(sorted[:], ys[from:from+2*reach+1])]
		for a := 1; a < len(near); a++ {
			for b := a; b > 0 && near[b] < near[b-1]; b-- {
				near[b], near[b-1] = near[b-1], near[b]
			}
		}
		out[i] = near[reach]
	}
	return out
}

// levels holds running sums of the weights, for the cost of any segment.
type levels struct {
	ys, sigma   []float64
	w, wy, wyy  []float64 // sums over the points before each index
	meanOfAllYs float64   // taken off, against cancellation
}

func newLevels(ys []float64, sigma func(int) float64) *levels {
	n := len(ys)
	l := &levels{ys: ys, sigma: make([]float64, n), w: make([]float64, n+1), wy: make([]float64, n+1), wyy: make([]float64, n+1)}
	for _, y := range ys {
		l.meanOfAllYs += y / float64(n)
	}
	for i, y := range ys {
		l.sigma[i] = sigma(i)
		w, y := 1/(l.sigma[i]*l.sigma[i]), y-l.meanOfAllYs
		l.w[i+1], l.wy[i+1], l.wyy[i+1] = l.w[i]+w, l.wy[i]+w*y, l.wyy[i]+w*y*y
	}
	return l
}

// cost is the squared error, in variances, of points i to j-1 about their mean.
func (l *levels) cost(i, j int) float64 {
	wy := l.wy[j] - l.wy[i]
	return l.wyy[j] - l.wyy[i] - wy*wy/(l.w[j]-l.w[i])
}

func (l *levels) level(i, j int) float64 {
	return l.meanOfAllYs + (l.wy[j]-l.wy[i])/(l.w[j]-l.w[i])
}

// cut returns the first indices of the segments after the first. Beginnings are
// passed over a block at a time where none of it can be the best: what ends before
// costs no less than the cheapest of the block, and what begins there no less than what begins at its
// end.
func (l *levels) cut(penalty float64, minSegment int) []int {
	const block = 8
	n := len(l.ys)
	best, from := make([]float64, n+1), make([]int, n+1)
	for j := 1; j <= n; j++ {
		best[j] = math.Inf(1)
	}
	best[0] = -penalty
	least := make([]float64, 0, n/block+1) // of best, a block
	for j := minSegment; j <= n; j++ {
		last := j - minSegment
		at, begin := math.Inf(1), 0
		for i := 0; i <= last; {
			end := last
			if b := i / block; i%block == 0 && i+block-1 <= last {
				end = i + block - 1
				if b == len(least) {
					least = append(least, slices.Min(best[i:end+1]))
				}
				const rounding = 1e-6 // far above what the sums' cancellation makes
				if least[b]+l.cost(end, j)+penalty > at+rounding*(1+math.Abs(at)) {
					i = end + 1
					continue
				}
			}
			for ; i <= end; i++ {
				if c := best[i] + l.cost(i, j) + penalty; c < at {
					at, begin = c, i
				}
			}
		}
		best[j], from[j] = at, begin
	}
	var cuts []int
	for j := from[n]; j > 0; j = from[j] {
		cuts = append(cuts, j)
	}
	slices.Reverse(cuts)
	return cuts
}

// rest returns the points less their levels.
func (l *levels) rest(cuts []int) []float64 {
	rest := make([]float64, 0, len(l.ys))
	from := 0
	for _, to := range append(slices.Clone(cuts), len(l.ys)) {
		m := l.level(from, to)
		for _, y := range l.ys[from:to] {
			rest = append(rest, y-m)
		}
		from = to
	}
	return rest
}

func (l *levels) describe(ps []Point, cuts []int, growth float64) Partition {
	p := Partition{Inflation: growth, Scatter: median(l.sigma)}
	ends := append(append([]int{0}, cuts...), len(ps))
	for k := range ends[1:] {
		p.Levels = append(p.Levels, l.level(ends[k], ends[k+1]))
	}
	for k, at := range cuts {
		from, to := ends[k], ends[k+2]
		limit := l.cost(from, at) + l.cost(at, to) + likelihoodRatio95*growth
		lo, hi := at, at
		for i := from + 1; i < to; i++ {
			if l.cost(from, i)+l.cost(i, to) <= limit {
				lo, hi = min(lo, i), max(hi, i)
			}
		}
		p.Changes = append(p.Changes, Change{
			Index: at, T: ps[at].T, Lo: ps[lo-1].T, Hi: ps[hi].T,
			Step:  p.Levels[k+1] - p.Levels[k],
			UStep: math.Sqrt(growth * (1/(l.w[at]-l.w[from]) + 1/(l.w[to]-l.w[at]))),
		})
	}
	return p
}
