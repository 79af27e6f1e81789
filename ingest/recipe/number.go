package recipe

import (
	"strconv"
	"unsafe"
)

// maxExact is the largest whole number below which all are a float64.
const maxExact = 1 << 53

var pow10 = [...]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22}

// ParseNumber reads a decimal number with the given decimal sign and, unless it
// is 0, sign between groups of digits. Groups must have three digits, so that a
// sign taken for the wrong one does not make 215 of 21.5. The result is
// correctly rounded.
func ParseNumber(text []byte, decimal, thousands byte) (float64, bool) {
	// A whole number below 2^53 over a power of ten up to 10^22 is one correctly
	// rounded division (W. D. Clinger, PLDI 1990).
	var mantissa uint64
	i, digits, after, group := 0, 0, -1, -1
	negative := false
	if i < len(text) && (text[i] == '-' || text[i] == '+') {
		negative = text[i] == '-'
		i++
	}
	for ; i < len(text); i++ {
		switch c := text[i]; {
		case c >= '0' && c <= '9':
			if mantissa >= maxExact/10-1 {
				return slowNumber(text, decimal, thousands)
			}
			mantissa = mantissa*10 + uint64(c-'0')
			digits++
			if after >= 0 {
				after++
			}
			if group >= 0 {
				group++
			}
		case c == decimal && after < 0 && (group < 0 || group == 3):
			after, group = 0, -1
		case c == thousands && thousands != 0 && after < 0 && digits > 0 && (group == 3 || group < 0 && digits <= 3):
			group = 0
		case c == 'e' || c == 'E':
			return slowNumber(text, decimal, thousands)
		default:
			return 0, false
		}
	}
	if digits == 0 || group >= 0 && group != 3 || after >= len(pow10) {
		return 0, false
	}
	v := float64(mantissa)
	if after > 0 {
		v /= pow10[after]
	}
	if negative {
		v = -v
	}
	return v, true
}

// slowNumber reads what has many digits or an exponent.
func slowNumber(text []byte, decimal, thousands byte) (float64, bool) {
	plain := make([]byte, 0, 64)
	digits, group, whole := 0, -1, true
	for _, c := range text {
		switch {
		case c >= '0' && c <= '9':
			digits++
			if group >= 0 {
				group++
			}
		case c == decimal:
			c, whole = '.', false
			if group >= 0 && group != 3 {
				return 0, false
			}
			group = -1
		case c == thousands && thousands != 0:
			if !whole || digits == 0 || group >= 0 && group != 3 || group < 0 && digits > 3 {
				return 0, false
			}
			group = 0
			continue
		case c == '-' || c == '+':
		case c == 'e' || c == 'E':
			whole = false
		default:
			return 0, false
		}
		plain = append(plain, c)
	}
	if group >= 0 && group != 3 || len(plain) == 0 {
		return 0, false
	}
	v, err := strconv.ParseFloat(unsafe.String(&plain[0], len(plain)), 64)
	return v, err == nil
}
