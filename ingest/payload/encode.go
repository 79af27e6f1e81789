package payload

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"

	"greywatt"
)

// EncodeJSON appends one JSON pack that holds readings of one node, in their
// order, to dst: base name, base time (whole seconds of the first reading), base
// unit Cel, then a record a reading. Decoding it gives the same readings, bit
// for bit.
//
// It returns an error where readings is empty or of several nodes, where the
// node's name is none in SenML, or where a value is NaN or infinite.
func EncodeJSON(dst []byte, readings []greywatt.Reading) ([]byte, error) {
	if err := checkEncodable(readings); err != nil {
		return dst, err
	}
	first := readings[0]
	base := wholeSeconds(first.At)
	dst = append(dst, `[{"bn":"`...)
	dst = append(dst, baseName(first)...)
	dst = append(dst, `","bt":`...)
	dst = strconv.AppendInt(dst, base, 10)
	dst = append(dst, `,"bu":"Cel",`...)
	for i, r := range readings {
		if i > 0 {
			dst = append(dst, ",{"...)
		}
		dst = append(dst, `"n":"`...)
		dst = append(dst, r.Channel.String()...)
		dst = append(dst, `",`...)
		if r.Channel.IsFlow() {
			dst = append(dst, `"u":"l/s",`...)
		}
		if us := int64(r.At) - base*1e6; us != 0 {
			dst = append(dst, `"t":`...)
			dst = appendMicros(dst, us)
			dst = append(dst, ',')
		}
		dst = append(dst, `"v":`...)
		dst = strconv.AppendFloat(dst, r.Value, 'g', -1, 64)
		dst = append(dst, '}')
	}
	return append(dst, ']'), nil
}

// EncodeCBOR is [EncodeJSON] for CBOR (RFC 8428 section 6): integer labels,
// each number in its shortest form.
func EncodeCBOR(dst []byte, readings []greywatt.Reading) ([]byte, error) {
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

func checkEncodable(readings []greywatt.Reading) error {
	if len(readings) == 0 {
		return errors.New("payload: no readings to encode; a pack has at least one record")
	}
	first := readings[0]
	for _, id := range []string{first.Dwelling, first.Node} {
		if err := CheckID(id); err != nil {
			return fmt.Errorf("payload: %w", err)
		}
	}
	if why := checkName(baseName(first) + first.Channel.String()); why != "" {
		return fmt.Errorf("payload: name %q %s", baseName(first), why)
	}
	for i, r := range readings {
		switch {
		case r.Dwelling != first.Dwelling || r.Node != first.Node:
			return fmt.Errorf("payload: reading %d is of %s/%s, the first of %s/%s; encode a pack for each node", i, r.Dwelling, r.Node, first.Dwelling, first.Node)
		case math.IsNaN(r.Value) || math.IsInf(r.Value, 0):
			return fmt.Errorf("payload: reading %d, %s at %s, is %v; leave it out", i, r.Channel, r.At, r.Value)
		}
	}
	return nil
}

func baseName(r greywatt.Reading) string { return r.Dwelling + "/" + r.Node + "/" }

// wholeSeconds rounds down, so that a base time and a small offset add up to
// the exact microsecond in float64.
func wholeSeconds(at greywatt.Instant) int64 { return int64(math.Floor(float64(at) / 1e6)) }

// appendMicros appends microseconds as decimal seconds.
func appendMicros(dst []byte, us int64) []byte {
	if us < 0 {
		dst = append(dst, '-')
		us = -us
	}
	dst = strconv.AppendInt(dst, us/1e6, 10)
	if us %= 1e6; us == 0 {
		return dst
	}
	dst = append(dst, '.')
	for unit := int64(1e5); us > 0; unit /= 10 {
		dst = append(dst, byte('0'+us/unit))
		us %= unit
	}
	return dst
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
