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
	"slices"
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

// Smoothed is a channel with lag and noise undone, at the times of its
// readings.
type Smoothed struct {
	T   []float64 // °C, the steady reading the sensor would give
	Var []float64 // K², variance of T from noise
}

// A Smoother restores series one after another and keeps its working memory in
// between. The zero value is ready; it is for one goroutine at a time.
type Smoother struct {
	prior, post []state
	gain        []float64 // exp(-dt/tau) of the step that led to each reading
	out         []float64
}

// Restore undoes the lag. t holds the times of the readings in s, ascending, y
// the readings in °C without NaN, fronts the times, ascending, at which flow
// starts, changes or stops. The result has the length of t and holds until the
// next call. Between readings further apart than gapS the smoother forgets what
// was before.
func (m *Smoother) Restore(t, y []float64, fronts []float64, lag Lag, gapS float64) Smoothed {
	if n := len(t); len(m.prior) < n {
		n += n / 4
		m.prior, m.post, m.gain, m.out = make([]state, n), make([]state, n), make([]float64, n), make([]float64, 2*n)
	}
	out := Smoothed{T: m.out[:len(t)], Var: m.out[len(t) : 2*len(t)]}
	for from := 0; from < len(t); {
		to := from + 1
		for to < len(t) && t[to]-t[to-1] <= gapS {
			to++
		}
		m.restore(t[from:to], y[from:to], fronts, lag, out.T[from:to], out.Var[from:to])
		from = to
	}
	return out
}

// state is the filter's mean and covariance: the water as the sensor would show
// it at rest (w), and the sensor's own temperature (s).
type state struct {
	w, s          float64
	pww, pws, pss float64
}

func (m *Smoother) restore(t, y, fronts []float64, lag Lag, outT, outVar []float64) {
	n := len(t)
	tau := lag.ResponseS
	r := lag.NoiseK * lag.NoiseK
	prior, post, gain := m.prior[:n], m.post[:n], m.gain[:n]
	x := state{w: y[0], s: y[0], pww: 100, pws: 0, pss: r}
	if tau <= 0 {
		x = state{w: y[0], s: y[0], pww: 100, pws: 100, pss: 100}
	}
	next, brisk := 0, 0.0
	for k := range n {
		if k > 0 {
			dt := t[k] - t[k-1]
			brisk *= decay(dt / briskS)
			for next < len(fronts) && fronts[next] <= t[k] {
				brisk = briskPace * decay((t[k]-fronts[next])/briskS)
				next++
			}
			p := calmPace + brisk
			x, gain[k] = predict(x, dt, tau, p*p)
		}
		prior[k] = x
		v := x.pss + r
		kw, ks := x.pws/v, x.pss/v
		e := y[k] - x.s
		x = state{
			w: x.w + kw*e, s: x.s + ks*e,
			pww: x.pww - kw*x.pws, pws: x.pws * (1 - ks), pss: x.pss * (1 - ks),
		}
		post[k] = x
	}
	smooth := post[n-1]
	outT[n-1], outVar[n-1] = smooth.w, smooth.pww
	for k := n - 2; k >= 0; k-- {
		smooth = back(post[k], prior[k+1], smooth, gain[k+1])
		outT[k], outVar[k] = smooth.w, smooth.pww
	}
}

// predict carries x over dt seconds: the water walks with intensity q (K²/s),
// the sensor follows it with time constant tau. a is exp(-dt/tau).
func predict(x state, dt, tau, q float64) (state, float64) {
	if tau <= 0 {
		p := x.pww + q*dt
		return state{w: x.w, s: x.w, pww: p, pws: p, pss: p}, 0
	}
	a := decay(dt / tau)
	b := 1 - a
	// integrals of the walk through the lag over the step
	qws := q * (dt - tau*b)
	qss := q * (dt - 2*tau*b + tau/2*(1-a*a))
	return state{
		w: x.w, s: a*x.s + b*x.w,
		pww: x.pww + q*dt,
		pws: a*x.pws + b*x.pww + qws,
		pss: a*a*x.pss + 2*a*b*x.pws + b*b*x.pww + qss,
	}, a
}

// decay returns exp(-x) for x of 0 or more: by its series, to 1e-8, where
// readings are close, as most are.
func decay(x float64) float64 {
	if x > 0.25 {
		return math.Exp(-x)
	}
	return 1 - x*(1-x/2*(1-x/3*(1-x/4*(1-x/5*(1-x/6)))))
}

// back is one step of the smoother: from the filtered state at k, the predicted
// and the smoothed one at k+1.
func back(post, prior, next state, a float64) state {
	b := 1 - a
	// cross covariance post·Fᵀ, F = [[1 0] [b a]]
	c11, c12 := post.pww, b*post.pww+a*post.pws
	c21, c22 := post.pws, b*post.pws+a*post.pss
	det := prior.pww*prior.pss - prior.pws*prior.pws
	if det <= 1e-14*prior.pww*prior.pss { // no lag: the sensor is the water
		g := c11 / prior.pww
		w := post.w + g*(next.w-prior.w)
		p := post.pww + g*g*(next.pww-prior.pww)
		return state{w: w, s: w, pww: p, pws: p, pss: p}
	}
	i11, i12, i22 := prior.pss/det, -prior.pws/det, prior.pww/det
	g11, g12 := c11*i11+c12*i12, c11*i12+c12*i22
	g21, g22 := c21*i11+c22*i12, c21*i12+c22*i22
	dw, ds := next.w-prior.w, next.s-prior.s
	d11, d12, d22 := next.pww-prior.pww, next.pws-prior.pws, next.pss-prior.pss
	return state{
		w:   post.w + g11*dw + g12*ds,
		s:   post.s + g21*dw + g22*ds,
		pww: post.pww + g11*(g11*d11+g12*d12) + g12*(g11*d12+g12*d22),
		pws: post.pws + g11*(g21*d11+g22*d12) + g12*(g21*d12+g22*d22),
		pss: post.pss + g21*(g21*d11+g22*d12) + g22*(g21*d12+g22*d22),
	}
}

// minNoiseK is the least noise assumed of a reading: what a converter with
// steps of 1/16 K leaves (rectangular).
const minNoiseK = 0.02

// Noise estimates the standard deviation of one reading, K, from how far each
// lies from the line through its neighbours: slow changes cancel, and the
// median does not mind fronts. It is never below 0.02 K.
func Noise(t, y []float64) float64 {
	if len(t) < 8 {
		return minNoiseK
	}
	const enough = 120 // differences tell it to a tenth
	d := make([]float64, 0, enough+1)
	for k, stride := 1, max(1, len(t)/enough); k < len(t)-1; k += stride {
		span := t[k+1] - t[k-1]
		if span <= 0 || span > 30 {
			continue
		}
		f := (t[k] - t[k-1]) / span
		// variance of y_k - ((1-f) y_{k-1} + f y_{k+1})
		d = append(d, math.Abs(y[k]-(1-f)*y[k-1]-f*y[k+1])/math.Sqrt(1+f*f+(1-f)*(1-f)))
	}
	if len(d) < 6 {
		return minNoiseK
	}
	slices.Sort(d)
	return max(minNoiseK, 1.4826*d[len(d)/2])
}

// Water returns the water's temperature from the steady reading of a clamp that
// shows the share loss (0 to 0.5) of the room at ambient °C.
func Water(reading, loss, ambient float64) float64 {
	return (reading - loss*ambient) / (1 - loss)
}
