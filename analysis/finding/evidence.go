package finding

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/mat"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/robust"
)

// The quantities that every hypothesis about a change predicts, each a series of
// groups of showers.
const (
	seriesUA     = iota // ln of the UA ratio
	seriesHeat          // ln of waste fall over mains rise, less what the connection lets expect
	seriesMeters        // ln of mains over waste flow as metered, less the heat ratio in B and C
	seriesHabit         // ln of the shower's flow on the waste side
	numSeries
)

// The sources of a change.
const (
	sourceUnit       = 4 + iota // after the four clamps
	sourceMeter                 // on the mains side
	sourceWasteMeter            // on the waste side
	numSources
)

// Choices of this project for the comparison of changes. Wander is slow and
// nobody's fault: its standard deviation in ln, with correlation over wanderDays.
const (
	mostGroups  = 64
	wanderDays  = 20.0
	wanderUnitC = 0.009 // of ln UA, in all connections
	wanderHeatA = 0.008
	wanderHeat  = 0.020 // in B and C, where the store's temperature goes in
	wanderMeter = 0.012
	wanderHabit = 0.090 // of ln flow: what people do
	agingKYear  = 0.12  // healthy drift of a clamp, K a year
	agingMeter  = 0.01  // of a meter's scale, a year
	misfitScale = 5.0   // by how much more everything wanders where no hypothesis fits
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
	doubt(out)
	return out
}

// doubt widens what groups of one or two showers say where they stand out from the
// groups before and from those behind alike: no median has passed over an odd shower
// there. A step does not stand out so.
func doubt(gs []group) {
	const few, reach, far = 3, 2, 4.0
	for j := range gs {
		if gs[j].to-gs[j].from >= few {
			continue
		}
		for k := range numSeries {
			away := func(side []group) float64 {
				var near []float64
				for i := range side {
					if !math.IsNaN(side[i].y[k]) {
						near = append(near, side[i].y[k])
					}
				}
				return gs[j].y[k] - robust.Median(near)
			}
			before, after := away(gs[max(0, j-reach):j]), away(gs[j+1:min(len(gs), j+1+reach)])
			if off := min(math.Abs(before), math.Abs(after)); before*after > 0 && off*off > far*far*gs[j].v[k] {
				gs[j].v[k] = off * off / (far * far)
			}
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
	n := float64(to - from)
	var flows, mains, waste []float64
	for i := from; i < to; i++ {
		s := &ss[i]
		g.t += s.e.Start.Sub(d.first) / day / n
		flows, mains, waste = append(flows, math.Log(s.flow)), append(mains, s.t[2]), append(waste, s.t[0])
		for p := range 4 {
			if above := s.t[p] - s.room; !math.IsNaN(above) {
				g.air[p] += above / n
			}
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

// sensitivities are means over a few showers of the group.
func (g *group) sensitivities(d *diagnoser, ss []shower) {
	const most = 3
	n := min(most, len(ss))
	add := func(to *float64, v float64) { *to += v / float64(n) }
	for i := range n {
		s := &ss[(2*i+1)*len(ss)/(2*n)]
		base := d.observe(s, s.t)
		const dT, dq = 0.05, 0.01
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
		faster := *s
		faster.flow *= 1 + dq
		f := d.observe(&faster, s.t)
		for k := range numSeries {
			add(&g.gain[k][sourceMeter], (f[k]-base[k])/math.Log1p(dq))
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

// An evidence is the data of a comparison, whitened, with what is nobody's fault
// integrated out: the log of the likelihood of any shift of the data is a few
// products of vectors.
type evidence struct {
	groups                []group
	n                     int
	lower                 [numSeries]blas64.Triangular // root of the covariance by scatter and wander
	index                 [numSeries][]int             // groups with data
	data                  []float64                    // whitened
	nuis                  [][]float64                  // whitened columns, each times its prior standard deviation
	inner                 mat.Cholesky                 // of 1 + nuisᵀ nuis
	logDet                float64
	prodD                 []float64   // nuisᵀ data
	squares               float64     // of the data with the nuisances out
	ortho                 [][]float64 // the nuisances' columns, see orthogonal
	alongD, scratch       []float64
	sd                    []float64 // prior standard deviations of the nuisances
	mains0, waste0, flow0 float64   // medians of the groups
}

// newEvidence prepares the data of groups; more multiplies the wander.
func (d *diagnoser) newEvidence(gs []group, cuts []cut, extra [][]float64, more float64) *evidence {
	e := &evidence{groups: gs}
	wander := [numSeries]float64{wanderUnitC, wanderHeatA, wanderMeter, wanderHabit}
	if d.connection != greywatt.ConnectionA {
		wander[seriesHeat] = wanderHeat
		wander[seriesMeters] = wanderMeter
	}
	for k := range numSeries {
		for j := range gs {
			if !math.IsNaN(gs[j].y[k]) {
				e.index[k] = append(e.index[k], j)
			}
		}
		n := len(e.index[k])
		e.n += n
		if n == 0 {
			continue
		}
		w := wander[k] * more
		if k == seriesHabit {
			w = wander[k]
		}
		c := mat.NewSymDense(n, nil)
		for a, ja := range e.index[k] {
			for b := a; b < n; b++ {
				jb := e.index[k][b]
				v := w * w * math.Exp(-math.Abs(gs[ja].t-gs[jb].t)/wanderDays)
				if a == b {
					v += gs[ja].v[k] + 4e-6
				}
				c.SetSym(a, b, v)
			}
		}
		var chol mat.Cholesky
		if !chol.Factorize(c) {
			panic("finding: covariance is not positive definite")
		}
		e.logDet += chol.LogDet()
		var l mat.TriDense
		chol.LTo(&l)
		e.lower[k] = l.RawTriangular()
	}
	e.data = e.whiten(func(k, j int) float64 { return gs[j].y[k] })
	d.nuisances(e, cuts)
	e.nuis = append(e.nuis, extra...)
	m := len(e.nuis)
	inner := mat.NewSymDense(m, nil)
	e.prodD = make([]float64, m)
	for a := range m {
		e.prodD[a] = dot(e.nuis[a], e.data)
		for b := a; b < m; b++ {
			v := dot(e.nuis[a], e.nuis[b])
			if a == b {
				v++
			}
			inner.SetSym(a, b, v)
		}
	}
	e.inner.Factorize(inner)
	e.logDet += e.inner.LogDet()
	e.ortho = e.orthogonal()
	e.alongD = e.along(e.data, nil)
	e.squares = dot(e.data, e.data) - dot(e.alongD, e.alongD)
	return e
}

// whiten lists a value of each series and group divided by the root of the
// covariance.
func (e *evidence) whiten(value func(k, j int) float64) []float64 {
	out := make([]float64, e.n)
	at := 0
	for k := range numSeries {
		n := len(e.index[k])
		zero := true
		for a, j := range e.index[k] {
			out[at+a] = value(k, j)
			zero = zero && out[at+a] == 0
		}
		if zero {
			at += n
			continue
		}
		y := out[at : at+n]
		raw := e.lower[k]
		for i := range n {
			row := raw.Data[i*raw.Stride : i*raw.Stride+i+1]
			y[i] = (y[i] - dot(row[:i], y)) / row[i]
		}
		at += n
	}
	return out
}

func dot(a, b []float64) (s float64) {
	for i, x := range a {
		s += x * b[i]
	}
	return s
}

// orthogonal returns the nuisances' columns less what the ones before explain, in
// the scale of the root of inner, so that what they take of a product of two shifts is the
// product of their parts along these.
func (e *evidence) orthogonal() [][]float64 {
	var l mat.TriDense
	e.inner.LTo(&l)
	out := make([][]float64, len(e.nuis))
	for a := range e.nuis {
		r := slices.Clone(e.nuis[a])
		for b := range a {
			f := l.At(a, b)
			for i, v := range out[b] {
				r[i] -= f * v
			}
		}
		for i := range r {
			r[i] /= l.At(a, a)
		}
		out[a] = r
	}
	return out
}

// along returns the parts of x along the nuisances.
func (e *evidence) along(x []float64, to []float64) []float64 {
	for _, r := range e.ortho {
		to = append(to, dot(r, x))
	}
	return to
}

// nuisances adds what may differ without anything being wrong: the levels, what
// the rating leaves of temperature and flow, the clamps' stated offsets and loss
// fractions, their aging, and what a cleaning changes.
func (d *diagnoser) nuisances(e *evidence, cuts []cut) {
	gs := e.groups
	var mains, waste, flow []float64
	for j := range gs {
		mains, waste, flow = append(mains, gs[j].mains), append(waste, gs[j].waste), append(flow, gs[j].lnFlow)
	}
	m0, w0, f0 := robust.Median(mains), robust.Median(waste), robust.Median(flow)
	e.mains0, e.waste0, e.flow0 = m0, w0, f0
	add := func(sd float64, value func(k, j int) float64) {
		e.sd = append(e.sd, sd)
		e.nuis = append(e.nuis, e.whiten(func(k, j int) float64 { return sd * value(k, j) }))
	}
	only := func(series int, value func(g *group) float64) func(k, j int) float64 {
		return func(k, j int) float64 {
			if k != series {
				return 0
			}
			return value(&gs[j])
		}
	}
	for k := range numSeries {
		add(1, only(k, func(*group) float64 { return 1 }))
	}
	heatPerK, heatPerFlow, heatPerWaste := 0.0010, 0.03, 0.002
	if d.connection != greywatt.ConnectionA {
		heatPerK, heatPerFlow, heatPerWaste = 0.008, 0.15, 0.02
	}
	add(d.lawU, only(seriesUA, func(g *group) float64 { return g.mains - m0 }))
	add(residualCurveU, only(seriesUA, func(g *group) float64 { return (g.mains - 12) * (g.mains - 12) }))
	add(0.004, only(seriesUA, func(g *group) float64 { return g.waste - w0 }))
	add(0.15, only(seriesUA, func(g *group) float64 { return g.lnFlow - f0 }))
	add(heatPerK, only(seriesHeat, func(g *group) float64 { return g.mains - m0 }))
	add(heatPerFlow, only(seriesHeat, func(g *group) float64 { return g.lnFlow - f0 }))
	add(heatPerWaste, only(seriesHeat, func(g *group) float64 { return g.waste - w0 }))
	add(0.010, only(seriesHabit, func(g *group) float64 { return g.mains - m0 }))
	add(0.05, only(seriesMeters, func(g *group) float64 { return g.lnFlow - f0 }))
	u := d.showers[0].clampU()
	for p := range 4 {
		gain := func(k, j int) float64 { return gs[j].gain[k][p] }
		add(u[p], gain)
		add(0.004, func(k, j int) float64 { return gain(k, j) * gs[j].air[p] })
		add(agingKYear/365, func(k, j int) float64 { return gain(k, j) * gs[j].t })
	}
	add(agingMeter/365, func(k, j int) float64 { return gs[j].gain[k][sourceMeter] * gs[j].t })
	if d.health != nil {
		for i := range d.health.Leaks {
			l := &d.health.Leaks[i]
			if l.Score < 0.1 {
				continue
			}
			from, to := l.From.Sub(d.first)/day, l.To.Sub(d.first)/day
			share := func(g *group) float64 {
				if g.t < from-1 || g.t > to+1 {
					return 0
				}
				return l.FlowLMin / math.Exp(g.lnFlow)
			}
			add(1, only(seriesHeat, share))
			add(1, only(seriesUA, share))
			add(1, only(seriesMeters, share))
			add(1, only(seriesHabit, share))
		}
	}
	for _, c := range cuts {
		after := c.at.Sub(d.first) / day
		past := func(j int) float64 {
			if gs[j].t >= after {
				return 1
			}
			return 0
		}
		if c.kind.OfSensor() {
			d.another(c, add, gs, past)
			continue
		}
		add(0.5, only(seriesUA, func(g *group) float64 {
			if g.t >= after {
				return 1
			}
			return 0
		}))
		for p := range 4 { // clamps come off and go back on
			add(0.15, func(k, j int) float64 { return gs[j].gain[k][p] * past(j) })
		}
	}
}

// Least standard deviation of what another clamp, or the same put on again, or
// another meter does: this project's choice.
const (
	leastClampChange = 0.15 // K
	leastMeterChange = 0.01 // ln
)

// another adds what a clamp or meter may do that was replaced, moved or given
// another offset: its error is another one from then on, within what the study
// states of either.
func (d *diagnoser) another(c cut, add func(float64, func(k, j int) float64), gs []group, past func(int) float64) {
	was, is := statedU(d.dwelling.At(c.at-1), c.channel), statedU(d.dwelling.At(c.at), c.channel)
	u := math.Hypot(was, is)
	switch {
	case c.channel.IsPort():
		gain := func(k, j int) float64 { return gs[j].gain[k][c.channel] * past(j) }
		add(max(leastClampChange, u), gain)
		add(0.004, func(k, j int) float64 { return gain(k, j) * gs[j].air[c.channel] })
	case c.channel == greywatt.Flow:
		add(max(leastMeterChange, u), func(k, j int) float64 { return gs[j].gain[k][sourceMeter] * past(j) })
	case c.channel == greywatt.WasteFlow:
		add(max(leastMeterChange, u), func(k, j int) float64 { return gs[j].gain[k][sourceWasteMeter] * past(j) })
	}
}

// statedU is the standard uncertainty stated of a channel's sensor, K or relative.
func statedU(dw *greywatt.Dwelling, c greywatt.Channel) float64 {
	s := greywatt.DefaultSensor(c)
	for _, o := range dw.Sensors {
		if o.Channel == c {
			s = o
		}
	}
	if c.IsFlow() {
		return s.U95Relative / 2
	}
	return s.U95K / 2
}

// residualCurveU is the standard uncertainty of what the rating's temperature law
// leaves of ln UA by a square kelvin of mains about 12 °C. Six pairs of published
// correlations and a published fit lie within twice that of the law.
const residualCurveU = 0.0003

// null is the log of the likelihood where nothing changes.
func (e *evidence) null() float64 { return -0.5 * (e.squares + e.logDet) }

// A column is a shift of the data of unit size, prepared.
type column struct {
	x  []float64
	xx float64 // xᵀ x with the nuisances out
	xd float64 // and xᵀ data
}

func (e *evidence) column(x []float64) column {
	e.scratch = e.along(x, e.scratch[:0])
	return column{x: x, xx: dot(x, x) - dot(e.scratch, e.scratch), xd: dot(x, e.data) - dot(e.scratch, e.alongD)}
}

// product is xᵀ y of two columns with the nuisances out.
func (e *evidence) product(a, b *column) float64 {
	return dot(a.x, b.x) - dot(e.along(a.x, nil), e.along(b.x, nil))
}

// gain is the log of the likelihood of a change along c over that of none, with
// its size normal about mean with standard deviation sd; sign -1 or +1 takes only
// that half of a distribution about 0.
func (c *column) gain(mean, sd float64, sign int) (lnL, size, u float64) {
	precision := c.xx + 1/(sd*sd)
	u = 1 / math.Sqrt(precision)
	size = (c.xd + mean/(sd*sd)) / precision
	lnL = 0.5*(size*size*precision-mean*mean/(sd*sd)) - 0.5*math.Log(1+sd*sd*c.xx)
	if sign != 0 {
		lnL += lnNormalTail(float64(sign)*size/u) + math.Ln2
	}
	return lnL, size, u
}

// fixed is the log of the likelihood of the whole shift over that of none.
func (c *column) fixed() float64 { return c.xd - c.xx/2 }

// lnNormalTail is ln Φ(z).
func lnNormalTail(z float64) float64 {
	if z < -8 {
		return -z*z/2 - math.Log(-z*math.Sqrt(2*math.Pi))
	}
	return math.Log(0.5 * math.Erfc(-z/math.Sqrt2))
}

// coefficients returns the estimates of the nuisances, in their own units.
func (e *evidence) coefficients() []float64 {
	var x mat.VecDense
	if err := e.inner.SolveVecTo(&x, mat.NewVecDense(len(e.prodD), e.prodD)); err != nil {
		if _, ok := err.(mat.Condition); !ok {
			return make([]float64, len(e.prodD))
		}
	}
	out := make([]float64, len(e.nuis))
	for i := range out {
		out[i] = x.AtVec(i)
		if i < len(e.sd) {
			out[i] *= e.sd[i]
		}
	}
	return out
}
