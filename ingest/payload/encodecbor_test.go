package payload

import (
	"encoding/binary"
	"math"
	"slices"

	"greywatt"
)

// encodePackCBOR is [EncodeJSON] for CBOR (RFC 8428 section 6): integer labels,
// each number in its shortest form.
func encodePackCBOR(dst []byte, readings []greywatt.Reading) ([]byte, error) {
	if err := checkEncodable(readings); err != nil {
		return dst, err
	}
	first := readings[0]
	base := wholeSeconds(first.At)
	dst = appendHead(dst, majorArray, uint64(len(readings)))
	for i, r := range readings {
		us := int64(r.At) - base*1e6
		fields := 2 // n and v
		if i == 0 {
			fields += 3
		}
		if r.Channel.IsFlow() {
			fields++
		}
		if us != 0 {
			fields++
		}
		dst = appendHead(dst, majorMap, uint64(fields))
		if i == 0 {
			dst = appendText(appendKey(dst, labelBaseName), baseName(r))
			dst = appendNumber(appendKey(dst, labelBaseTime), float64(base))
			dst = appendText(appendKey(dst, labelBaseUnit), "Cel")
		}
		dst = appendText(appendKey(dst, labelName), r.Channel.String())
		if r.Channel.IsFlow() {
			dst = appendText(appendKey(dst, labelUnit), "l/s")
		}
		if us != 0 {
			dst = appendNumber(appendKey(dst, labelTime), float64(us)/1e6)
		}
		dst = appendNumber(appendKey(dst, labelValue), r.Value)
	}
	return dst, nil
}

func appendHead(dst []byte, major byte, n uint64) []byte {
	major <<= 5
	switch {
	case n < 24:
		return append(dst, major|byte(n))
	case n <= math.MaxUint8:
		return append(dst, major|24, byte(n))
	case n <= math.MaxUint16:
		return binary.BigEndian.AppendUint16(append(dst, major|25), uint16(n))
	case n <= math.MaxUint32:
		return binary.BigEndian.AppendUint32(append(dst, major|26), uint32(n))
	}
	return binary.BigEndian.AppendUint64(append(dst, major|27), n)
}

func appendText(dst []byte, s string) []byte {
	return append(appendHead(dst, majorText, uint64(len(s))), s...)
}

func appendKey(dst []byte, l label) []byte {
	key := firstCBORKey + slices.Index(cborLabels[:], l)
	return appendInt(dst, int64(key))
}

func appendInt(dst []byte, v int64) []byte {
	if v < 0 {
		return appendHead(dst, majorNegative, uint64(-1-v))
	}
	return appendHead(dst, majorUint, uint64(v))
}

// appendNumber appends v as an integer or float, whichever is shorter, without
// loss.
func appendNumber(dst []byte, v float64) []byte {
	if v == math.Trunc(v) && math.Abs(v) < 1<<53 && !(v == 0 && math.Signbit(v)) {
		return appendInt(dst, int64(v))
	}
	if h, ok := toHalf(v); ok {
		return binary.BigEndian.AppendUint16(append(dst, majorSimple<<5|25), h)
	}
	if f := float32(v); float64(f) == v {
		return binary.BigEndian.AppendUint32(append(dst, majorSimple<<5|26), math.Float32bits(f))
	}
	return binary.BigEndian.AppendUint64(append(dst, majorSimple<<5|27), math.Float64bits(v))
}

// toHalf returns the binary16 that is v, where there is a normal one.
func toHalf(v float64) (h uint16, ok bool) {
	frac, exp := math.Frexp(math.Abs(v)) // v = frac · 2^exp, frac in [0.5, 1)
	if exp < -13 || exp > 16 {
		return 0, false
	}
	m := math.Ldexp(frac, 11)                       // 1024 to 2047 where v fits
	if m != math.Trunc(m) || m < 1024 || m > 2047 { // m is 0 or infinite where v is
		return 0, false
	}
	h = uint16(exp+14)<<10 | uint16(m)&0x3ff
	if v < 0 {
		h |= 0x8000
	}
	return h, true
}
