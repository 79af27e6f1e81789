// Package clamp undoes what a sensor clamped on a pipe does to the water's
// temperature: it follows with a first-order lag, with noise and in steps of
// its converter, and it shows a little of the room.
//
// The lag is undone by a Kalman filter and a Rauch-Tung-Striebel smoother over
// the whole draw, not by differentiating the reading: the water's temperature
// is a random walk whose pace is set by what the flow does, fast in the minute
// after flow starts, steps or stops, slow in between. Where the water is calm
// the smoother averages for many seconds and the noise goes; where a front
// passes it follows within a second or two. Integrals over a draw keep their
// value: what the smoother blurs, it blurs to both sides.
//
// Source of the recursion: H. E. Rauch, F. Tung, C. T. Striebel, AIAA Journal 3
// (1965) 1445-1450. The lag model and the surface's share of the room are the
// usual description of contact thermometers (VDI/VDE 3520 lists both errors).
package clamp

import (
	"math"

	"greywatt/analysis/robust"
)

// A Lag is the dynamics of one clamped sensor.
type Lag struct {
	ResponseS float64 // time constant, s; 0 or less: no lag
	NoiseK    float64 // standard deviation of one reading, K, above 0
}

// Pace is how fast the water's temperature may wander, in K per root second:
// calm where flow is steady or absent, and brisk after a front. Chosen so that
// with a clamp of 18 s and 0.03 K noise a calm estimate averages over about ten
// seconds and a front is followed within two.
const (
	calmPace  = 0.02
	briskPace = 1.0
	briskS    = 25 // s, for the brisk pace to fall by 1/e after a front may pass
)

// A Series is the readings of one sensor and, once restored, the same with lag
// and noise undone.
type Series struct {
	Lag
	Y   []float64 // °C as read, without NaN
	T   []float64 // °C, the steady reading the sensor would give; as long as Y
	Var []float64 // K², variance of T from noise; as long as Y
}

// A Smoother restores series one after another and keeps its working memory in
// between. The zero value is ready; it is for one goroutine at a time.
type Smoother struct {
	prior, post []state   // by reading, then by series
	last        []state   // by series
	gain        []float64 // exp(-dt/tau) of the step that led to each reading
}

// Restore undoes the lags of series that were read at the same times t, in s,
// ascending, and fills in their T and Var.
// fronts are the times, ascending, at which flow starts, changes or stops.
// Between readings further apart than gapS the smoother forgets what was before.
func (m *Smoother) Restore(t []float64, series []Series, fronts []float64, gapS float64) {
	n := len(t)
	m.reserve(n*len(series), len(series))
	for from := 0; from < n; {
		to := from + 1
		for to < n && t[to]-t[to-1] <= gapS {
			to++
		}
		m.restore(t, from, to, series, fronts)
		from = to
	}
}

func (m *Smoother) reserve(readings, series int) {
	if len(m.last) < series {
		m.last = make([]state, series)
	}
	if n := readings + readings/4; len(m.prior) < readings {
		m.prior, m.post, m.gain = make([]state, n), make([]state, n), make([]float64, n)
	}
}

// state is the filter's mean and covariance: the water as the sensor would show
// it at rest (w), and the sensor's own temperature (s).
type state struct {
	w, s          float64
	pww, pws, pss float64
}

// restore works on the readings from from to before to. The series go abreast:
// what a step in time does is the same for sensors of one time constant, and
// the processor works on one series while another waits for a result.
func (m *Smoother) restore(t []float64, from, to int, series []Series, fronts []float64) {
	c := len(series)
	last := m.last[:c]
	for i := range series {
		last[i] = begin(series[i].Y[from], series[i].Lag)
	}
	next, brisk := 0, 0.0
	for k := from; k < to; k++ {
		prior, post, gain := m.prior[k*c:][:c], m.post[k*c:][:c], m.gain[k*c:][:c]
		var walk step
		if k > from {
			dt := t[k] - t[k-1]
			brisk *= decay(dt / briskS)
			for next < len(fronts) && fronts[next] <= t[k] {
				brisk = briskPace * decay((t[k]-fronts[next])/briskS)
				next++
			}
			p := calmPace + brisk
			walk = step{dt: dt, q: p * p, tau: math.NaN()}
		}
		for i := range series {
			x := &last[i]
			if k > from {
				if walk.tau != series[i].ResponseS {
					walk.of(series[i].ResponseS)
				}
				walk.predict(x)
				gain[i] = walk.a
			}
			prior[i] = *x
			x.update(series[i].Y[k], series[i].NoiseK*series[i].NoiseK)
			post[i] = *x
		}
	}
	for i := range series {
		series[i].T[to-1], series[i].Var[to-1] = last[i].w, last[i].pww
	}
	for k := to - 2; k >= from; k-- {
		post, prior, gain := m.post[k*c:][:c], m.prior[(k+1)*c:][:c], m.gain[(k+1)*c:][:c]
		for i := range series {
			last[i].back(&post[i], &prior[i], gain[i])
			series[i].T[k], series[i].Var[k] = last[i].w, last[i].pww
		}
	}
}

// begin is the state before the first reading y is taken in.
func begin(y float64, lag Lag) state {
	if lag.ResponseS <= 0 {
		return state{w: y, s: y, pww: 100, pws: 100, pss: 100}
	}
	return state{w: y, s: y, pww: 100, pss: lag.NoiseK * lag.NoiseK}
}

// update takes in a reading y of variance r.
func (x *state) update(y, r float64) {
	v := 1 / (x.pss + r)
	kw, ks := x.pws*v, x.pss*v
	e := y - x.s
	x.w += kw * e
	x.s += ks * e
	x.pww -= kw * x.pws
	x.pws *= 1 - ks
	x.pss *= 1 - ks
}

// A step is what dt seconds do: the water walks with intensity q (K²/s), the
// sensor follows it with time constant tau.
type step struct {
	dt, q    float64
	tau      float64
	a        float64 // exp(-dt/tau)
	qws, qss float64 // integrals of the walk through the lag
}

// of makes the step that of a sensor with time constant tau.
func (p *step) of(tau float64) {
	p.tau = tau
	if tau <= 0 {
		p.a = 0
		return
	}
	p.a = decay(p.dt / tau)
	p.qws = p.q * (p.dt - tau*(1-p.a))
	p.qss = p.q * (p.dt - 2*tau*(1-p.a) + tau/2*(1-p.a*p.a))
}

// predict carries x over the step.
func (p *step) predict(x *state) {
	if p.tau <= 0 {
		v := x.pww + p.q*p.dt
		*x = state{w: x.w, s: x.w, pww: v, pws: v, pss: v}
		return
	}
	a, b := p.a, 1-p.a
	x.s = a*x.s + b*x.w
	x.pss = a*a*x.pss + 2*a*b*x.pws + b*b*x.pww + p.qss
	x.pws = a*x.pws + b*x.pww + p.qws
	x.pww += p.q * p.dt
}

// decay returns exp(-x) for x of 0 or more: by its series, to 1e-8, where
// readings are close, as most are.
func decay(x float64) float64 {
	if x > 0.25 {
		return math.Exp(-x)
	}
	return 1 - x*(1-x/2*(1-x/3*(1-x/4*(1-x/5*(1-x/6)))))
}

// back takes x, the smoothed state of one reading, to that of the reading
// before it: post is the filtered state there, prior what it predicted for x,
// and a is exp(-dt/tau) of the step between them.
func (x *state) back(post, prior *state, a float64) {
	b := 1 - a
	// cross covariance post·Fᵀ, F = [[1 0] [b a]]
	c11, c12 := post.pww, b*post.pww+a*post.pws
	c21, c22 := post.pws, b*post.pws+a*post.pss
	det := prior.pww*prior.pss - prior.pws*prior.pws
	if det <= 1e-14*prior.pww*prior.pss { // no lag: the sensor is the water
		g := c11 / prior.pww
		w := post.w + g*(x.w-prior.w)
		p := post.pww + g*g*(x.pww-prior.pww)
		*x = state{w: w, s: w, pww: p, pws: p, pss: p}
		return
	}
	det = 1 / det
	i11, i12, i22 := prior.pss*det, -prior.pws*det, prior.pww*det
	g11, g12 := c11*i11+c12*i12, c11*i12+c12*i22
	g21, g22 := c21*i11+c22*i12, c21*i12+c22*i22
	dw, ds := x.w-prior.w, x.s-prior.s
	d11, d12, d22 := x.pww-prior.pww, x.pws-prior.pws, x.pss-prior.pss
	e1, e2 := g11*d11+g12*d12, g11*d12+g12*d22
	x.w = post.w + g11*dw + g12*ds
	x.s = post.s + g21*dw + g22*ds
	x.pww = post.pww + g11*e1 + g12*e2
	x.pws = post.pws + g21*e1 + g22*e2
	x.pss = post.pss + g21*(g21*d11+g22*d12) + g22*(g21*d12+g22*d22)
}

// minNoiseK is the least noise assumed of a reading: what a converter with
// steps of 1/16 K leaves (rectangular).
const minNoiseK = 0.02

// A Noisemeter tells the noise of series that were read at the same times: what of it
// rests on the times is worked out once. The zero value is ready for [Noisemeter.At].
type Noisemeter struct {
	at        []int // the readings that are looked at
	before    []float64
	after     []float64 // weights of the neighbours on the line through them
	norm      []float64
	distance  []float64
	selection robust.Selection
}

// At sets the times, s, ascending, at which the series were read.
func (m *Noisemeter) At(t []float64) {
	m.at, m.before, m.after, m.norm = m.at[:0], m.before[:0], m.after[:0], m.norm[:0]
	if len(t) < 8 {
		return
	}
	const enough = 120 // differences tell it to a tenth
	for k, stride := 1, max(1, len(t)/enough); k < len(t)-1; k += stride {
		span := t[k+1] - t[k-1]
		if span <= 0 || span > 30 {
			continue
		}
		f := (t[k] - t[k-1]) / span
		m.at, m.before, m.after = append(m.at, k), append(m.before, 1-f), append(m.after, f)
		// variance of y_k - ((1-f) y_{k-1} + f y_{k+1})
		m.norm = append(m.norm, math.Sqrt(1+f*f+(1-f)*(1-f)))
	}
}

// Noise estimates the standard deviation of one reading of y, K, from how far each
// lies from the line through its neighbours: slow changes cancel, and the median does
// not mind fronts. It is never below 0.02 K.
func (m *Noisemeter) Noise(y []float64) float64 {
	if len(m.at) < 6 {
		return minNoiseK
	}
	m.distance = m.distance[:0]
	for i, k := range m.at {
		m.distance = append(m.distance, math.Abs(y[k]-m.before[i]*y[k-1]-m.after[i]*y[k+1])/m.norm[i])
	}
	return max(minNoiseK, 1.4826*m.selection.Nth(m.distance, len(m.distance)/2))
}

// Water returns the water's temperature from the steady reading of a clamp that
// shows the share loss (0 to 0.5) of the room at ambient °C.
func Water(reading, loss, ambient float64) float64 {
	return (reading - loss*ambient) / (1 - loss)
}
