package finding

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/mat"

	"greywatt"
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
		first := 0 // what comes before a change is 0, and stays so
		for y[first] == 0 {
			first++
		}
		for i := first; i < n; i++ {
			row := raw.Data[i*raw.Stride : i*raw.Stride+i+1]
			y[i] = (y[i] - dot(row[first:i], y[first:i])) / row[i]
		}
		at += n
	}
	return out
}

// dot is the product of two vectors of one length, summed in four parts, which do not
// wait for each other.
func dot(a, b []float64) float64 {
	b = b[:len(a)]
	var s, t, u, v float64
	for len(a) >= 4 {
		s += a[0] * b[0]
		t += a[1] * b[1]
		u += a[2] * b[2]
		v += a[3] * b[3]
		a, b = a[4:], b[4:]
	}
	for i, x := range a {
		s += x * b[i]
	}
	return (s + t) + (u + v)
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
	// Most shifts leave some series alone, and what came before them.
	var spans [numSeries][2]int
	used, begin := 0, 0
	for k := range numSeries {
		end := begin + len(e.index[k])
		for begin < end && x[begin] == 0 {
			begin++
		}
		if begin < end {
			spans[used] = [2]int{begin, end}
			used++
		}
		begin = end
	}
	for _, r := range e.ortho {
		var sum float64
		for _, s := range spans[:used] {
			sum += dot(r[s[0]:s[1]], x[s[0]:s[1]])
		}
		to = append(to, sum)
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
	d.swaps(add, gs)
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

// swaps adds what clamps that changed places may do on the way: whether each keeps the
// correction of its place or of itself is not known.
func (d *diagnoser) swaps(add func(float64, func(k, j int) float64), gs []group) {
	for _, x := range d.swapped {
		after := x.at.Sub(d.first) / day
		a, b := statedSensor(d.dwelling.At(x.at), greywatt.Channel(x.warm)), statedSensor(d.dwelling.At(x.at), greywatt.Channel(x.cold))
		sd := max(leastClampChange, math.Abs(a.OffsetK-b.OffsetK), math.Hypot(a.U95K, b.U95K)/2)
		for _, p := range []int{x.warm, x.cold} {
			add(sd, func(k, j int) float64 {
				if gs[j].t < after {
					return 0
				}
				return gs[j].gain[k][p]
			})
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
	s := statedSensor(dw, c)
	if c.IsFlow() {
		return s.U95Relative / 2
	}
	return s.U95K / 2
}

// statedSensor is the sensor stated of a channel, whichever its node.
func statedSensor(dw *greywatt.Dwelling, c greywatt.Channel) greywatt.Sensor {
	s := greywatt.DefaultSensor(c)
	for _, o := range dw.Sensors {
		if o.Channel == c {
			s = o
		}
	}
	return s
}

// residualCurveU is the standard uncertainty of what the rating's temperature law
// leaves of ln UA by a square kelvin of mains about 12 °C. Six pairs of published
// correlations and a published fit lie within twice that of the law.
const residualCurveU = 0.0003

// null is the log of the likelihood where nothing changes.
func (e *evidence) null() float64 { return -0.5 * (e.squares + e.logDet) }
