package influx

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"greywatt"
)

// The measurements of this project; see README.md.
const (
	measurementReading  = "reading"
	measurementConflict = "conflict"
	measurementRejected = "set_aside"
	measurementPresence = "presence"
)

// fieldNames are the fields of measurement reading, by channel, with their
// units: as stored, so that nothing is lost by conversion.
var fieldNames = [greywatt.NumChannels]string{
	"waste_in_c", "waste_out_c", "cold_in_c", "preheat_out_c", "flow_l_s", "ambient_c", "waste_flow_l_s",
}

// A Point is one line of the line protocol: what was found at an instant.
type Point struct {
	Measurement string
	Tags        []Tag
	At          greywatt.Instant
	Fields      []Field
}

// A Tag is part of what identifies a point. Each combination of tags is a
// series, which costs the server memory for good: tag values must be few.
type Tag struct{ Key, Value string }

// A Field is a value of a point: a float64, int64, bool or string.
type Field struct {
	Key   string
	Value any
}

// stored reports whether a server can hold the value: NaN and infinities it
// cannot.
func (f Field) stored() bool {
	v, ok := f.Value.(float64)
	return !ok || !math.IsNaN(v) && !math.IsInf(v, 0)
}

// A Row is a frame of a dwelling; its values are those to be written.
type Row struct {
	Dwelling string
	greywatt.Frame
}

var (
	escapeMeasurement = strings.NewReplacer(",", `\,`, " ", `\ `)
	escapeKey         = strings.NewReplacer(",", `\,`, "=", `\=`, " ", `\ `)
	escapeString      = strings.NewReplacer(`\`, `\\`, `"`, `\"`)
)

// appendPoint appends a point's line. Fields that a server cannot hold are left
// out; without any field there is no line.
func appendPoint(b []byte, p *Point) ([]byte, error) {
	start := len(b)
	b = append(b, escapeMeasurement.Replace(p.Measurement)...)
	tags := slices.Clone(p.Tags)
	slices.SortFunc(tags, func(s, t Tag) int { return cmp.Compare(s.Key, t.Key) })
	for _, t := range tags {
		if t.Value == "" {
			continue // an empty tag and none are the same to a server
		}
		if err := checkTag(t.Value); err != nil {
			return b[:start], fmt.Errorf("tag %s of %s: %w", t.Key, p.Measurement, err)
		}
		b = append(b, ',')
		b = append(b, escapeKey.Replace(t.Key)...)
		b = append(b, '=')
		b = append(b, escapeKey.Replace(t.Value)...)
	}
	separator := byte(' ')
	for _, f := range p.Fields {
		if !f.stored() {
			continue
		}
		b = append(b, separator)
		separator = ','
		b = append(b, escapeKey.Replace(f.Key)...)
		b = append(b, '=')
		switch v := f.Value.(type) {
		case float64:
			b = appendFloat(b, v)
		case int64:
			b = strconv.AppendInt(b, v, 10)
			b = append(b, 'i')
		case bool:
			b = strconv.AppendBool(b, v)
		case string:
			b = append(b, '"')
			b = append(b, escapeString.Replace(strings.ToValidUTF8(v, "\uFFFD"))...)
			b = append(b, '"')
		default:
			panic(fmt.Sprintf("influx: field %s of %s is a %T; want float64, int64, bool or string", f.Key, p.Measurement, v))
		}
	}
	if separator == ' ' {
		return b[:start], nil
	}
	return appendTime(b, p.At), nil
}

// appendRow appends a row's line; without any value there is none.
func appendRow(b []byte, r *Row) []byte {
	start := len(b)
	b = append(b, measurementReading...)
	b = appendTag(b, ",dwelling=", r.Dwelling)
	b = appendTag(b, ",node=", r.Node)
	separator := byte(' ')
	for c, v := range r.Value {
		if math.IsNaN(v) {
			continue
		}
		b = append(b, separator)
		separator = ','
		b = append(b, fieldNames[c]...)
		b = append(b, '=')
		b = appendFloat(b, v)
	}
	if separator == ' ' {
		return b[:start]
	}
	return appendTime(b, r.At)
}

func appendTag(b []byte, key, value string) []byte {
	if value == "" {
		return b
	}
	b = append(b, key...)
	if strings.ContainsAny(value, ",= ") {
		value = escapeKey.Replace(value)
	}
	return append(b, value...)
}

// appendFloat appends the shortest text that is read back as v.
func appendFloat(b []byte, v float64) []byte { return strconv.AppendFloat(b, v, 'g', -1, 64) }

func appendTime(b []byte, at greywatt.Instant) []byte {
	b = append(b, ' ')
	b = strconv.AppendInt(b, int64(at), 10)
	return append(b, '\n')
}

// checkTag says what a tag's value must not be: the line protocol has no way to
// write a backslash at its end, or a line's end within.
func checkTag(value string) error {
	if strings.HasSuffix(value, `\`) || strings.ContainsFunc(value, unicode.IsControl) || !utf8.ValidString(value) {
		return fmt.Errorf("%q cannot be a tag: want UTF-8 without control characters, and no backslash at the end", value)
	}
	return nil
}
