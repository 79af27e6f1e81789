package senml

import (
	"math"

	"greywatt"
)

// A Format is how packs are written.
type Format string

// The formats.
const (
	JSON Format = "json"
	CBOR Format = "cbor"
)

// Append appends one pack of frames to dst. base is the base name, such as
// "larch-04/n1/", of the characters that RFC 8428 section 4.5.1 allows, so that
// it needs no escaping. Channels without a reading are left out; at least one
// must have one. The first record carries base name, base time and base unit;
// flows have the unit m3/s, which section 12.1 prefers to l/s.
func (f Format) Append(dst []byte, base string, frames []Frame) []byte {
	records := recordsOf(frames)
	if len(records) == 0 {
		panic("senml: a pack has at least one record")
	}
	switch f {
	case JSON:
		return appendJSON(dst, base, records)
	case CBOR:
		return appendCBOR(dst, base, records)
	}
	panic("senml: no format " + string(f))
}

// A record is one reading on its way into a pack.
type record struct {
	base decimal // s since 1970; what the pack's times count from
	t    decimal // s since base
	name string
	unit string // empty: the base unit, Cel
	v    decimal
}

func recordsOf(frames []Frame) []record {
	var all []record
	var base int64
	for i := range frames {
		for c, v := range frames[i].Value {
			if v == Absent {
				continue
			}
			if len(all) == 0 {
				base = frames[i].AtMS
			}
			r := record{
				base: reduced(base, 3),
				t:    reduced(frames[i].AtMS-base, 3),
				name: greywatt.Channel(c).String(),
				v:    reduced(int64(v), 6),
			}
			if greywatt.Channel(c).IsFlow() {
				r.unit, r.v = "m3/s", reduced(int64(v), 9) // l/s to m3/s
			}
			all = append(all, r)
		}
	}
	return all
}

// A decimal is units / 10^places, without zeros at the end of the fraction.
type decimal struct {
	units  int64
	places int
}

func reduced(units int64, places int) decimal {
	for places > 0 && units%10 == 0 {
		units /= 10
		places--
	}
	return decimal{units, places}
}

// float returns the nearest float64: a quotient of two exact numbers, rounded
// once.
func (d decimal) float() float64 { return float64(d.units) / math.Pow10(d.places) }
