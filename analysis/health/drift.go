package health

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"greywatt"
	"greywatt/analysis/robust"
)

// A Drift is how one clamp's error changed against the others at rest, taken
// that it alone changed.
type Drift struct {
	ChangeK    float64 // from the beginning to the end of the record, K
	UK         float64 // its standard uncertainty, the shape's included
	SlopeKDay  float64 // while it changes, K/day; NaN for a step
	USlopeKDay float64
	Step       bool             // sudden rather than gradual
	Since      greywatt.Instant // when it began: the middle of the candidates by weight
	Nights     int              // rests with this clamp
	Days       float64          // that they span

	LogEvidence float64 // ln of the likelihood ratio to no clamp changing
	Score       float64 // probability, 0 to 1, that this clamp changed, with a prior of driftPrior a clamp
}

// Drifting proposes a clamp whose error changes.
type Drifting struct {
	Channel greywatt.Channel
	Drift
}

// What the comparison at rest takes for granted. The model of one clamp less
// what all have in common is
//
//	offset + g·(room - mains) + h·(room - mains)·exp(-(rest - 4 h)/2 h) + wander + noise (+ change)
//
// with normal priors; the change is what is looked for. All values are this
// project's choice: g and h as pipes of some metres between a cold main and a
// room have them, the wander as a room that is warmer above than below.
const (
	driftPrior   = 0.02 // that one clamp drifts
	driftSizeK   = 1.0  // K, standard deviation of a change where there is one
	leastDriftK  = 0.3  // K that are proposed
	leastNights  = 10
	leastDays    = 14.0
	offsetSD     = 1.0   // K
	healthyKYear = 0.1   // K a year, of a sound clamp
	wanderSD     = 0.07  // K, of the room not being one temperature, coming and going
	wanderDays   = 30.0  // d, correlation time of that
	yearSD       = 0.05  // K, likewise over seasons
	yearDays     = 200.0 // d
	stepDays     = 20.0  // d, for which rounding errs alike: the room comes back to the same temperatures
	noiseFloorK  = 0.03  // K, from night to night
	relaxH       = 2.0   // h, of pipes towards the room
	unsettledK   = 0.2   // K from the first hour to the second, beyond the others': not at rest
	wildSDs      = 4.0   // of a night from those around it: left out
	maxBins      = 40    // groups of nights, for speed
	onsets       = 12    // candidate beginnings of a change
	maxDrifting  = 2     // clamps of one record; of more, none could be named
)

// coupling is the prior standard deviation of g and h, K/K, and the factor on
// the wander, by member.
var coupling = [numMembers]struct{ g, h, wander float64 }{
	{0.03, 0.05, 1}, {0.03, 0.05, 1}, {0.06, 0.20, 1}, {0.04, 0.10, 1}, {0.03, 0.03, 2},
}

// cell is the mean of one member over a group of nights.
type cell struct {
	member int
	t      float64 // d since the first night
	y      float64 // K
	x, h   float64 // room less mains, K, less its mean; the part that has not yet relaxed
	v      float64 // K², variance of y
	step   float64 // K², variance of rounding to the clamp's steps
	bin    int
}

// drifts compares the clamps at rest and returns one Drift a member, those that
// are proposed first to last by score, and the cells.
func (w *Watch) drifts(nights []night) (all [numMembers]Drift, proposed []Drifting) {
	for p := range all {
		all[p] = Drift{ChangeK: math.NaN(), UK: math.NaN(), SlopeKDay: math.NaN(), USlopeKDay: math.NaN()}
	}
	var quanta [numMembers]float64
	for p, c := range members {
		quanta[p] = w.quantum(c)
	}
	cells, counts := cellsOf(nights, quanta)
	for p := range all {
		all[p].Nights = counts[p]
	}
	if len(nights) < leastNights || len(cells) == 0 {
		return all, nil
	}
	first := nights[0].from
	days := nights[len(nights)-1].from.Sub(first) / secondsADay
	if days < leastDays {
		return all, nil
	}
	k := covariance(cells)
	y := mat.NewVecDense(len(cells), nil)
	for i := range cells {
		y.SetVec(i, cells[i].y)
	}
	var taken [numMembers]bool
	for round := 0; round < maxDrifting; round++ {
		var chol mat.Cholesky
		if !chol.Factorize(k) {
			return all, proposed
		}
		weighed := weigh(&chol, cells, y, days, counts, taken)
		best := -1
		for p := range weighed {
			if taken[p] || weighed[p].shapes == nil {
				continue
			}
			d := weighed[p].drift(first, days)
			d.Nights, d.Days = counts[p], days
			if round == 0 || d.Score > all[p].Score {
				all[p] = d
			}
			if best < 0 || d.Score > all[best].Score {
				best = p
			}
		}
		if best < 0 || !(all[best].Score > 0.5 && math.Abs(all[best].ChangeK) >= leastDriftK) {
			break
		}
		proposed = append(proposed, Drifting{members[best], all[best]})
		taken[best] = true
		f := weighed[best].likeliest().f
		for i := range f {
			for j := i; j < len(f); j++ {
				k.SetSym(i, j, k.At(i, j)+driftSizeK*driftSizeK*f[i]*f[j])
			}
		}
	}
	return all, proposed
}

// cellsOf groups the nights, wild ones left out, and counts those of each member.
// quanta are the steps of their outputs, K.
func cellsOf(nights []night, quanta [numMembers]float64) (cells []cell, counts [numMembers]int) {
	if len(nights) == 0 {
		return nil, counts
	}
	// each member less the median of all, to see scatter and wild nights
	dev := make([][numMembers]float64, len(nights))
	for i := range nights {
		m := robust.Median(finite(nights[i].c[:]))
		for p, v := range nights[i].c {
			dev[i][p] = v - m
		}
	}
	var noise [numMembers]float64
	for p := range members {
		var steps []float64
		last := math.NaN()
		for i := range dev {
			if v := dev[i][p]; !math.IsNaN(v) {
				if !math.IsNaN(last) {
					steps = append(steps, math.Abs(v-last))
				}
				last = v
			}
		}
		noise[p] = max(noiseFloorK, 1.4826*robust.Median(append(steps, 0))/math.Sqrt2)
		dropWild(dev, p, noise[p])
	}
	first := nights[0].from
	span := nights[len(nights)-1].from.Sub(first) / secondsADay
	width := max(1, span/maxBins)
	type group struct {
		n          int
		y, t, x, h float64
	}
	groups := map[[2]int]*group{}
	var keys [][2]int
	var xs float64
	known := 0
	for i := range nights {
		if x := nights[i].above(); !math.IsNaN(x) {
			xs += x
			known++
		}
	}
	mean := xs / float64(max(1, known))
	for i := range nights {
		n := &nights[i]
		t := n.from.Sub(first) / secondsADay
		x := n.above()
		if math.IsNaN(x) {
			x = mean
		}
		for p := range members {
			if math.IsNaN(dev[i][p]) {
				continue
			}
			counts[p]++
			key := [2]int{int(t / width), p}
			g := groups[key]
			if g == nil {
				g = &group{}
				groups[key] = g
				keys = append(keys, key)
			}
			g.n++
			g.y += dev[i][p]
			g.t += t
			g.x += x - mean
			g.h += x * math.Exp(-max(0, n.restH-restAfterS/3600)/relaxH)
		}
	}
	slices.SortFunc(keys, func(a, b [2]int) int {
		if a[0] != b[0] {
			return a[0] - b[0]
		}
		return a[1] - b[1]
	})
	for _, key := range keys {
		g := groups[key]
		n := float64(g.n)
		p := key[1]
		cells = append(cells, cell{p, g.t / n, g.y / n, g.x / n, g.h / n, noise[p] * noise[p] / n, quanta[p] * quanta[p] / 12, key[0]})
	}
	return cells, counts
}

// above returns how far the room is above the mains water, K; NaN where that is
// not known.
func (n *night) above() float64 {
	return n.roomC() - n.mainsC
}

// roomC is the room as the drain clamps and the ambient sensor show it.
func (n *night) roomC() float64 {
	return robust.Median(finite([]float64{n.c[0], n.c[1], n.c[4]}))
}

// dropWild takes out nights of member p that are far from the seven around them.
func dropWild(dev [][numMembers]float64, p int, noise float64) {
	var index []int
	for i := range dev {
		if !math.IsNaN(dev[i][p]) {
			index = append(index, i)
		}
	}
	var wild []int
	for k := range index {
		lo := max(0, min(k-3, len(index)-7))
		var near []float64
		for _, i := range index[lo:min(len(index), lo+7)] {
			near = append(near, dev[i][p])
		}
		if math.Abs(dev[index[k]][p]-robust.Median(near)) > wildSDs*noise {
			wild = append(wild, index[k])
		}
	}
	for _, i := range wild {
		dev[i][p] = math.NaN()
	}
}

// covariance returns that of the cells where no clamp changes.
func covariance(cells []cell) *mat.SymDense {
	const commonSD = 10.0 // K, of what all have in common: as good as unknown
	k := mat.NewSymDense(len(cells), nil)
	for i := range cells {
		a := &cells[i]
		for j := i; j < len(cells); j++ {
			b := &cells[j]
			var v float64
			if a.bin == b.bin {
				v += commonSD * commonSD
			}
			if a.member == b.member {
				g := coupling[a.member]
				dt := math.Abs(a.t - b.t)
				v += offsetSD*offsetSD +
					g.g*g.g*a.x*b.x + g.h*g.h*a.h*b.h +
					healthyKYear*healthyKYear*a.t*b.t/(365*365) +
					g.wander*g.wander*(wanderSD*wanderSD*math.Exp(-dt/wanderDays)+yearSD*yearSD*math.Exp(-dt/yearDays)) +
					a.step*math.Exp(-dt/stepDays)
			}
			if i == j {
				v += a.v + noiseFloorK*noiseFloorK/4
			}
			k.SetSym(i, j, v)
		}
	}
	return k
}

// shape is one way in which a clamp may change, of size 1 from first to last.
type shape struct {
	step       bool
	from, to   float64 // d
	f          []float64
	logRatio   float64 // ln of the likelihood ratio to no change
	size, vary float64 // posterior mean, K, and variance
}

// candidate holds the shapes of one member.
type candidate struct {
	shapes      []shape
	logEvidence float64 // of all shapes, even weights
	score       float64
}

// weigh compares a change of each member with no change.
func weigh(chol *mat.Cholesky, cells []cell, y *mat.VecDense, days float64, counts [numMembers]int, taken [numMembers]bool) (out [numMembers]candidate) {
	var solved mat.VecDense
	if chol.SolveVecTo(&solved, y) != nil {
		return out
	}
	inverse := mat.NewSymDense(len(cells), nil)
	if chol.InverseTo(inverse) != nil {
		return out
	}
	raw := inverse.RawSymmetric()
	for p := range out {
		if taken[p] || counts[p] < leastNights {
			continue
		}
		c := &out[p]
		var own []int
		for i := range cells {
			if cells[i].member == p {
				own = append(own, i)
			}
		}
		for _, s := range shapesOf(days) {
			s.f = make([]float64, len(cells))
			before, after := 0, 0
			for _, i := range own {
				s.f[i] = s.at(cells[i].t)
				if s.f[i] > 0 {
					after++
				} else {
					before++
				}
			}
			if before == 0 || after < 2 {
				continue
			}
			const a2 = driftSizeK * driftSizeK
			var a, b float64
			for k, i := range own {
				if s.f[i] == 0 {
					continue
				}
				row := raw.Data[i*raw.Stride:]
				half := row[i] * s.f[i] / 2
				for _, j := range own[k+1:] {
					half += row[j] * s.f[j]
				}
				a += 2 * half * s.f[i]
				b += s.f[i] * solved.AtVec(i)
			}
			s.logRatio = a2*b*b/(1+a2*a)/2 - math.Log(1+a2*a)/2
			s.size, s.vary = a2*b/(1+a2*a), a2/(1+a2*a)
			c.shapes = append(c.shapes, s)
		}
		var all []float64
		for i := range c.shapes {
			all = append(all, c.shapes[i].logRatio)
		}
		c.logEvidence = logSum(all) - math.Log(float64(max(1, len(all))))
	}
	none := math.Log(1 - numMembers*driftPrior)
	terms := []float64{none}
	for p := range out {
		if out[p].shapes != nil {
			terms = append(terms, math.Log(driftPrior)+out[p].logEvidence)
		}
	}
	total := logSum(terms)
	for p := range out {
		out[p].score = math.Exp(math.Log(driftPrior) + out[p].logEvidence - total)
	}
	return out
}

// shapesOf lists steps, ramps to the end and ramps that level off.
func shapesOf(days float64) []shape {
	var out []shape
	for i := range onsets {
		from := days * float64(i) / onsets
		out = append(out, shape{from: from, to: days})
		if i > 0 {
			out = append(out, shape{step: true, from: from, to: from})
		}
		for _, over := range []float64{14, 45} {
			if from+over < days-7 {
				out = append(out, shape{from: from, to: from + over})
			}
		}
	}
	return out
}

func (s *shape) at(t float64) float64 {
	switch {
	case t <= s.from:
		return 0
	case t >= s.to:
		return 1
	}
	return (t - s.from) / (s.to - s.from)
}

func (c *candidate) likeliest() *shape {
	best := &c.shapes[0]
	for i := range c.shapes {
		if c.shapes[i].logRatio > best.logRatio {
			best = &c.shapes[i]
		}
	}
	return best
}

// drift sums the shapes up by their weights.
func (c *candidate) drift(first greywatt.Instant, days float64) Drift {
	d := Drift{LogEvidence: c.logEvidence, Score: c.score}
	top := c.likeliest().logRatio
	var total, mean, square, slope, slope2, ramps float64
	for i := range c.shapes {
		s := &c.shapes[i]
		weight := math.Exp(s.logRatio - top)
		total += weight
		mean += weight * s.size
		square += weight * (s.vary + s.size*s.size)
		if !s.step {
			k := s.to - s.from
			ramps += weight
			slope += weight * s.size / k
			slope2 += weight * (s.vary + s.size*s.size) / (k * k)
		}
	}
	d.ChangeK = mean / total
	d.UK = math.Sqrt(max(0, square/total-d.ChangeK*d.ChangeK))
	d.Step = ramps < total/2
	d.SlopeKDay, d.USlopeKDay = math.NaN(), math.NaN()
	if !d.Step {
		d.SlopeKDay = slope / ramps
		d.USlopeKDay = math.Sqrt(max(0, slope2/ramps-d.SlopeKDay*d.SlopeKDay))
	}
	order := slices.Clone(c.shapes)
	slices.SortStableFunc(order, func(a, b shape) int {
		switch {
		case a.from < b.from:
			return -1
		case a.from > b.from:
			return 1
		}
		return 0
	})
	var sum float64
	for i := range order {
		if sum += math.Exp(order[i].logRatio - top); sum >= total/2 {
			d.Since = first.Add(order[i].from * secondsADay)
			break
		}
	}
	return d
}

// logSum returns ln Σ exp(x).
func logSum(x []float64) float64 {
	top := math.Inf(-1)
	for _, v := range x {
		top = max(top, v)
	}
	if math.IsInf(top, -1) {
		return top
	}
	var sum float64
	for _, v := range x {
		sum += math.Exp(v - top)
	}
	return top + math.Log(sum)
}
