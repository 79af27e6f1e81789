package trend

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// A Need says how much more record resolves a slope; zeros where the record
// does already, +Inf for more than a hundred years.
type Need struct {
	Points float64
	Days   float64
}

// power80 is the deviate above which 80 % of a normal distribution lies below.
const power80 = 0.8416212335729143

// A design is what the uncertainty of a slope depends on: the information about
// level, slope (a day, about the mean time) and the covariates' coefficients (a
// standard deviation each).
type design struct {
	information *mat.SymDense
	meanT       float64
	each        float64 // information of one point about the level
	mean, scale []float64
}

func (s *series) design(f shape) design {
	k := 2 + len(s.covariates)
	d := design{information: mat.NewSymDense(k, nil), mean: s.mean, scale: s.scale}
	var sum float64
	for i, w := range f.w {
		sum += w
		d.meanT += w * (s.t0 + s.span*s.t[i])
	}
	d.meanT /= sum
	d.each = sum / s.growth / float64(len(s.y))
	row := make([]float64, k)
	for i, w := range f.w {
		row[0], row[1] = 1, s.t0+s.span*s.t[i]-d.meanT
		for c, col := range s.covariates {
			row[2+c] = col[i]
		}
		d.add(w/s.growth, row)
	}
	for c, p := range s.prior.precision {
		d.information.SetSym(2+c, 2+c, d.information.At(2+c, 2+c)+p)
	}
	return d
}

// add adds w·row·rowᵀ to the information.
func (d design) add(w float64, row []float64) {
	for a := range row {
		for b := a; b < len(row); b++ {
			d.information.SetSym(a, b, d.information.At(a, b)+w*row[a]*row[b])
		}
	}
}

// slope returns the information about the slope that the other parameters leave;
// 0 where they leave none.
func (d design) slope() float64 {
	c := d.covariance()
	if c == nil {
		return 0
	}
	return 1 / c.At(1, 1)
}

func (d design) covariance() *mat.SymDense {
	_, c := solveNormal(d.information, mat.NewVecDense(d.information.SymmetricDim(), nil))
	return c
}

// wanted is the information that resolves a slope: its 95 % interval excludes 0
// with a probability of 80 %.
func wanted(slope float64) float64 { return math.Pow((z95+power80)/slope, 2) }

// Need returns how much longer points must come in, so many a day and as good
// as those so far, until a slope of the given size per day will be resolved: its
// 95 % interval will exclude 0 with a probability of 80 %. Scatter and serial
// correlation are those of the model. Covariates are taken to spread as they
// have, without following time from now on; where they do, see [Model.NeedAlong].
func (m Model) Need(slope, pointsPerDay float64) Need {
	return m.need(slope, pointsPerDay, func(d design, days float64) {
		w := d.each * pointsPerDay * days
		off := m.T1 + days/2 - d.meanT
		row := make([]float64, 2+len(d.scale))
		row[0], row[1] = 1, off
		d.add(w, row)
		d.information.SetSym(1, 1, d.information.At(1, 1)+w*days*days/12)
		for k := range d.scale {
			d.information.SetSym(2+k, 2+k, d.information.At(2+k, 2+k)+w)
		}
	})
}

// NeedAlong is [Model.Need] for covariates that will take the course given:
// their values at a time later than T1, in the units and the order of the options.
// It returns how long a season must last until it no longer hides a slope.
func (m Model) NeedAlong(slope, pointsPerDay float64, covariates func(t float64) []float64) Need {
	return m.need(slope, pointsPerDay, func(d design, days float64) {
		const most = 4000
		cells := int(max(1, min(most, math.Ceil(days))))
		row, width := make([]float64, 2+len(d.scale)), days/float64(cells)
		for i := range cells {
			t := m.T1 + (float64(i)+0.5)*width
			row[0], row[1] = 1, t-d.meanT
			for k, x := range covariates(t) {
				row[2+k] = (x - d.mean[k]) / d.scale[k]
			}
			d.add(d.each*pointsPerDay*width, row)
		}
	})
}

// need searches for the days that are enough; extend adds the points of so many days to
// a design.
func (m Model) need(slope, pointsPerDay float64, extend func(d design, days float64)) Need {
	if !(pointsPerDay > 0) || slope == 0 || math.IsNaN(slope) {
		panic("trend: need of no slope, or of no points")
	}
	enough := func(days float64) bool {
		d := m.design
		d.information = mat.NewSymDense(m.design.information.SymmetricDim(), nil)
		d.information.CopySym(m.design.information)
		if days > 0 {
			extend(d, days)
		}
		return d.slope() >= wanted(slope)
	}
	const century = 36525.0
	if enough(0) {
		return Need{}
	}
	if !enough(century) {
		return Need{Points: math.Inf(1), Days: math.Inf(1)}
	}
	lo, hi := 0.0, 1.0
	for !enough(hi) {
		lo, hi = hi, min(2*hi, century)
	}
	for hi-lo > 1e-3 {
		if mid := (lo + hi) / 2; enough(mid) {
			hi = mid
		} else {
			lo = mid
		}
	}
	return Need{Points: math.Ceil(pointsPerDay * hi), Days: hi}
}

// Separate returns what would resolve a slope of the given size per day without
// a longer record, by separating covariate k (from 0) from time: a standard uncertainty of its
// coefficient, from elsewhere and beside what record and prior say; or a spread
// of the covariate, as the standard deviation over so many points of about one
// time, each as good as those so far. Where the record resolves the slope as it
// is, they are +Inf and 0; where no knowledge of this covariate would do, 0 and
// +Inf.
func (m Model) Separate(slope float64, k int, points float64) (coefficientU, spread float64) {
	if k < 0 || k >= len(m.design.scale) || !(points > 0) || slope == 0 || math.IsNaN(slope) {
		panic("trend: separation of no slope, no covariate or no points")
	}
	c := m.design.covariance()
	if c == nil {
		return 0, math.Inf(1)
	}
	excess := c.At(1, 1) - 1/wanted(slope)
	if excess <= 0 {
		return math.Inf(1), 0
	}
	// With information p more about the coefficient the variance of the slope
	// falls by c²p/(1 + p·C).
	shared := c.At(1, 2+k) * c.At(1, 2+k)
	left := shared - excess*c.At(2+k, 2+k)
	if left <= 0 {
		return 0, math.Inf(1)
	}
	p := excess / left
	return 1 / math.Sqrt(p) / m.design.scale[k], math.Sqrt(p/(points*m.design.each)) * m.design.scale[k]
}
