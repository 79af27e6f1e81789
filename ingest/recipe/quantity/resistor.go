package quantity

import (
	"fmt"
	"math"
)

// A Resistor turns a resistance in Ω into a temperature in °C; NaN where there
// is none.
type Resistor func(ohm float64) (celsius float64)

// Coefficients of IEC 60751:2008, section 4.2, for platinum resistance sensors, from
// memory; a test holds them to values of the standard's table.
const (
	platinumA = 3.9083e-3  // 1/°C
	platinumB = -5.775e-7  // 1/°C²
	platinumC = -4.183e-12 // 1/°C⁴, below 0 °C
)

// Platinum returns the law of a sensor with r0 ohms at 0 °C (100 for Pt100,
// 1000 for Pt1000), by IEC 60751, for -200 °C to 850 °C.
func Platinum(r0 float64) Resistor {
	return func(ohm float64) float64 {
		w := ohm / r0
		disc := platinumA*platinumA - 4*platinumB*(1-w)
		if !(w > 0) || disc < 0 {
			return math.NaN()
		}
		t := (-platinumA + math.Sqrt(disc)) / (2 * platinumB)
		if w < 1 {
			// The quartic term below 0 °C, by Newton's method; three steps reach the last digit.
			for range 6 {
				f := 1 + t*(platinumA+t*(platinumB+t*platinumC*(t-100))) - w
				t -= f / (platinumA + t*(2*platinumB+t*platinumC*(4*t-300)))
			}
		}
		if !(t >= -200 && t <= 850) {
			return math.NaN()
		}
		return Round(t)
	}
}

const (
	kelvin       = 273.15
	thermistorAt = 25 + kelvin // K, at which a thermistor's resistance is stated
)

// Beta returns the law of a thermistor with r25 ohms at 25 °C and the constant
// b in K: 1/T = 1/T25 + ln(R/R25)/b.
func Beta(r25, b float64) Resistor {
	return func(ohm float64) float64 {
		if !(ohm > 0) {
			return math.NaN()
		}
		return fromKelvin(1/thermistorAt + math.Log(ohm/r25)/b)
	}
}

// SteinhartHart returns the law of a thermistor by J. S. Steinhart and
// S. R. Hart, Deep-Sea Research 15 (1968) 497-503: 1/T = a + b ln R + c (ln R)³,
// R in Ω and T in K.
func SteinhartHart(a, b, c float64) Resistor {
	return func(ohm float64) float64 {
		if !(ohm > 0) {
			return math.NaN()
		}
		l := math.Log(ohm)
		return fromKelvin(a + l*(b+c*l*l))
	}
}

func fromKelvin(inverse float64) float64 {
	if !(inverse > 0) {
		return math.NaN()
	}
	return Round(1/inverse - kelvin)
}

// CheckThermistor says what is wrong with constants of a thermistor: a law must
// fall with the resistance, and put 1 kΩ to 1 MΩ on this side of absurd at some
// point between -50 °C and 150 °C.
func CheckThermistor(r Resistor) error {
	colder, hotter := math.NaN(), math.NaN()
	for ohm := 100.0; ohm <= 1e6; ohm *= 1.25 {
		t := r(ohm)
		if t >= -50 && t <= 150 {
			if hotter != hotter {
				hotter = t
			}
			colder = t
		}
	}
	if !(hotter > colder) {
		return fmt.Errorf("no temperature between -50 °C and 150 °C belongs to any resistance from 100 Ω to 1 MΩ, or it rises with the resistance")
	}
	return nil
}
