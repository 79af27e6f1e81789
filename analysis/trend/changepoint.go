package trend

import "math"

// bestChange returns the place at which the kind's change lowers the squared
// error most, -1 for none, and the rate there of a kind that has one, to a third.
func (s *series) bestChange(k Kind, base [][]float64, w []float64) (change int, rate float64) {
	l := s.leftOf(base, w)
	if k != LateApproach {
		change, _ = s.scan(k, nil, l, w)
		return change, 0
	}
	change = -1
	const slowest, fastest, step = 0.8, 60, 1.6 // below a bend does, above a step
	most := 0.0
	for r := slowest; r < fastest; r *= step {
		if at, gain := s.scan(k, s.fading(r), l, w); at >= 0 && gain[at] > most {
			change, rate, most = at, r, gain[at]
		}
	}
	return change, rate
}

// A left is what columns leave of a series.
type left struct {
	base    [][]float64
	inverse []float64 // (BᵀWB)⁻¹, row by row; nil where the columns depend on each other
	rest    []float64
	gain    []float64 // of the last scan
}

func (s *series) leftOf(base [][]float64, w []float64) *left {
	l := &left{base: base, gain: make([]float64, len(s.y))}
	b, inverse := leastSquares(base, s.y, w, s.penalty(1))
	if b == nil {
		return l
	}
	for i := range base {
		for j := range base {
			l.inverse = append(l.inverse, inverse.At(i, j))
		}
	}
	l.rest = make([]float64, len(s.y))
	for i, r := range s.y {
		for j, col := range base {
			r -= b[j] * col[i]
		}
		l.rest[i] = r
	}
	return l
}

// fading returns exp(-rate (t - t of the point before)) of each point but the first.
func (s *series) fading(rate float64) []float64 {
	if of, ok := s.faded[rate]; ok {
		return of
	}
	of := make([]float64, len(s.t))
	for i := 1; i < len(of); i++ {
		of[i] = math.Exp(-rate * (s.t[i] - s.t[i-1]))
	}
	if s.faded == nil {
		s.faded = map[float64][]float64{}
	}
	s.faded[rate] = of
	return of
}

// scan tries every place of a step, of a bend or of an approach, whose
// [series.fading] is given, and returns the best one, -1 for none, and by how much
// each lowers the squared error of the base columns, until the next scan. With r what the base leaves and s the
// column to be added, that is (sᵀWr)² / (sᵀWs - sᵀWB (BᵀWB)⁻¹ BᵀWs); every
// product is a sum over the points after the place, so all places together take
// one pass.
func (s *series) scan(k Kind, fading []float64, l *left, w []float64) (change int, gain []float64) {
	base, gain := l.base, l.gain
	clear(gain)
	if l.inverse == nil {
		return -1, gain
	}
	n, m := len(s.t), len(base)
	change = -1
	sum, moment := make([]float64, m), make([]float64, m) // Σ w b and Σ w t b after the place
	var s0, s1, s2, r0, r1 float64
	// The same with the fading in place of t.
	var e1, e2, er float64
	faded := make([]float64, m)
	v := make([]float64, m)
	for i := n - 1; i >= s.minSegment; i-- {
		r := l.rest[i]
		for j, col := range base {
			sum[j] += w[i] * col[i]
			moment[j] += w[i] * s.t[i] * col[i]
		}
		s0, s1, s2 = s0+w[i], s1+w[i]*s.t[i], s2+w[i]*s.t[i]*s.t[i]
		r0, r1 = r0+w[i]*r, r1+w[i]*r*s.t[i]
		if k == LateApproach {
			e := fading[i]
			e1, e2, er = e*(e1+w[i]), e*e*(e2+w[i]), e*(er+w[i]*r)
			for j, col := range base {
				faded[j] = e * (faded[j] + w[i]*col[i])
			}
		}
		if !s.mayChangeBefore(i) {
			continue
		}
		at, ss, sr := i, s0, r0
		copy(v, sum)
		switch k {
		case LateApproach:
			at, ss, sr = i-1, s0-2*e1+e2, r0-er
			for j := range v {
				v[j] -= faded[j]
			}
		case Bend: // it begins at the last point before
			at = i - 1
			t := s.t[at]
			ss, sr = s2-2*t*s1+t*t*s0, r1-t*r0
			for j := range v {
				v[j] = moment[j] - t*sum[j]
			}
		}
		left := ss
		for a := range v {
			for c := range v {
				left -= v[a] * l.inverse[a*m+c] * v[c]
			}
		}
		if left <= 1e-10*ss {
			continue
		}
		if gain[at] = sr * sr / left; change < 0 || gain[at] > gain[change] {
			change = at
		}
	}
	return change, gain
}

// mayChangeBefore reports whether enough points lie on either side of point i,
// and time passes before it.
func (s *series) mayChangeBefore(i int) bool {
	return i >= s.minSegment && len(s.t)-i >= s.minSegment && s.t[i] > s.t[i-1]
}

// locate improves the place of a change and returns the first and the last
// place whose loss is within limit of the best. In scan other places are
// charged least squares by the weights of the present one and look worse than
// they are; here each is fitted with weights of its own.
func (s *series) locate(f shape, limit float64) (best shape, first, last int) {
	const patience = 10 // places beyond the limit before the search ends
	tried := map[int]float64{f.change: f.loss}
	try := func(at int) (shape, bool) {
		if loss, ok := tried[at]; ok { // never better than the best so far, so its loss will do
			return shape{loss: loss}, true
		}
		i := at
		if f.kind.beginsAtPoint() {
			i++
		}
		if !s.mayChangeBefore(i) {
			return shape{}, false
		}
		g, ok := s.settle(shape{kind: f.kind, change: at, rate: f.rate, w: f.w}, false)
		if ok {
			tried[at] = g.loss
		}
		return g, ok
	}
	best = f
	for {
		from := best
		first, last = best.change, best.change
		for _, way := range []int{-1, 1} {
			worse := 0
			for at := best.change + way; at >= 0 && at < len(s.t) && worse < patience; at += way {
				g, ok := try(at)
				switch {
				case !ok:
					continue
				case g.loss > from.loss+limit:
					worse++
					continue
				case g.loss < best.loss:
					best = g
				}
				worse = 0
				first, last = min(first, at), max(last, at)
			}
		}
		if best.change == from.change {
			return best, first, last
		}
	}
}
