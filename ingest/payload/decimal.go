package payload

import (
	"bytes"
	"strconv"
)

// Decimal reads a number written in decimal digits, with a sign, a point and an
// exponent where it has them. What else a programming language takes for one, such
// as 1_0, 0x1p4 or inf, is no number in a file of readings.
func Decimal(text []byte) (float64, bool) {
	if len(text) == 0 || bytes.ContainsFunc(text, func(r rune) bool {
		return (r < '0' || r > '9') && r != '.' && r != '-' && r != '+' && r != 'e' && r != 'E'
	}) {
		return 0, false
	}
	v, err := strconv.ParseFloat(string(text), 64)
	return v, err == nil
}
