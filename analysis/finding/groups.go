package finding

import (
	"cmp"
	"math"
	"slices"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/robust"
)

// The sources of a change.
const (
	sourceUnit       = 4 + iota // after the four clamps
	sourceMeter                 // on the mains side
	sourceWasteMeter            // on the waste side
	numSources
)

// secantK are the errors of a clamp, K, between which its effect is interpolated: it
// is far from proportional where a side of the unit changes by a few kelvin only.
var secantK = [...]float64{-2, -1, -0.4, 0.4, 1, 2}

// clampShift is what an error of k, K, of the clamp at a port makes of a series.
func (g *group) clampShift(port, series int, k float64) float64 {
	at := func(i int) float64 { return g.secant[port][i][series] }
	last := len(secantK) - 1
	switch {
	case k <= secantK[0]:
		return k * at(0)
	case k >= secantK[last]:
		return k * at(last)
	}
	i := 0
	for secantK[i+1] < k {
		i++
	}
	f := (k - secantK[i]) / (secantK[i+1] - secantK[i])
	return k * (at(i) + f*(at(i+1)-at(i)))
}

// A group is some showers that follow one another.
type group struct {
	from, to int                  // showers, to excluded
	each     [][numSeries]float64 // of each shower
	t        float64
	y        [numSeries]float64 // NaN: not known
	v        [numSeries]float64 // variance of it by scatter
	gain     [numSeries][numSources]float64
	secant   [4][len(secantK)][numSeries]float64 // what an error of a clamp makes of it, by kelvin
	air      [4]float64                          // K, of each port above the room
	mains    float64                             // °C
	waste    float64
	lnFlow   float64
}

// point is one shower's contribution.
func (d *diagnoser) observe(s *shower, t [4]float64) (y [numSeries]float64) {
	v := d.evaluate(t, s.flow, s.loss)
	y[seriesUA], y[seriesHeat] = v.ua, d.balance(t, s.loss)
	y[seriesHabit] = math.Log(s.flow)
	y[seriesMeters] = math.NaN()
	if s.wasteFlow > event.FlowingLMin {
		y[seriesMeters] = math.Log(s.flow / s.wasteFlow)
	}
	if d.connection != greywatt.ConnectionA {
		y[seriesHabit] -= v.heat
		y[seriesMeters] -= v.heat
	}
	return y
}

// groups reduces showers to medians. A group never reaches over a cut.
func (d *diagnoser) groups(ss []shower, cuts []greywatt.Instant) []group {
	size := (len(ss) + mostGroups - 1) / mostGroups
	var all [numSeries][]float64
	each := make([][numSeries]float64, len(ss))
	for i := range ss {
		each[i] = d.observe(&ss[i], ss[i].t)
		for k, v := range each[i] {
			if !math.IsNaN(v) && !math.IsInf(v, 0) {
				all[k] = append(all[k], v)
			}
		}
	}
	var scatter [numSeries]float64
	for k := range all {
		var diff []float64
		for i := 1; i < len(all[k]); i++ {
			diff = append(diff, math.Abs(all[k][i]-all[k][i-1]))
		}
		scatter[k] = max(0.004, 1.4826*robust.Median(diff)/math.Sqrt2)
	}
	var out []group
	for from := 0; from < len(ss); {
		to := from + 1
		for to < len(ss) && to-from < size && !between(cuts, ss[to-1].e.Start, ss[to].e.Start) {
			to++
		}
		out = append(out, d.group(ss, each, from, to, scatter))
		from = to
	}
	dropOdd(out)
	return out
}

// dropOdd leaves out groups of one or two showers whose conductance or balance stands
// out from the groups before and from those behind alike, or at an end of the record
// from each of those beside them: no median has passed over an odd shower there, and
// what an error of a clamp makes of it is of no use either. A step does not stand out so.
// A flow that does is somebody's habit: what it says is widened.
func dropOdd(gs []group) {
	const few, reach, far = 3, 2, 4.0
	var odd []int
	for j := range gs {
		g := &gs[j]
		if g.to-g.from >= few {
			continue
		}
		// over returns by how much, at least, the group stands out in a series.
		over := func(k int) float64 {
			from := func(side []group) (off []float64) {
				for i := range side {
					if x := g.y[k] - side[i].y[k]; !math.IsNaN(x) {
						off = append(off, x)
					}
				}
				return off
			}
			before, after := from(gs[max(0, j-reach):j]), from(gs[j+1:min(len(gs), j+1+reach)])
			var a, b float64
			switch {
			case len(before) > 0 && len(after) > 0:
				a, b = robust.Median(before), robust.Median(after)
			case len(before)+len(after) == reach:
				beside := slices.Concat(before, after)
				a, b = slices.Min(beside), slices.Max(beside)
			}
			if a*b <= 0 {
				return 0
			}
			return min(math.Abs(a), math.Abs(b))
		}
		for k := range numSeries {
			switch off := over(k); {
			case off*off <= far*far*g.v[k]:
			case k == seriesUA || k == seriesHeat:
				odd = append(odd, j)
			default:
				g.v[k] = off * off / (far * far)
			}
		}
	}
	for _, j := range odd {
		for k := range gs[j].y {
			gs[j].y[k] = math.NaN()
		}
	}
}

func between(cuts []greywatt.Instant, a, b greywatt.Instant) bool {
	for _, c := range cuts {
		if a < c && c <= b {
			return true
		}
	}
	return false
}

func (d *diagnoser) group(ss []shower, each [][numSeries]float64, from, to int, scatter [numSeries]float64) group {
	g := group{from: from, to: to, each: each[from:to]}
	var flows, mains, waste []float64
	var air [4][]float64
	for i := from; i < to; i++ {
		s := &ss[i]
		g.t += s.e.Start.Sub(d.first) / day / float64(to-from)
		flows, mains, waste = append(flows, math.Log(s.flow)), append(mains, s.t[2]), append(waste, s.t[0])
		for p := range 4 {
			if above := s.t[p] - s.room; !math.IsNaN(above) {
				air[p] = append(air[p], above)
			}
		}
	}
	for p := range air {
		if len(air[p]) > 0 {
			g.air[p] = robust.Median(air[p])
		}
	}
	g.lnFlow, g.mains, g.waste = robust.Median(flows), robust.Median(mains), robust.Median(waste)
	for k := range numSeries {
		var x []float64
		for i := from; i < to; i++ {
			if v := each[i][k]; !math.IsNaN(v) && !math.IsInf(v, 0) {
				x = append(x, v)
			}
		}
		if 2*len(x) <= to-from {
			g.y[k] = math.NaN()
			continue
		}
		g.y[k] = robust.Median(x)
		m := float64(len(x))
		var v float64
		for _, a := range x {
			v += (a - g.y[k]) * (a - g.y[k]) / m
		}
		g.v[k] = max(scatter[k]*scatter[k], min(v, 25*scatter[k]*scatter[k])) * (1 + 0.57*(m-1)/m) / m
	}
	g.sensitivities(d, ss[from:to])
	g.gain[seriesUA][sourceUnit] = 1
	g.gain[seriesMeters][sourceWasteMeter] = -1
	return g
}

// typical returns the showers of the group, more than half of them but at most three,
// that are nearest to its medians.
func (g *group) typical() []int {
	off := make([]float64, len(g.each))
	order := make([]int, len(g.each))
	for i := range g.each {
		order[i] = i
		for _, k := range []int{seriesUA, seriesHeat} {
			switch x := math.Abs(g.each[i][k] - g.y[k]); {
			case !math.IsNaN(x):
				off[i] += x / math.Sqrt(g.v[k])
			case !math.IsNaN(g.y[k]):
				off[i] = math.Inf(1)
			}
		}
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(off[a], off[b]) })
	return order[:min(3, len(order)/2+1)]
}

// sensitivities are means over a few showers of the group, of which an odd one is none:
// the medians that they belong to have passed over it.
func (g *group) sensitivities(d *diagnoser, ss []shower) {
	few := g.typical()
	add := func(to *float64, v float64) { *to += v / float64(len(few)) }
	for _, i := range few {
		s := &ss[i]
		base := d.observe(s, s.t)
		// a meter's drift is a tenth and more: the rating between its points is uneven
		const dT, dq = 0.05, 0.12
		for p := range 4 {
			up, down := s.t, s.t
			up[p] += dT
			down[p] -= dT
			u, w := d.observe(s, up), d.observe(s, down)
			for k := range numSeries {
				add(&g.gain[k][p], (u[k]-w[k])/(2*dT))
			}
			for x, off := range secantK {
				t := s.t
				t[p] -= off
				was := d.observe(s, t)
				for k := range numSeries {
					v := (base[k] - was[k]) / off
					if math.IsNaN(v) || math.IsInf(v, 0) {
						v = (u[k] - w[k]) / (2 * dT)
					}
					add(&g.secant[p][x][k], v)
				}
			}
		}
		faster, slower := *s, *s
		faster.flow *= math.Exp(dq)
		slower.flow *= math.Exp(-dq)
		f, w := d.observe(&faster, s.t), d.observe(&slower, s.t)
		for k := range numSeries {
			add(&g.gain[k][sourceMeter], (f[k]-w[k])/(2*dq))
		}
	}
	for k := range numSeries {
		for x := range g.gain[k] {
			if math.IsNaN(g.gain[k][x]) {
				g.y[k] = math.NaN()
				g.gain[k][x] = 0
			}
		}
	}
}
