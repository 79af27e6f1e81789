package event

import "math"

// grid returns the step of an output whose readings are v: the least difference
// between two that follow each other. Of a fine one, to [fineK], it is any of those.
func grid(v []float64) float64 {
	const same = 1e-6 // what taking the offset off may do
	least := math.Inf(1)
	for k := 1; k < len(v); k++ {
		if d := math.Abs(v[k] - v[k-1]); d > same && d < least {
			if least = d; d <= fineK {
				break // how fine matters to nobody
			}
		}
	}
	if math.IsInf(least, 1) {
		return 0
	}
	return least
}

// fineK is the step of an output, K, up to which rounding is left to the floor of the
// noise: the 1/16 K of a common digital sensor leaves 0.018 K. This project's choice.
const fineK = 0.065

// rounding returns the standard uncertainty, K, that rounding leaves of a mean of the
// clamp's readings from first to last. A reading that stays, or goes back and forth
// between two steps, may be off by half of a step all the time; one that goes through
// several, by noise or because the water does, is off by as much less (a uniform
// distribution; the division is this project's choice).
func (c *channel) rounding(first, last int) float64 {
	if !(c.gridK > fineK) {
		return 0
	}
	const reach = 16 // steps either way
	var at [2*reach + 1]int
	n, from := 0, math.NaN()
	for k := first; k <= last; k++ {
		v := c.surface[k]
		if math.IsNaN(v) {
			continue
		}
		if math.IsNaN(from) {
			from = v
		}
		at[int(min(max(math.Round((v-from)/c.gridK), -reach), reach))+reach]++
		n++
	}
	levels := 0
	for _, k := range at {
		if 20*k > n {
			levels++
		}
	}
	return c.gridK / math.Sqrt(12) / float64(max(1, levels-1))
}
