package main

import (
	"encoding/json"
	"io"
	"math"
	"strconv"

	"greywatt"
)

// A known is a figure in JSON: null where it is not known.
type known float64

// MarshalJSON writes six digits, more than any figure has.
func (v known) MarshalJSON() ([]byte, error) {
	if f := float64(v); !math.IsNaN(f) && !math.IsInf(f, 0) {
		return strconv.AppendFloat(nil, f, 'g', 6, 64), nil
	}
	return []byte("null"), nil
}

// writeJSONLine writes v as one line of JSON.
func writeJSONLine(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	return e.Encode(v)
}

// knownInstant is an instant in JSON, RFC 3339: null where it is zero.
func knownInstant(at greywatt.Instant) *string {
	if at == 0 {
		return nil
	}
	s := at.String()
	return &s
}

// knownText is a text in JSON: null where it is empty.
func knownText[S ~string](s S) *string {
	if s == "" {
		return nil
	}
	t := string(s)
	return &t
}
