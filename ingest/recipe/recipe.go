// Package recipe says how readings are found in what other loggers and nodes
// give: tables of any dialect, JSON, MQTT topics of their own. A recipe is
// TOML, a file of its own or a section of the study file. [Read] checks all of
// it before anything is taken; nothing that it leaves open is guessed later.
//
// Packages table and message read files and MQTT messages by a recipe.
package recipe

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/payload"
	"greywatt/ingest/recipe/civil"
	"greywatt/ingest/recipe/quantity"
)

// A Recipe is where readings come from and what they mean. Once read it does
// not change.
type Recipe struct {
	Name     string
	Place    Place
	Time     Time
	File     *File // nil: not for files
	MQTT     *MQTT // nil: not for MQTT
	Channels []Channel
}

// A Ref names a column by its heading or, from 1, its number; the key of a long
// table; or a JSONPath.
type Ref struct {
	Name   string
	Number int // 0: by name
}

// String returns the name or number.
func (r Ref) String() string {
	if r.Number > 0 {
		return strconv.Itoa(r.Number)
	}
	return r.Name
}

// IsZero reports whether the ref is not stated.
func (r Ref) IsZero() bool { return r == Ref{} }

// A Place says which dwelling and node the readings are of.
type Place struct {
	Dwelling, Node         string // fixed; empty: from elsewhere
	DwellingFrom, NodeFrom Ref
	Dwellings              map[string]string // what the source calls them, to ids of the study
}

// A Time says where times are and what form they have.
type Time struct {
	From        []Ref // one, or a date and a time of day, which are joined with a blank
	Format      *civil.Format
	Zone        *time.Location // of local times
	NewestFirst bool
	Arrival     bool // the time at which a message came, where it states none
}

// A FileFormat is the kind of a file.
type FileFormat string

// The kinds of file.
const (
	CSV     FileFormat = "csv"  // text with a delimiter, or of columns
	JSON    FileFormat = "json" // an object or array a line
	Excel   FileFormat = "xlsx"
	Parquet FileFormat = "parquet"
)

// A File is the dialect of files.
type File struct {
	Format      FileFormat
	Encoding    string // of text; a name of [Encodings]
	Delimiter   byte
	Blanks      bool // any run of blanks separates columns; Delimiter is then a blank
	Decimal     byte // '.' or ','
	Thousands   byte // between groups of digits; 0: none
	Comment     string
	SkipLines   int
	Header      bool   // the first line after those skipped names the columns
	Sheet       string // of a workbook; empty: its first
	NameFrom    Ref    // of a long table: the column that says which channel
	ValueFrom   Ref    // of a long table: the column with the values
	Samples     string // JSONPath of the samples within a line of JSON; empty: the line is one
	UnitsInRow2 bool   // the line after the header holds units and is left out
}

// Long reports whether the table has a row for each value.
func (f *File) Long() bool { return !f.NameFrom.IsZero() }

// A Payload is what a message holds.
type Payload string

// The payloads.
const (
	Number Payload = "number" // one number and nothing else
	Text   Payload = "text"   // text with one number in it, such as 21.4 C
	Object Payload = "json"   // JSON, taken apart by paths
)

// An MQTT is where messages come from and what they hold.
type MQTT struct {
	Topics  []Topic
	Payload Payload
	Samples string // JSONPath of the samples within a message; empty: the message is one
}

// A Channel is what becomes of one column, path or topic.
type Channel struct {
	greywatt.Channel
	From           Ref
	Dwelling, Node string // where they differ from the place's

	Unit     quantity.Unit
	Scale    float64
	Offset   float64
	Invalid  []float64 // values that mean an error
	Missing  []string  // texts that mean no value, beside the empty one
	Resistor quantity.Resistor
	LeadOhm  float64
	Counter  *quantity.CounterLaw // of the raw value; nil: no counter
}

// IsMissing reports whether a text stands for no value.
func (c *Channel) IsMissing(text string) bool {
	return text == "" || slices.Contains(c.Missing, text)
}

// Convert turns a raw number into the channel's stored unit, and says why it
// cannot. It is not for counters, whose raw values go to a [quantity.Counter].
func (c *Channel) Convert(raw float64) (stored float64, reason ingest.Reason, detail string) {
	if reason, detail = c.checkRaw(raw); reason != "" {
		return 0, reason, detail
	}
	v := raw
	if c.Scale != 1 || c.Offset != 0 {
		v = quantity.Round(raw*c.Scale + c.Offset)
	}
	v = c.Unit.Convert(v)
	if c.Resistor != nil {
		if v = c.Resistor(v - c.LeadOhm); math.IsNaN(v) {
			return 0, ingest.AbsurdValue, fmt.Sprintf("%.6g Ω belong to no temperature of this sensor", raw*c.Scale+c.Offset)
		}
	}
	return c.plausible(raw, v)
}

func (c *Channel) plausible(raw, v float64) (float64, ingest.Reason, string) {
	if c.Plausible(v) {
		return v, "", ""
	}
	unit, span := "°C", "-30 to 120 °C"
	if c.IsFlow() {
		unit, span = "l/s", "-1 to 5 l/s"
	}
	return 0, ingest.AbsurdValue, fmt.Sprintf("%.6g becomes %.6g %s, outside %s; is the unit right?", raw, v, unit, span)
}

func (c *Channel) checkRaw(raw float64) (ingest.Reason, string) {
	if math.IsNaN(raw) || math.IsInf(raw, 0) {
		return ingest.NoNumber, "not a finite number"
	}
	if slices.Contains(c.Invalid, raw) {
		return ingest.ErrorCode, fmt.Sprintf("%g is stated to mean an error of the sensor", raw)
	}
	return "", ""
}

// Count turns a counter's raw value into the mean flow since the one before it.
// ok is false where there is none.
func (c *Channel) Count(counter *quantity.Counter, at greywatt.Instant, raw float64) (stored float64, ok bool, reason ingest.Reason, detail string) {
	if reason, detail = c.checkRaw(raw); reason != "" {
		return 0, false, reason, detail
	}
	flow, ok, why := counter.Next(c.Counter, int64(at), raw)
	if why != "" {
		return 0, false, ingest.BadCounter, why
	}
	if !ok {
		return 0, false, "", ""
	}
	v, reason, detail := c.plausible(raw, flow)
	return v, reason == "", reason, detail
}

// Resolve returns the study's id for what the source calls a dwelling.
func (p *Place) Resolve(name string) string {
	if id, ok := p.Dwellings[name]; ok {
		return id
	}
	return name
}

// A Topic is a pattern of topics: levels that are fixed, "+" for any, or named:
// {dwelling}, {node}, {channel}.
type Topic struct {
	pattern string
	levels  []string
}

// The named levels.
const (
	dwellingLevel = "{dwelling}"
	nodeLevel     = "{node}"
	channelLevel  = "{channel}"
)

// ParseTopic reads a pattern such as home/{dwelling}/{node}/state.
func ParseTopic(pattern string) (Topic, error) {
	t := Topic{pattern, strings.Split(pattern, "/")}
	if pattern == "" || strings.HasPrefix(pattern, "$") {
		return t, fmt.Errorf("topic %q: want levels such as home/{dwelling}/state; those that begin with $ belong to the broker", pattern)
	}
	seen := map[string]bool{}
	for _, level := range t.levels {
		switch {
		case level == dwellingLevel, level == nodeLevel, level == channelLevel:
			if seen[level] {
				return t, fmt.Errorf("topic %q has %s twice", pattern, level)
			}
			seen[level] = true
		case level == "+":
		case strings.ContainsAny(level, "{}+#\x00"):
			return t, fmt.Errorf("topic %q: %q is no level; want a word, +, %s, %s or %s", pattern, level, dwellingLevel, nodeLevel, channelLevel)
		}
	}
	return t, nil
}

// String returns the pattern.
func (t Topic) String() string { return t.pattern }

// Has reports whether the pattern names a level.
func (t Topic) Has(level string) bool { return slices.Contains(t.levels, "{"+level+"}") }

// Filter returns the MQTT topic filter of the pattern.
func (t Topic) Filter() string {
	levels := slices.Clone(t.levels)
	for i, l := range levels {
		if strings.HasPrefix(l, "{") {
			levels[i] = "+"
		}
	}
	return strings.Join(levels, "/")
}

// Match takes a topic apart. What the pattern does not name stays empty.
func (t Topic) Match(topic string) (dwelling, node, channel string, ok bool) {
	for i, want := range t.levels {
		level, rest, more := strings.Cut(topic, "/")
		if more != (i < len(t.levels)-1) {
			return "", "", "", false
		}
		topic = rest
		switch want {
		case dwellingLevel:
			dwelling = level
		case nodeLevel:
			node = level
		case channelLevel:
			channel = level
		case "+":
		default:
			if level != want {
				return "", "", "", false
			}
		}
	}
	return dwelling, node, channel, true
}

// OwnTopics reports whether the pattern would take topics under
// <prefix>/<dwelling>/<node>/senml or .../presence, which carry SenML.
func (t Topic) OwnTopics(prefix string) bool {
	for _, kind := range []payload.Kind{payload.SenML, payload.Presence} {
		if _, _, _, ok := t.Match(payload.Topic{Dwelling: "d", Node: "n", Kind: kind}.In(prefix)); ok {
			return true
		}
	}
	return false
}
