package uncert_test

import (
	"fmt"

	"greywatt/analysis/uncert"
)

// Two clamps from one batch measure a rise; three quarters of their variance
// is an offset that they share.
func ExampleModel_Propagate() {
	m := uncert.Model{
		F: func(x []float64) float64 { return x[1] - x[0] },
		Inputs: []uncert.Input{
			{Name: "cold-in", Value: 10, U: 0.2},
			{Name: "preheat-out", Value: 25, U: 0.2},
		},
		Correlations: []uncert.Correlation{{I: 0, J: 1, R: 0.75}},
	}
	b, err := m.Propagate()
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.1f K ± %.2f K (k=2)\n", b.Value, b.U95())
	// Output: 15.0 K ± 0.28 K (k=2)
}
