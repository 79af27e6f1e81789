package simulate

// Density, kg/m³, and specific heat, J/(kg K), of liquid water at 0.1 MPa, every
// 5 °C from 0 °C, evaluated from the equations of IAPWS SR6-08(2011).
var (
	densityGrid = [...]float64{
		999.8424, 999.9660, 999.7019, 999.1020, 998.2065, 997.0470, 995.6488,
		994.0327, 992.2158, 990.2123, 988.0345, 985.6925, 983.1953,
	}
	heatGrid = [...]float64{
		4219.32, 4204.92, 4195.14, 4188.55, 4184.19, 4181.45, 4179.90,
		4179.27, 4179.36, 4180.04, 4181.23, 4182.86, 4184.90,
	}
	enthalpyGrid = integrate(heatGrid[:], 5)
)

// integrate returns the running integral of y by the trapezium rule, which is
// exact for the piecewise linear heat capacity used here.
func integrate(y []float64, step float64) []float64 {
	sum := make([]float64, len(y))
	for i := 1; i < len(y); i++ {
		sum[i] = sum[i-1] + step*(y[i-1]+y[i])/2
	}
	return sum
}

// place returns the interval of the grid that holds t °C, clamped to its ends,
// and the fraction of the way through it.
func place(t float64) (int, float64) {
	i := min(max(int(t/5), 0), len(densityGrid)-2)
	return i, t/5 - float64(i)
}

// density returns kg/m³ at t °C, 0 to 60, within 0.05 kg/m³ of SR6-08.
func density(t float64) float64 {
	i, f := place(t)
	return densityGrid[i] + f*(densityGrid[i+1]-densityGrid[i])
}

// specificHeat returns J/(kg K) at t °C, 0 to 60, within 2 J/(kg K) of SR6-08.
func specificHeat(t float64) float64 {
	i, f := place(t)
	return heatGrid[i] + f*(heatGrid[i+1]-heatGrid[i])
}

// enthalpy returns J/kg above 0 °C at t °C: the integral of [specificHeat].
func enthalpy(t float64) float64 {
	i, f := place(t)
	return enthalpyGrid[i] + 5*f*(heatGrid[i]+f/2*(heatGrid[i+1]-heatGrid[i]))
}

// massFlow returns kg/s for a volume flow in l/min at t °C.
func massFlow(lMin, t float64) float64 { return lMin / 60e3 * density(t) }
