package payload

import (
	"errors"
	"fmt"
	"math"
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
