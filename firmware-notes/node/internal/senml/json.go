package senml

import (
	"fmt"
	"math"
	"strconv"
)

// appendJSON writes RFC 8428 section 5.
func appendJSON(dst []byte, base string, records []record) []byte {
	dst = append(dst, `[{`...)
	for i, r := range records {
		if i == 0 {
			dst = append(append(append(dst, `"bn":"`...), base...), `","bt":`...)
			dst = append(appendDecimal(dst, r.base), `,"bu":"Cel",`...)
		} else {
			dst = append(dst, `,{`...)
		}
		dst = append(append(append(dst, `"n":"`...), r.name...), '"')
		if r.unit != "" {
			dst = append(append(append(dst, `,"u":"`...), r.unit...), '"')
		}
		if r.t.units != 0 {
			dst = appendDecimal(append(dst, `,"t":`...), r.t)
		}
		dst = append(appendDecimal(append(dst, `,"v":`...), r.v), '}')
	}
	return append(dst, ']')
}

// appendDecimal writes the digits as they are, without going through a float.
func appendDecimal(dst []byte, d decimal) []byte {
	units := d.units
	if units < 0 {
		dst = append(dst, '-')
		units = -units
	}
	one := int64(math.Pow10(d.places))
	dst = strconv.AppendInt(dst, units/one, 10)
	if d.places > 0 {
		dst = fmt.Appendf(dst, ".%0*d", d.places, units%one)
	}
	return dst
}
