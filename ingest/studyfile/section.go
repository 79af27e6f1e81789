package studyfile

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/pelletier/go-toml/v2"

	"greywatt"
	"greywatt/ingest/suggest"
)

// A section is one table being read. It remembers which keys were asked for:
// any other is unknown.
type section struct {
	file  *reader
	t     *tomlTable
	path  string // of the table, empty for the file's root
	asked []string
}

func (f *reader) section(t *tomlTable, path string) *section {
	return &section{file: f, t: t, path: path}
}

// key returns the path of a key of this table.
func (s *section) key(name string) string {
	if s.path == "" {
		return name
	}
	return s.path + "." + name
}

func (s *section) has(name string) bool { return s.t.values[name] != nil }

// lineOf returns the line of a key, or of the table where it has none such.
func (s *section) lineOf(name string) int {
	if v := s.t.values[name]; v != nil {
		return v.line
	}
	return s.t.line
}

func (s *section) mistake(name, what, remedy string) {
	s.file.mistake(s.lineOf(name), s.key(name), what, remedy)
}

// require notes a missing key, unless it may be in a part that was not read.
func (s *section) require(name, remedy string) {
	s.note(name, func(k *Key) { k.Required = true })
	if s.file.partial && (name == "id" || name == "connection" || name == "rated") {
		return
	}
	if !s.has(name) && !s.t.damaged {
		s.mistake(name, "missing", remedy)
	}
}

// value returns the key's value, nil where there is none.
func (s *section) value(name string) *tomlValue {
	if !slices.Contains(s.asked, name) {
		s.asked = append(s.asked, name)
	}
	v := s.t.values[name]
	if v == nil || v.is == nil { // nil: its mistake is already known
		return nil
	}
	return v
}

// finish names the keys that nobody asked for.
func (s *section) finish() {
	for _, name := range slices.Sorted(maps.Keys(s.t.values)) {
		if slices.Contains(s.asked, name) {
			continue
		}
		remedy := "known here: " + strings.Join(s.asked, ", ")
		if near, ok := suggest.Nearest(strings.ToLower(name), s.asked); ok {
			remedy = "did you mean " + near + "?"
		}
		s.file.mistake(s.lineOf(name), s.key(strconv.Quote(name)), "unknown key", remedy)
	}
}

func (s *section) wrongType(name, want string, v *tomlValue) {
	remedy := "write " + want
	if _, isText := v.is.(string); isText && want == "a number" {
		remedy = "leave out the quotes and any unit"
	}
	s.mistake(name, fmt.Sprintf("want %s, got %s", want, typeName(v.is)), remedy)
}

func typeName(v any) string {
	switch v := v.(type) {
	case string:
		return fmt.Sprintf("the text %q", v)
	case int64, float64, bool:
		return fmt.Sprint(v)
	case toml.LocalDate:
		return "the date " + v.String()
	case toml.LocalDateTime, time.Time, toml.LocalTime:
		return "a time of day"
	case *tomlTable:
		return "a table"
	default:
		return "a list"
	}
}

// text returns a string that keeps the rule, or the default.
func (s *section) text(name, or string, rule textRule) string {
	s.note(name, func(k *Key) { k.Type, k.Default, k.Range = "text", quoted(or), rule.want })
	v := s.value(name)
	if v == nil {
		return or
	}
	is, ok := v.is.(string)
	switch {
	case !ok:
		s.wrongType(name, "a text in quotes", v)
	case !rule.ok(is):
		s.mistake(name, fmt.Sprintf("%q: want %s", is, rule.want), rule.remedy)
	default:
		return is
	}
	return or
}

// A bound is a range of numbers, both ends inclusive.
type bound struct {
	lo, hi float64
	remedy string
}

func between(lo, hi float64, remedy string) bound { return bound{lo, hi, remedy} }

// number returns a number within the bound, or the default.
func (s *section) number(name string, or float64, b bound) float64 {
	s.note(name, func(k *Key) {
		k.Type, k.Default, k.Range = "number", figure(or), fmt.Sprintf("%g to %g", b.lo, b.hi)
	})
	v := s.value(name)
	if v == nil {
		return or
	}
	var is float64
	switch n := v.is.(type) {
	case int64:
		is = float64(n)
	case float64:
		is = n
	default:
		s.wrongType(name, "a number", v)
		return or
	}
	if !(is >= b.lo && is <= b.hi) { // so that NaN fails too
		s.mistake(name, fmt.Sprintf("%g is not within %g to %g", is, b.lo, b.hi), b.remedy)
		return or
	}
	return is
}

// date returns a day, given as a TOML date or as text of that form, or zero.
func (s *section) date(name string) greywatt.Date {
	s.note(name, func(k *Key) { k.Type, k.Range = "date", "such as 2026-01-12" })
	v := s.value(name)
	if v == nil {
		return greywatt.Date{}
	}
	const remedy = "write the day only, such as 2026-01-12"
	var day greywatt.Date
	switch is := v.is.(type) {
	case toml.LocalDate:
		day = greywatt.Date{Year: is.Year, Month: time.Month(is.Month), Day: is.Day}
	case string:
		t, err := time.Parse(time.DateOnly, is)
		if err != nil {
			s.mistake(name, fmt.Sprintf("%q is not a date", is), remedy)
			return greywatt.Date{}
		}
		day = greywatt.Date{Year: t.Year(), Month: t.Month(), Day: t.Day()}
	default:
		s.mistake(name, "want a date, got "+typeName(v.is), remedy)
		return greywatt.Date{}
	}
	if day.Year < 1990 || day.Year > 2200 {
		s.mistake(name, fmt.Sprintf("%s is not within the years 1990 to 2200", day), "correct the year")
		return greywatt.Date{}
	}
	return day
}

func (s *section) timezone(name string) *time.Location {
	zone := s.text(name, defaultTimezone, anyText)
	s.note(name, func(k *Key) { k.Range = "a name of the IANA time zone database" })
	loc, err := time.LoadLocation(zone)
	if err != nil || zone == "" || zone == "Local" {
		s.mistake(name, fmt.Sprintf("no time zone %q", zone), `use a name of the IANA time zone database, such as "Europe/Dublin"`)
		return time.UTC
	}
	return loc
}

// table returns the table under the key, an empty one where there is none.
func (s *section) table(name string) *section {
	v := s.value(name)
	empty := newTable(s.t.line)
	empty.damaged = s.t.damaged
	if v == nil {
		return s.file.section(empty, s.key(name))
	}
	t, ok := v.is.(*tomlTable)
	if !ok {
		s.mistake(name, "want one table, got "+typeName(v.is), fmt.Sprintf("write [%s], with single brackets", plainPath(s.key(name))))
		empty.damaged = true
		return s.file.section(empty, s.key(name))
	}
	return s.file.section(t, s.key(name))
}

// tables returns the tables that the key lists.
func (s *section) tables(name string) []*section {
	v := s.value(name)
	if v == nil {
		return nil
	}
	list, ok := v.is.([]*tomlValue)
	if !ok {
		s.mistake(name, "want a list of tables, got "+typeName(v.is), fmt.Sprintf("write [[%s]], with double brackets", plainPath(s.key(name))))
		return nil
	}
	var sections []*section
	for i, item := range list {
		t, ok := item.is.(*tomlTable)
		if !ok {
			if item.is != nil {
				s.file.mistake(item.line, s.key(name), "want a table, got "+typeName(item.is), fmt.Sprintf("write [[%s]] and keys below it", plainPath(s.key(name))))
			}
			continue
		}
		sections = append(sections, s.file.section(t, fmt.Sprintf("%s[%s]", s.key(name), label(t, i))))
	}
	return sections
}

// isEmptyList reports whether the key holds a list without entries.
func (s *section) isEmptyList(name string) bool {
	v := s.value(name)
	if v == nil {
		return false
	}
	list, ok := v.is.([]*tomlValue)
	return ok && len(list) == 0
}

// label names a listed table for people: by what identifies it, else by its
// place, from 1.
func label(t *tomlTable, i int) string {
	for _, name := range []string{"id", "channel"} {
		if v := t.values[name]; v != nil {
			if is, ok := v.is.(string); ok && is != "" && len(is) <= 64 {
				return strings.Trim(strconv.Quote(is), `"`)
			}
		}
	}
	return strconv.Itoa(i + 1)
}

// plainPath drops the labels from a path: dwelling[x].sensor is dwelling.sensor.
func plainPath(path string) string {
	var plain strings.Builder
	depth := 0
	for _, r := range path {
		switch r {
		case '[':
			depth++
		case ']':
			depth--
		default:
			if depth == 0 {
				plain.WriteRune(r)
			}
		}
	}
	return plain.String()
}
