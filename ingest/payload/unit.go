package payload

import (
	"fmt"
	"math"

	"greywatt"
)

// A unitConversion turns a value into the channel's stored unit.
type unitConversion uint8

const (
	noUnit unitConversion = iota
	asItIs
	fromKelvin
	fromCubicMetres // per second
)

// conversion returns how a value of the channel in a SenML unit (RFC 8428
// section 12.1) is stored, noUnit where the unit is not the channel's.
func conversion(c greywatt.Channel, unit []byte) unitConversion {
	if c.IsFlow() {
		switch string(unit) {
		case "l/s":
			return asItIs
		case "m3/s":
			return fromCubicMetres
		}
		return noUnit
	}
	switch string(unit) {
	case "Cel":
		return asItIs
	case "K":
		return fromKelvin
	}
	return noUnit
}

// apply converts v. What is computed is rounded to nine decimals, so that
// 310.65 K and 37.5 Cel are one value and not two that differ in the last bit.
func (u unitConversion) apply(v float64) float64 {
	switch u {
	case fromKelvin:
		return round9(v - 273.15)
	case fromCubicMetres:
		return round9(v * 1000)
	}
	return v
}

func round9(v float64) float64 { return math.Round(v*1e9) / 1e9 }

func wantUnit(c greywatt.Channel, unit []byte) string {
	found := quote(Excerpt(unit))
	if len(unit) == 0 {
		found = "missing"
	}
	want := "Cel or K"
	if c.IsFlow() {
		want = "m3/s or l/s"
	}
	return found + "; want " + want
}

func wantPlausible(c greywatt.Channel, v float64) string {
	if c.IsFlow() {
		return fmt.Sprintf("%.6g l/s is outside -1 to 5 l/s", v)
	}
	return fmt.Sprintf("%.6g Cel is outside -30 to 120 Cel", v)
}
