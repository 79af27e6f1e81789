package uncert

import (
	"fmt"
	"math"
)

// A Line is a straight line y = Intercept + Slope·(x - X0) fitted by least
// squares, with the uncertainties of its coefficients (JCGM 100:2008 H.3). All
// observations count alike and only y is uncertain.
type Line struct {
	X0          float64
	Intercept   float64 // y at X0
	Slope       float64
	UIntercept  float64 // standard uncertainty
	USlope      float64 // standard uncertainty
	Correlation float64 // of the two
	S           float64 // standard deviation of one observation about the line
	DoF         int     // observations - 2
}

// FitLine fits a line to three or more observations, for instance a sensor's
// corrections against its readings. X0 is where the intercept is wanted. It
// returns an error wrapping [ErrModel] for fewer observations, values that are
// not finite, or x all alike, and panics where x and y differ in length.
func FitLine(x, y []float64, x0 float64) (Line, error) {
	if len(x) != len(y) {
		panic("uncert: x and y of different length")
	}
	n := float64(len(x))
	if n < 3 {
		return Line{}, fmt.Errorf("%w: a line with uncertainty needs 3 points, not %d", ErrModel, len(x))
	}
	var mx, my float64
	for i := range x {
		mx += (x[i] - x0) / n
		my += y[i] / n
	}
	var sxx, sxy float64
	for i := range x {
		dx := x[i] - x0 - mx
		sxx += dx * dx
		sxy += dx * (y[i] - my)
	}
	if !finite(sxx) || !finite(sxy) || sxx == 0 {
		return Line{}, fmt.Errorf("%w: points that determine no line", ErrModel)
	}
	l := Line{X0: x0, Slope: sxy / sxx, DoF: len(x) - 2}
	l.Intercept = my - l.Slope*mx
	var ssr float64
	for i := range x {
		r := y[i] - l.Intercept - l.Slope*(x[i]-x0)
		ssr += r * r
	}
	l.S = math.Sqrt(ssr / float64(l.DoF))
	l.USlope = l.S / math.Sqrt(sxx)
	l.UIntercept = l.S * math.Sqrt(1/n+mx*mx/sxx)
	l.Correlation = -mx / math.Sqrt(sxx/n+mx*mx)
	return l, nil
}

// At returns the line's value at x and its standard uncertainty, which is that
// of the line and not of another observation there (JCGM 100 equation (H.15)).
func (l Line) At(x float64) (y, u float64) {
	d := x - l.X0
	y = l.Intercept + l.Slope*d
	v := l.UIntercept*l.UIntercept + d*d*l.USlope*l.USlope + 2*d*l.Correlation*l.UIntercept*l.USlope
	return y, math.Sqrt(max(v, 0))
}
