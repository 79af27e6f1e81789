package dataset

import (
	"math"
	"strconv"
	"strings"

	"greywatt"
)

// timeLayout is RFC 3339 with milliseconds, all of one length so that tools
// that guess a format from the first row are right about the last.
const timeLayout = "2006-01-02T15:04:05.000Z"

// A column is one column of a table of Rs: the only place that says its name,
// unit and meaning, for CSV, Parquet and the data package alike. Exactly one
// of text, at and number is set.
type column[R any] struct {
	name        string
	unit        string // UCUM; empty for texts and times
	description string
	required    bool     // never empty
	oneOf       []string // a text's possible values, where they are few

	text     func(R) string
	at       func(R) greywatt.Instant // zero: not known
	number   func(R) float64          // NaN: not known
	decimals int                      // of a number; 0: an integer
}

// cell returns the column's text of a row, empty where the value is not known.
func (c *column[R]) cell(r R) string {
	switch {
	case c.text != nil:
		return c.text(r)
	case c.at != nil:
		if at := c.at(r); at != 0 {
			return at.Time().Format(timeLayout)
		}
		return ""
	}
	return formatNumber(c.number(r), c.decimals)
}

// formatNumber writes v with a fixed number of decimals, without a negative
// zero, and nothing where v is NaN or infinite.
func formatNumber(v float64, decimals int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return ""
	}
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.HasPrefix(s, "-0") && strings.Trim(s, "-0.") == "" {
		return s[1:]
	}
	return s
}

// A field describes a column in the data package: Table Schema v1, and a unit.
type field struct {
	Name        string       `json:"name"`
	Type        fieldType    `json:"type"`
	Format      string       `json:"format,omitempty"`
	Unit        string       `json:"unit,omitempty"`
	Description string       `json:"description"`
	Constraints *constraints `json:"constraints,omitempty"`
}

// A fieldType is a type of Table Schema v1.
type fieldType string

const (
	typeString   fieldType = "string"
	typeDatetime fieldType = "datetime"
	typeInteger  fieldType = "integer"
	typeNumber   fieldType = "number"
)

type constraints struct {
	Required bool     `json:"required,omitempty"`
	Enum     []string `json:"enum,omitempty"`
}

func (c *column[R]) field() field {
	f := field{Name: c.name, Unit: c.unit, Description: c.description}
	switch {
	case c.text != nil:
		f.Type = typeString
	case c.at != nil:
		f.Type, f.Format = typeDatetime, "%Y-%m-%dT%H:%M:%S.%fZ"
	case c.decimals == 0:
		f.Type = typeInteger
	default:
		f.Type = typeNumber
	}
	if c.required || c.oneOf != nil {
		f.Constraints = &constraints{c.required, c.oneOf}
	}
	return f
}
