package trend_test

import (
	"fmt"
	"math"

	"greywatt/analysis/trend"
)

// A unit that loses a tenth of its conductance on day 40, with a scatter made
// of two sines so that the output is the same everywhere.
func ExampleFit() {
	var ps []trend.Point
	for i := range 180 {
		day := float64(i) / 2
		y := 1 + 0.01*math.Sin(9*day*day) + 0.01*math.Sin(7.3*float64(i))
		if day >= 40 {
			y -= 0.1
		}
		ps = append(ps, trend.Point{T: day, Y: y, U: 0.01})
	}
	m, err := trend.Fit(ps, trend.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%s of %.2f at day %.0f\n", m.Kind, m.Step, m.ChangeT)
	// Output: step of -0.10 at day 40
}

// A watch on the same quantity: an event every twelve hours, one false alarm in
// ten years.
func ExampleDesignCUSUM() {
	c, err := trend.DesignCUSUM(1, 0.02, 0.04, 10*365*2)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("a lasting loss of 0.04 is found in %.0f events on average\n", c.RunLength(-0.04, 0.02))
	// Output: a lasting loss of 0.04 is found in 5 events on average
}
