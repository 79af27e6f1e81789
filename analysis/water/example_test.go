package water_test

import (
	"fmt"

	"greywatt/analysis/water"
)

// Nine litres a minute, preheated from 10 °C to 25 °C.
func ExampleHeatRate() {
	fmt.Printf("%.2f kW\n", water.HeatRate(9.0/60, 10, 25)/1000)
	// Output: 9.42 kW
}
