package trend

import "math"

// A Jump is a sudden change of level.
type Jump struct {
	Index int     // of the first point after it
	T     float64 // of that point
	Size  float64 // level after less level before
}

// Choices of this project.
const (
	jumpReach = 7   // points on either side that a jump is judged by
	jumpSure  = 6   // standard uncertainties that it must have
	jumpShare = 0.7 // of what a line through the same points leaves, that two levels may leave
)

// Jumps returns the sudden changes of level of at least the given size, in time
// order: places where the seven points before and the seven after lie on a level
// each, and much closer to those than to any one line. It finds them on a series
// that slopes between them too, such as a fouling curve that starts again after a cleaning, in
// which [Changes] sees many levels and [Fit] no trend at all. What is less than
// seven points from an end or from another jump is not seen.
//
// Medians, absolute deviations and Theil's slope are used, so that up to three
// wild points of seven do no harm. Errors: [ErrTooFew] for less than fourteen
// points, [ErrSeries].
func Jumps(ps []Point, least float64) ([]Jump, error) {
	if err := check(ps, 2*jumpReach); err != nil {
		return nil, err
	}
	ys, u := values(ps), make([]float64, len(ps))
	for i, p := range ps {
		u[i] = p.U
	}
	noise := neighbourNoise(ys, u, rounding(ys))
	for i := range u {
		u[i] = noise.of(u[i])
	}
	// of the difference of two medians of seven
	limit := max(least, jumpSure*median(u)*math.Sqrt(2*math.Pi/2/jumpReach))
	score, size := make([]float64, len(ps)), make([]float64, len(ps))
	for i := jumpReach; i+jumpReach <= len(ps); i++ {
		before, after := ys[i-jumpReach:i], ys[i:i+jumpReach]
		a, b := median(before), median(after)
		if math.Abs(b-a) < limit {
			continue
		}
		levels := deviation(before, func(int) float64 { return a }) + deviation(after, func(int) float64 { return b })
		line := lineDeviation(ps[i-jumpReach : i+jumpReach])
		if levels < jumpShare*line {
			score[i], size[i] = line-levels, b-a
		}
	}
	var out []Jump
	for i, s := range score {
		peak := s > 0
		for j := max(0, i-jumpReach); j < min(len(ps), i+jumpReach+1); j++ {
			peak = peak && (score[j] < s || j >= i && score[j] == s)
		}
		if peak {
			out = append(out, Jump{Index: i, T: ps[i].T, Size: size[i]})
		}
	}
	return out, nil
}

// deviation is the sum of absolute deviations of ys from a curve.
func deviation(ys []float64, at func(i int) float64) (sum float64) {
	for i, y := range ys {
		sum += math.Abs(y - at(i))
	}
	return sum
}

// lineDeviation is that of points from the line of Theil's slope.
func lineDeviation(ps []Point) float64 {
	var slopes []float64
	for i := range ps {
		for j := i + 1; j < len(ps); j++ {
			if dt := ps[j].T - ps[i].T; dt > 0 {
				slopes = append(slopes, (ps[j].Y-ps[i].Y)/dt)
			}
		}
	}
	slope := 0.0
	if len(slopes) > 0 {
		slope = median(slopes)
	}
	rest := make([]float64, len(ps))
	for i, p := range ps {
		rest[i] = p.Y - slope*(p.T-ps[0].T)
	}
	level := median(rest)
	return deviation(rest, func(int) float64 { return level })
}
