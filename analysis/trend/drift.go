package trend

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// A Drift is what a short series does: a slope through all of it, its largest
// step, and which of the two describes it. It is made for a sensor's nightly
// offsets. Standard uncertainties include serial correlation and the few degrees
// of freedom: twice each holds the truth with 95 %.
type Drift struct {
	Kind Kind // Line or Step, chosen as [Fit] does, where that has three standard uncertainties; else Constant

	Slope, USlope float64 // of a line, a day
	Rise, URise   float64 // of that line, from the first point to the last
	Level, ULevel float64 // of that line at the last point

	// The largest step, NaN where no place for one has two points on either side:
	// StepT is the first point after.
	Step, UStep float64
	StepT       float64

	Scatter   float64 // standard deviation of a typical point about the kind
	Inflation float64 // of the variance, by serial correlation
	Outliers  int     // points more than four standard deviations off
	N         int
}

// Choices of this project.
const (
	driftFewest = 5 // points
	driftSure   = 3 // standard uncertainties that a slope or a step must have to be the kind
)

// FitDrift describes five or more points, irregular in time and with outliers
// among them. The points' uncertainties are taken for the least that they can
// be: a few points that happen to lie well do not shrink them. Otherwise it
// fits and chooses as [Fit] does. Errors: [ErrTooFew], [ErrSeries].
func FitDrift(ps []Point) (Drift, error) {
	if err := check(ps, driftFewest); err != nil {
		return Drift{}, err
	}
	if ps[len(ps)-1].T == ps[0].T {
		return Drift{}, badSeries("all points are of one time")
	}
	s, err := newSeries(ps, Options{MinSegment: 2})
	if err != nil {
		return Drift{}, err
	}
	s.uAtLeast = true
	shapes, _ := s.choose([]Kind{Constant, Line, Step}, 1) // a level can always be fitted
	best := shapes[0]
	nan := math.NaN()
	d := Drift{
		Kind: best.kind, N: len(ps), Scatter: median(s.sigma), Inflation: s.growth,
		Slope: nan, USlope: nan, Rise: nan, URise: nan, Level: nan, ULevel: nan, Step: nan, UStep: nan, StepT: nan,
	}
	for i, r := range s.rest(best) {
		if math.Abs(r) > 4*s.sigma[i] {
			d.Outliers++
		}
	}
	for _, f := range shapes {
		if f.kind == Constant {
			continue
		}
		lost := len(f.coef)
		if f.kind == Step {
			lost++ // its place
		}
		free := float64(len(ps))/s.growth - float64(lost)
		about := s.atLeast(noiseOf(s.rest(f), s.u, lost, rounding(s.y))) // the weights go by the noise about the best kind
		wider := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: max(1, free)}.Quantile(0.975) / z95
		typical := median(s.u)
		wider *= about.of(typical) / s.noise.of(typical)
		f.cov = s.covariance(f)
		u := wider * math.Sqrt(f.cov.At(1, 1))
		if f.kind == best.kind && math.Abs(f.coef[1]) < driftSure*u {
			d.Kind = Constant
		}
		if f.kind == Step {
			d.Step, d.UStep, d.StepT = f.coef[1], u, s.t0+s.span*f.theta
			continue
		}
		d.Rise, d.URise = f.coef[1], u
		d.Slope, d.USlope = d.Rise/s.span, d.URise/s.span
		d.Level, d.ULevel = f.value(1), wider*f.spread([]float64{1, 1})
	}
	return d, nil
}
