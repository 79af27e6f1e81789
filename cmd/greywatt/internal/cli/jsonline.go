package cli

import (
	"encoding/json"
	"io"
	"math"
	"strconv"

	"greywatt"
)

// A Known is a figure in JSON: null where it is not known.
type Known float64

// MarshalJSON writes six digits, more than any figure has.
func (v Known) MarshalJSON() ([]byte, error) {
	if f := float64(v); !math.IsNaN(f) && !math.IsInf(f, 0) {
		return strconv.AppendFloat(nil, f, 'g', 6, 64), nil
	}
	return []byte("null"), nil
}

// WriteJSONLine writes v as one line of JSON.
func WriteJSONLine(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	return e.Encode(v)
}

// KnownInstant is an instant in JSON, RFC 3339: null where it is zero.
func KnownInstant(at greywatt.Instant) *string {
	if at == 0 {
		return nil
	}
	s := at.String()
	return &s
}

// KnownText is a text in JSON: null where it is empty.
func KnownText[S ~string](s S) *string {
	if s == "" {
		return nil
	}
	t := string(s)
	return &t
}
