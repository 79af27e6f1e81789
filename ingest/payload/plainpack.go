package payload

import (
	"math"
	"strconv"
)

// plainPack reads a JSON pack that holds nothing but what nodes usually send:
// objects of the fields n, u, v, t and their bases, texts of printable ASCII
// without escapes, numbers. It reports false where there is anything else, even
// blanks before the pack's end that JSON does not know; then nothing of the pack
// has been taken, and the general reader takes it. What it does take is what the
// general reader would have made of it, faults of the records included.
func (d *Decoder) plainPack(src []byte) (done bool) {
	i := skipBlanks(src, 0)
	if i >= len(src) || src[i] != '[' {
		return false
	}
	r := &d.rec
	for {
		start := skipBlanks(src, i+1)
		if start >= len(src) || src[start] != '{' {
			return false
		}
		if d.full() {
			return true
		}
		r.reset()
		i = start
		for {
			// A field: its label, of one or two bytes, and its value.
			i = skipBlanks(src, i+1)
			if i+5 >= len(src) || src[i] != '"' {
				return false
			}
			l, size := plainLabel(src[i+1:])
			if size == 0 {
				return false
			}
			i = skipBlanks(src, i+2+size)
			if i >= len(src) || src[i] != ':' {
				return false
			}
			i = skipBlanks(src, i+1)
			if i >= len(src) {
				return false
			}
			r.give(l)
			if textLabels.has(l) {
				if src[i] != '"' {
					return false
				}
				from := i + 1
				for i = from; i < len(src) && plainText[src[i]]; i++ {
				}
				if i >= len(src) || src[i] != '"' {
					return false
				}
				r.text[l] = src[from:i]
				i++
			} else {
				v, end := plainNumber(src, i)
				if end == i {
					return false
				}
				r.number[l], i = v, end
			}
			i = skipBlanks(src, i)
			if i >= len(src) {
				return false
			}
			if src[i] != ',' {
				break
			}
		}
		if src[i] != '}' {
			return false
		}
		i++
		if !d.take(src[start:i]) {
			return true
		}
		i = skipBlanks(src, i)
		if i >= len(src) {
			return false
		}
		if src[i] == ',' {
			continue
		}
		return src[i] == ']' && skipBlanks(src, i+1) == len(src)
	}
}

// undo forgets what plainPack has taken of a pack that it then left alone.
func (d *Decoder) undo() {
	d.readings, d.rejected = d.readings[:d.marks.readings], d.rejected[:d.marks.rejected]
	d.records, d.newest, d.relative = 0, math.NaN(), false
	clear(d.suppressed)
	d.base.clear()
	d.names.rebase()
}

func skipBlanks(src []byte, i int) int {
	for i < len(src) && isBlank(src[i]) {
		i++
	}
	return i
}

// plainLabel returns the label at the beginning of text and how long it is with
// its closing quote left out; 0: it is none of the usual ones.
func plainLabel(text []byte) (label, int) {
	if text[1] == '"' {
		switch text[0] {
		case 'n':
			return labelName, 1
		case 'u':
			return labelUnit, 1
		case 'v':
			return labelValue, 1
		case 't':
			return labelTime, 1
		}
		return 0, 0
	}
	if text[0] == 'b' && text[2] == '"' {
		switch text[1] {
		case 'n':
			return labelBaseName, 2
		case 't':
			return labelBaseTime, 2
		case 'u':
			return labelBaseUnit, 2
		case 'v':
			return labelBaseValue, 2
		}
	}
	return 0, 0
}

// plainText has the bytes that stand for themselves in a JSON text.
var plainText = func() (is [256]bool) {
	for c := ' '; c < 0x7f; c++ {
		is[c] = c != '"' && c != '\\'
	}
	return is
}()

// exactPowers of ten are those that a float64 holds exactly.
var exactPowers = [...]float64{1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22}

// plainNumber reads the JSON number (RFC 8259, section 6) at src[i] and returns
// its value and end; the end is i where there is none.
func plainNumber(src []byte, i int) (v float64, end int) {
	from := i
	if src[i] == '-' {
		i++
	}
	digits, mantissa := i, uint64(0)
	for ; i < len(src) && src[i]-'0' <= 9; i++ {
		mantissa = mantissa*10 + uint64(src[i]-'0')
	}
	whole := i - digits
	if whole == 0 || whole > 1 && src[digits] == '0' {
		return 0, from
	}
	decimals := 0
	if i < len(src) && src[i] == '.' {
		point := i
		for i++; i < len(src) && src[i]-'0' <= 9; i++ {
			mantissa = mantissa*10 + uint64(src[i]-'0')
		}
		if decimals = i - point - 1; decimals == 0 {
			return 0, from
		}
	}
	simple := whole+decimals <= 15 // the digits are below 2^53, and so is the power of ten: the division rounds once
	if i < len(src) && (src[i] == 'e' || src[i] == 'E') {
		simple = false
		i++
		if i < len(src) && (src[i] == '+' || src[i] == '-') {
			i++
		}
		exponent := i
		for i < len(src) && src[i]-'0' <= 9 {
			i++
		}
		if i == exponent {
			return 0, from
		}
	}
	if i < len(src) && inWord(src[i]) {
		return 0, from // such as 1.2.3
	}
	if !simple {
		v, _ = strconv.ParseFloat(string(src[from:i]), 64) // out of range is infinite, as in the general reader
		return v, i
	}
	v = float64(mantissa) / exactPowers[decimals]
	if src[from] == '-' {
		v = -v
	}
	return v, i
}
