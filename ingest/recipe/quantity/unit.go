package quantity

import (
	"math"
	"strings"
)

// A Kind is what a unit measures.
type Kind uint8

// The kinds of unit.
const (
	Temperature Kind = iota + 1 // stored in °C
	Flow                        // volume flow, stored in l/s
	Volume                      // in litres; becomes a flow through a [Counter]
	Pulses                      // of a meter; become litres by its litres a pulse
	Resistance                  // in Ω; becomes a temperature through a [Resistor]
)

// Litres in a gallon, both exact: 231 cubic inches, and the Imperial gallon of
// the Units of Measurement Regulations 1995.
const (
	litresPerGallonUS = 3.785411784
	litresPerGallonUK = 4.54609
)

// A Unit turns a number into the unit of its kind.
type Unit struct {
	Name string // as this package writes it
	Kind Kind

	sub, mul, div float64 // stored = (v - sub) · mul / div
	exact         bool    // not to be rounded: one correctly rounded operation
}

// Convert returns v in the unit of its kind. What takes more than one operation
// is rounded to nine decimals, so that 310.65 K and 37.5 °C are one value.
func (u *Unit) Convert(v float64) float64 {
	x := (v - u.sub) * u.mul / u.div
	if u.exact {
		return x
	}
	return Round(x)
}

// Round rounds to nine decimals.
func Round(v float64) float64 { return math.Round(v*1e9) / 1e9 }

var units = []Unit{
	{"Cel", Temperature, 0, 1, 1, true},
	{"K", Temperature, 273.15, 1, 1, false},
	{"degF", Temperature, 32, 5, 9, false},
	{"l/s", Flow, 0, 1, 1, true},
	{"l/min", Flow, 0, 1, 60, true},
	{"l/h", Flow, 0, 1, 3600, true},
	{"ml/s", Flow, 0, 1, 1000, true},
	{"ml/min", Flow, 0, 1, 60_000, true},
	{"m3/s", Flow, 0, 1000, 1, false},
	{"m3/h", Flow, 0, 1000, 3600, false},
	{"gal_us/min", Flow, 0, litresPerGallonUS, 60, false},
	{"gal_uk/min", Flow, 0, litresPerGallonUK, 60, false},
	{"gal_us/h", Flow, 0, litresPerGallonUS, 3600, false},
	{"gal_uk/h", Flow, 0, litresPerGallonUK, 3600, false},
	{"l", Volume, 0, 1, 1, true},
	{"ml", Volume, 0, 1, 1000, true},
	{"m3", Volume, 0, 1000, 1, false},
	{"gal_us", Volume, 0, litresPerGallonUS, 1, false},
	{"gal_uk", Volume, 0, litresPerGallonUK, 1, false},
	{"pulse", Pulses, 0, 1, 1, true},
	{"Ohm", Resistance, 0, 1, 1, true},
	{"kOhm", Resistance, 0, 1000, 1, false},
}

// aliases are what else people write, in small letters and without blanks. A
// gallon without its country is none of them: the two differ by a fifth.
var aliases = map[string]string{
	"c": "Cel", "°c": "Cel", "degc": "Cel", "deg_c": "Cel", "celsius": "Cel", "cel": "Cel",
	"k": "K", "kelvin": "K", "f": "degF", "°f": "degF", "degf": "degF", "deg_f": "degF", "fahrenheit": "degF",
	"lps": "l/s", "l/sec": "l/s", "lpm": "l/min", "l/m": "l/min", "lph": "l/h", "l/hr": "l/h", "cbm/h": "m3/h",
	"m³/h": "m3/h", "m³/s": "m3/s", "m³": "m3", "cbm": "m3", "m^3": "m3", "m^3/h": "m3/h",
	"usgal/min": "gal_us/min", "usgpm": "gal_us/min", "gpm_us": "gal_us/min",
	"ukgal/min": "gal_uk/min", "impgal/min": "gal_uk/min", "gpm_uk": "gal_uk/min",
	"litre": "l", "liter": "l", "litres": "l", "liters": "l",
	"pulses": "pulse", "imp": "pulse", "count": "pulse", "counts": "pulse",
	"ω": "Ohm", "Ω": "Ohm", "ohms": "Ohm", "kω": "kOhm", "kohms": "kOhm",
}

// ParseUnit returns the unit with the given name: that of RFC 8428 section 12.1
// where it has one (Cel, K, l/s, m3/s, l, m3, Ohm), or a usual one of the trade.
// Case and blanks do not count.
func ParseUnit(name string) (Unit, bool) {
	plain := strings.ToLower(strings.ReplaceAll(name, " ", ""))
	if full, ok := aliases[plain]; ok {
		plain = strings.ToLower(full)
	}
	for _, u := range units {
		if strings.ToLower(u.Name) == plain {
			return u, true
		}
	}
	return Unit{}, false
}

// UnitNames returns the names of the units of the given kinds, all where none
// is given.
func UnitNames(kinds ...Kind) []string {
	var names []string
	for _, u := range units {
		if len(kinds) == 0 {
			names = append(names, u.Name)
		}
		for _, k := range kinds {
			if u.Kind == k {
				names = append(names, u.Name)
			}
		}
	}
	return names
}
