// Package clamp undoes what a sensor clamped on a pipe does to the water's
// temperature: it follows with a first-order lag, with noise and in steps of
// its converter, and it shows a little of the room.
//
// The lag is undone by a Kalman filter and a fixed-interval smoother over the whole
// draw, not by differentiating the reading: the water's temperature
// is a random walk whose pace is set by what the flow does, fast in the minute
// after flow starts, steps or stops, slow in between. Where the water is calm
// the smoother averages for many seconds and the noise goes; where a front
// passes it follows within a second or two. Integrals over a draw keep their
// value: what the smoother blurs, it blurs to both sides.
//
// Source of the recursion: A. E. Bryson, M. Frazier, Smoothing for linear and nonlinear
// dynamic systems (1963), from memory; a test holds it to that of H. E. Rauch, F. Tung
// and C. T. Striebel, AIAA Journal 3 (1965) 1445-1450. The lag model and the surface's
// share of the room are the usual description of contact thermometers (VDI/VDE 3520
// lists both errors).
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
	tracks []track // by series
	taken  []taken // by reading, then by series
	pace   []float64
}

// Restore undoes the lags of series that were read at the same times t, in s,
// ascending, and fills in their T and Var.
// fronts are the times, ascending, at which flow starts, changes or stops.
// Between readings further apart than gapS the smoother forgets what was before.
func (m *Smoother) Restore(t []float64, series []Series, fronts []float64, gapS float64) {
	n := len(t)
	if n := n * len(series); len(m.taken) < n {
		m.taken = make([]taken, n+n/4)
	}
	if len(m.tracks) < len(series) {
		m.tracks = make([]track, len(series))
	}
	if len(m.pace) < n {
		m.pace = make([]float64, n+n/4)
	}
	for from := 0; from < n; {
		to := from + 1
		for to < n && t[to]-t[to-1] <= gapS {
			to++
		}
		m.setPace(t, from, to, fronts)
		m.restore(t, from, to, series)
		from = to
	}
}

// setPace works out how fast the water may walk over the step to each reading from
// from to before to: as an intensity, K²/s.
func (m *Smoother) setPace(t []float64, from, to int, fronts []float64) {
	next, brisk := 0, 0.0
	dt, calming := math.NaN(), 0.0
	for k := from + 1; k < to; k++ {
		if d := t[k] - t[k-1]; d != dt {
			dt, calming = d, decay(d/briskS)
		}
		brisk *= calming
		for next < len(fronts) && fronts[next] <= t[k] {
			brisk = briskPace * decay((t[k]-fronts[next])/briskS)
			next++
		}
		p := calmPace + brisk
		m.pace[k] = p * p
	}
}

// A track is one series under way: the filter's mean and covariance of the water as
// the sensor would show it at rest (w) and of the sensor's own temperature (s), and
// what a step in time does to them.
type track struct {
	w, s          float64
	pww, pws, pss float64

	lw, ls        float64 // slope of the likelihood of what comes after, 1/K,
	lww, lws, lss float64 // and its curvature, 1/K²

	r   float64 // variance of a reading, K²
	tau float64
	step
}

// A step is what a time dt does: the water walks, the sensor follows it.
type step struct {
	a, b     float64 // exp(-dt/tau), and what is left to 1
	aa       float64 // products of them
	ab2, bb  float64
	qws, qss float64 // integrals of a walk of unit intensity through the lag
}

// taken is what the way back needs of one reading as the filter met it.
type taken struct {
	w, pww, pws float64 // of what was predicted for it
	kw, ks      float64 // the weights it got
	u, v        float64 // its distance from what was predicted over the variance of that, and 1 over the variance
	a           float64 // exp(-dt/tau) of the step that led to it
}

// restore works on the readings from from to before to. The series go abreast:
// the processor works on one series while another waits for a result.
//
// The way back is that of Bryson and Frazier, which carries the slope and curvature of
// the likelihood of what comes after: it gives what Rauch, Tung and Striebel's does,
// without dividing by a covariance at each reading.
func (m *Smoother) restore(t []float64, from, to int, series []Series) {
	c := len(series)
	tracks := m.tracks[:c]
	for i := range tracks {
		tracks[i].begin(series[i].Y[from], series[i].Lag)
	}
	dt := math.NaN()
	for k := from; k < to; k++ {
		all := m.taken[k*c:][:len(tracks)]
		var q, qdt float64
		if k > from {
			d := t[k] - t[k-1]
			if d != dt {
				dt = d
				for i := range tracks {
					if i > 0 && tracks[i].tau == tracks[i-1].tau {
						tracks[i].step = tracks[i-1].step
					} else {
						tracks[i].step.of(dt, tracks[i].tau)
					}
				}
			}
			q = m.pace[k]
			qdt = q * dt
		}
		for i := range tracks {
			x, o := &tracks[i], &all[i]
			w, s, pww, pws, pss := x.w, x.s, x.pww, x.pws, x.pss
			if k > from {
				s = x.a*s + x.b*w
				pss = x.aa*pss + x.ab2*pws + x.bb*pww + q*x.qss
				pws = x.a*pws + x.b*pww + q*x.qws
				pww += qdt
			}
			o.w, o.pww, o.pws, o.a = w, pww, pws, x.a
			v := 1 / (pss + x.r)
			kw, ks := pws*v, pss*v
			e := series[i].Y[k] - s
			o.kw, o.ks, o.u, o.v = kw, ks, e*v, v
			rest := 1 - ks
			x.w = w + kw*e
			x.s = s + ks*e
			x.pww = pww - kw*pws
			x.pws = pws * rest
			x.pss = pss * rest
		}
	}
	for i := range tracks {
		tracks[i].forget()
	}
	for k := to - 1; k >= from; k-- {
		all := m.taken[k*c:][:len(tracks)]
		for i := range tracks {
			x, o := &tracks[i], &all[i]
			lw, ls, lww, lws, lss := x.lw, x.ls, x.lww, x.lws, x.lss
			// over the reading
			rest := 1 - o.ks
			ls = rest*ls - o.kw*lw - o.u
			mws := rest*lws - o.kw*lww
			mss := rest*(rest*lss-o.kw*lws) - o.kw*mws + o.v
			series[i].T[k] = o.w - (o.pww*lw + o.pws*ls)
			series[i].Var[k] = o.pww - (o.pww*(o.pww*lww+2*o.pws*mws) + o.pws*o.pws*mss)
			// over the step that led to it
			a, b := o.a, 1-o.a
			nws := mws + b*mss
			x.lw = lw + b*ls
			x.ls = a * ls
			x.lww = lww + b*(mws+nws)
			x.lws = a * nws
			x.lss = a * a * mss
		}
	}
}

// begin is the track before the first reading y is taken in.
func (x *track) begin(y float64, lag Lag) {
	*x = track{w: y, s: y, pww: 100, pws: 100, pss: 100, r: lag.NoiseK * lag.NoiseK, tau: lag.ResponseS}
	if lag.ResponseS > 0 {
		x.pws, x.pss = 0, x.r
	}
}

// forget is the track on its way back, before the last reading.
func (x *track) forget() { x.lw, x.ls, x.lww, x.lws, x.lss = 0, 0, 0, 0, 0 }

// of makes the step that of dt seconds, for a sensor with time constant tau.
func (p *step) of(dt, tau float64) {
	if tau <= 0 { // the sensor is the water
		*p = step{b: 1, bb: 1, qws: dt, qss: dt}
		return
	}
	a := decay(dt / tau)
	b := 1 - a
	p.a, p.b, p.aa, p.ab2, p.bb = a, b, a*a, 2*a*b, b*b
	p.qws = dt - tau*b
	p.qss = dt - 2*tau*b + tau/2*(1-a*a)
}

// decay returns exp(-x) for x of 0 or more: by its series, to 1e-8, where
// readings are close, as most are.
func decay(x float64) float64 {
	if x > 0.25 {
		return math.Exp(-x)
	}
	return 1 - x*(1-x*(1.0/2-x*(1.0/6-x*(1.0/24-x*(1.0/120-x*(1.0/720))))))
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
