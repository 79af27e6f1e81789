package trend

import "math"

// At returns the model at time t, within the record or beyond it, and its
// standard uncertainty: that of the trend and not of another point. Covariates
// are at their means. Near a step its place is taken as given; beyond the
// record the kind is.
func (m Model) At(t float64) (y, u float64) {
	var row [mostParameters]float64
	x := (t - m.T0) / (m.T1 - m.T0)
	return m.shape.value(x), m.shape.spread(m.shape.gradient(row[:0], x))
}

// Between returns the model's change from time a to time b with its standard
// uncertainty, for covariates that stay at their means; what is open of their
// coefficients is in it. The kind is taken as given: of no change it is 0 ± 0,
// and what that leaves open is in [Attribution].
func (m Model) Between(a, b float64) (dy, u float64) {
	var ra, rb [mostParameters]float64
	xa, xb := (a-m.T0)/(m.T1-m.T0), (b-m.T0)/(m.T1-m.T0)
	d := m.shape.gradient(rb[:0], xb)
	for i, g := range m.shape.gradient(ra[:0], xa) {
		d[i] -= g
	}
	return m.shape.value(xb) - m.shape.value(xa), m.shape.spread(d)
}

// spread is the standard uncertainty of Σ d·parameter.
func (f shape) spread(d []float64) float64 {
	var v float64
	for i := range d {
		for j := range d {
			if d[i] != 0 && d[j] != 0 {
				v += d[i] * d[j] * f.cov.At(i, j)
			}
		}
	}
	return math.Sqrt(max(v, 0))
}

// A Crossing is when a model passes a level: the time, and the times at which
// the near and the far side of its 95 % band do. +Inf where that is not before
// the horizon.
type Crossing struct{ T, Lo, Hi float64 }

// Crossing returns when the model first reaches level, coming from where it is
// at T0, no later than horizon days after T1. A model that starts beyond the
// level's other side crosses upwards, otherwise downwards. The interval holds
// for the trend as chosen; it does not know of the kinds not chosen.
func (m Model) Crossing(level, horizon float64) Crossing {
	const steps = 2000
	start, _ := m.At(m.T0)
	way := 1.0 // from above
	if start < level {
		way = -1
	}
	end := m.T1 + horizon
	// first returns when way·(y - level) + k·u first is 0 or less.
	first := func(k float64) float64 {
		over := func(t float64) bool {
			y, u := m.At(t)
			return way*(y-level)+k*u <= 0
		}
		a := m.T0
		if over(a) {
			return a
		}
		for i := 1; i <= steps; i++ {
			b := m.T0 + (end-m.T0)*float64(i)/steps
			if !over(b) {
				a = b
				continue
			}
			for b-a > 1e-6*(end-m.T0) {
				if mid := (a + b) / 2; over(mid) {
					b = mid
				} else {
					a = mid
				}
			}
			return b
		}
		return math.Inf(1)
	}
	return Crossing{T: first(0), Lo: first(-z95), Hi: first(z95)}
}
