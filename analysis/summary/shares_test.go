package summary

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Studies of dwellings whose units differ, with clamps of three batches, own
// errors and one of the method: the uncertainties of the median over these very
// units, of the mean over units like them, and of the sum hold the truth as often as
// they say. For 600 studies one binomial standard deviation is 0.009.
func TestSharesCoverage(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 12))
	const studies, n, truth, between = 600, 24, 0.96, 0.04
	var ofThese, ofSuch, ofSum, tooFew int
	for range studies {
		batch := [3]float64{r.NormFloat64(), r.NormFloat64(), r.NormFloat64()}
		method := r.NormFloat64()
		var ds []*Summary
		var sum []contribution
		var total, trueTotal float64
		unit := make([]float64, n)
		for i := range unit {
			unit[i] = truth + between*r.NormFloat64()
			clamp := 0.01 + 0.01*r.Float64()
			b := i % 3
			own := 0.005 + 0.01*r.Float64()
			effects := []SystematicEffect{
				{Input: "waste-in clamp", Shift: clamp, Batch: string(rune('a' + b)), InBatch: 0.64},
				{Input: "rated points to these flows", Shift: 0.008, OfMethod: true},
			}
			y := unit[i] + own*r.NormFloat64() + clamp*(0.8*batch[b]+0.6*r.NormFloat64()) + 0.008*method
			ds = append(ds, &Summary{Ratio: Estimate{Median: y, OwnU95: 2 * own, U95: 1, Systematic: effects}})
			weight := 1 + r.Float64()
			sum = append(sum, contribution{weight, own, effects})
			total, trueTotal = total+weight*y, trueTotal+weight*unit[i]
		}
		of := func(s *Summary) *Estimate { return &s.Ratio }
		m, p := spread(ds, of), pool(ds, of)
		count := func(hits *int, error, u95 float64) {
			if math.Abs(error) <= u95 {
				*hits++
			}
		}
		count(&ofThese, m.Median-trueMedian(unit), m.U95)
		count(&ofSuch, p.Mean-truth, p.U95)
		count(&ofSum, total-trueTotal, sharesOf(sum).U95())
		count(&tooFew, total-trueTotal, sharesOf(sum).OwnU95)
	}
	for what, hits := range map[string]int{"median of these": ofThese, "mean of such": ofSuch, "sum": ofSum} {
		if share := float64(hits) / studies; share < 0.93 || share > 0.98 {
			t.Errorf("%s: covered in %.3f", what, share)
		}
	}
	if share := float64(tooFew) / studies; share > 0.7 {
		t.Errorf("as if all were independent the sum is covered in %.3f: this study shows nothing", share)
	}
}

func trueMedian(x []float64) float64 {
	e := newEstimate(x, make([]float64, len(x)), nil)
	return e.Median
}
