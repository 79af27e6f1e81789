package senml

import (
	"encoding/binary"
	"math"
)

// The integer labels of RFC 8428, table 4.
const (
	labelBaseName = -2
	labelBaseTime = -3
	labelBaseUnit = -4
	labelName     = 0
	labelUnit     = 1
	labelValue    = 2
	labelTime     = 6
)

// Initial bytes of RFC 8949, section 3.
const (
	majorUnsigned = 0 << 5
	majorNegative = 1 << 5
	majorText     = 3 << 5
	majorArray    = 4 << 5
	majorMap      = 5 << 5
	tagFraction   = 6<<5 | 4 // decimal fraction, section 3.4.4
	halfFloat     = 7<<5 | 25
	singleFloat   = 7<<5 | 26
	doubleFloat   = 7<<5 | 27
)

// appendCBOR writes RFC 8428 section 6.
func appendCBOR(dst []byte, base string, records []record) []byte {
	dst = appendHead(dst, majorArray, uint64(len(records)))
	for i, r := range records {
		fields := uint64(2) // name and value
		if i == 0 {
			fields += 3
		}
		if r.unit != "" {
			fields++
		}
		if r.t.units != 0 {
			fields++
		}
		dst = appendHead(dst, majorMap, fields)
		if i == 0 {
			dst = appendText(appendInteger(dst, labelBaseName), base)
			dst = appendNumber(appendInteger(dst, labelBaseTime), r.base)
			dst = appendText(appendInteger(dst, labelBaseUnit), "Cel")
		}
		dst = appendText(appendInteger(dst, labelName), r.name)
		if r.unit != "" {
			dst = appendText(appendInteger(dst, labelUnit), r.unit)
		}
		if r.t.units != 0 {
			dst = appendNumber(appendInteger(dst, labelTime), r.t)
		}
		dst = appendNumber(appendInteger(dst, labelValue), r.v)
	}
	return dst
}

func appendHead(dst []byte, major byte, n uint64) []byte {
	switch {
	case n < 24:
		return append(dst, major|byte(n))
	case n < 1<<8:
		return append(dst, major|24, byte(n))
	case n < 1<<16:
		return binary.BigEndian.AppendUint16(append(dst, major|25), uint16(n))
	case n < 1<<32:
		return binary.BigEndian.AppendUint32(append(dst, major|26), uint32(n))
	}
	return binary.BigEndian.AppendUint64(append(dst, major|27), n)
}

func appendInteger(dst []byte, n int64) []byte {
	if n < 0 {
		return appendHead(dst, majorNegative, uint64(-1-n))
	}
	return appendHead(dst, majorUnsigned, uint64(n))
}

func appendText(dst []byte, s string) []byte {
	return append(appendHead(dst, majorText, uint64(len(s))), s...)
}

// appendNumber writes the first of integer, half float and single float that is
// exact, else a decimal fraction, or a double where that is shorter.
func appendNumber(dst []byte, d decimal) []byte {
	f := d.float()
	half, exact := halfOf(f)
	switch {
	case d.places == 0:
		return appendInteger(dst, d.units)
	case exact:
		return binary.BigEndian.AppendUint16(append(dst, halfFloat), half)
	case float64(float32(f)) == f:
		return binary.BigEndian.AppendUint32(append(dst, singleFloat), math.Float32bits(float32(f)))
	case d.units < 1<<32 && d.units >= -1<<32:
		dst = appendHead(append(dst, tagFraction), majorArray, 2)
		return appendInteger(appendInteger(dst, int64(-d.places)), d.units)
	}
	return binary.BigEndian.AppendUint64(append(dst, doubleFloat), math.Float64bits(f))
}

// halfOf returns the IEEE 754 binary16 that equals f, where there is a normal
// one: a sign, 5 bits of exponent with a bias of 15, 10 bits of fraction.
func halfOf(f float64) (half uint16, exact bool) {
	bits := math.Float64bits(f)
	sign, exponent, fraction := bits>>63, int(bits>>52&0x7ff)-1023, bits&(1<<52-1)
	if exponent < -14 || exponent > 15 || fraction&(1<<42-1) != 0 {
		return 0, false
	}
	return uint16(sign<<15 | uint64(exponent+15)<<10 | fraction>>42), true
}
