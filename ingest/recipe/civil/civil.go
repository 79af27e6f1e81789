// Package civil reads times as loggers write them: Unix numbers, RFC 3339, a
// spreadsheet's day numbers, and local dates and times of a zone with summer
// time. Where a local time occurs twice, the order of the rows decides which is
// meant; where it never occurred it is refused.
package civil

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"greywatt"
	"greywatt/ingest/payload"
)

// A Format reads times of one form. It does not change.
type Format struct {
	name   string
	number func(v float64) float64 // to µs; nil: text
	tokens []token
	zoned  bool // the text states its own offset
}

// Unix formats: a number since 1970-01-01T00:00:00Z.
var numbers = map[string]func(float64) float64{
	"unix-s":  func(v float64) float64 { return v * 1e6 },
	"unix-ms": func(v float64) float64 { return v * 1e3 },
	"unix-us": func(v float64) float64 { return v },
	"unix-ns": func(v float64) float64 { return v / 1e3 },
}

const (
	rfc3339 = "rfc3339"
	excel   = "excel"
)

// excelEpochDays is how many days before 1970-01-01 the day 0 of spreadsheets
// lies, 1899-12-30, by which days from 1900-03-01 on are counted right (ECMA-376
// part 1, section 18.17.4.1).
const excelEpochDays = 25569

// ParseFormat returns the format with the given name, or that a pattern
// describes: YYYY or YY, MM or M, DD or D, hh or h, mm, ss, fff for the
// fraction of a second, AM for AM or PM, MON for a month's English short name,
// ZZZ for Z or an offset such as +01:00; any other character stands for itself.
func ParseFormat(name string) (*Format, error) {
	if n, ok := numbers[name]; ok {
		return &Format{name: name, number: n}, nil
	}
	switch name {
	case rfc3339:
		return &Format{name: name, zoned: true}, nil
	case excel:
		return &Format{name: name}, nil
	}
	f := &Format{name: name}
	given := [numFields]bool{}
	for rest := name; rest != ""; {
		t, n := nextToken(rest)
		rest = rest[n:]
		if t.field != literal {
			if given[t.field] {
				return nil, fmt.Errorf("time format %q has %s twice", name, fieldNames[t.field])
			}
			given[t.field] = true
		}
		f.tokens = append(f.tokens, t)
	}
	for _, want := range []field{year, month, day, hour, minute} {
		if !given[want] {
			return nil, fmt.Errorf("time format %q has no %s; write %s, or a pattern such as YYYY-MM-DD hh:mm:ss", name, fieldNames[want], strings.Join(FormatNames(), ", "))
		}
	}
	f.zoned = given[offset]
	return f, nil
}

// FormatNames returns the formats that have a name.
func FormatNames() []string {
	return []string{rfc3339, "unix-s", "unix-ms", "unix-us", "unix-ns", excel}
}

// String returns the name or pattern.
func (f *Format) String() string { return f.name }

// Local reports whether a time of this format needs a zone.
func (f *Format) Local() bool { return f.number == nil && !f.zoned }

type field uint8

const (
	literal field = iota
	year
	month
	day
	hour
	minute
	second
	fraction
	half // AM or PM
	offset
	numFields
)

var fieldNames = [numFields]string{"", "year (YYYY)", "month (MM)", "day (DD)", "hour (hh)", "minute (mm)", "second (ss)", "fraction (fff)", "AM or PM (AM)", "offset (ZZZ)"}

// A token is a field of the text, or a character between.
type token struct {
	field field
	least int // digits
	most  int
	text  byte // of a literal
	name  bool // of a month: its name
}

func nextToken(s string) (token, int) {
	for _, p := range []struct {
		text string
		t    token
	}{
		{"YYYY", token{field: year, least: 4, most: 4}}, {"YY", token{field: year, least: 2, most: 2}},
		{"MON", token{field: month, name: true}}, {"MM", token{field: month, least: 2, most: 2}}, {"M", token{field: month, least: 1, most: 2}},
		{"DD", token{field: day, least: 2, most: 2}}, {"D", token{field: day, least: 1, most: 2}},
		{"hh", token{field: hour, least: 2, most: 2}}, {"h", token{field: hour, least: 1, most: 2}},
		{"mm", token{field: minute, least: 2, most: 2}}, {"ss", token{field: second, least: 2, most: 2}},
		{"fff", token{field: fraction, least: 1, most: 9}}, {"AM", token{field: half}}, {"ZZZ", token{field: offset}},
	} {
		if strings.HasPrefix(s, p.text) {
			return p.t, len(p.text)
		}
	}
	return token{field: literal, text: s[0]}, 1
}

// A civilTime is a date and time of day without a zone.
type civilTime struct {
	value   [numFields]int
	nanos   int
	offsetS int
}

var months = [12]string{"jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"}

var errForm = errors.New("form")

// scan takes a text apart by the pattern.
func (f *Format) scan(text []byte) (c civilTime, err error) {
	pm := -1
	for _, t := range f.tokens {
		switch t.field {
		case literal:
			if len(text) == 0 || text[0] != t.text {
				return c, errForm
			}
			text = text[1:]
		case half:
			if len(text) < 2 || text[1]|0x20 != 'm' || text[0]|0x20 != 'a' && text[0]|0x20 != 'p' {
				return c, errForm
			}
			pm = 0
			if text[0]|0x20 == 'p' {
				pm = 12
			}
			text = text[2:]
		case offset:
			var n int
			if c.offsetS, n = scanOffset(text); n == 0 {
				return c, errForm
			}
			text = text[n:]
		default:
			if t.name {
				n := scanMonth(text)
				if n == 0 {
					return c, errForm
				}
				c.value[month] = n
				text = text[3:]
				continue
			}
			n, v := 0, 0
			for n < t.most && n < len(text) && text[n] >= '0' && text[n] <= '9' {
				v = v*10 + int(text[n]-'0')
				n++
			}
			if n < t.least {
				return c, errForm
			}
			text = text[n:]
			if t.field == fraction {
				for ; n < 9; n++ {
					v *= 10
				}
				c.nanos = v
				continue
			}
			if t.field == year && t.most == 2 {
				v += 2000
			}
			c.value[t.field] = v
		}
	}
	if len(text) > 0 {
		return c, errForm
	}
	if pm >= 0 {
		if c.value[hour] < 1 || c.value[hour] > 12 {
			return c, errors.New("the hour is none of a clock with AM and PM")
		}
		c.value[hour] = c.value[hour]%12 + pm
	}
	return c, nil
}

func scanMonth(text []byte) int {
	if len(text) < 3 {
		return 0
	}
	for i, m := range months {
		if text[0]|0x20 == m[0] && text[1]|0x20 == m[1] && text[2]|0x20 == m[2] {
			return i + 1
		}
	}
	return 0
}

// scanOffset reads Z, +hh, +hhmm or +hh:mm and returns its length, 0 where
// there is none.
func scanOffset(text []byte) (seconds, n int) {
	if len(text) > 0 && text[0]|0x20 == 'z' {
		return 0, 1
	}
	if len(text) < 3 || text[0] != '+' && text[0] != '-' {
		return 0, 0
	}
	two := func(i int) int {
		if len(text) < i+2 || text[i] < '0' || text[i] > '9' || text[i+1] < '0' || text[i+1] > '9' {
			return -1
		}
		return int(text[i]-'0')*10 + int(text[i+1]-'0')
	}
	h, m, n := two(1), 0, 3
	if h < 0 {
		return 0, 0
	}
	if len(text) > 3 && text[3] == ':' {
		m, n = two(4), 6
	} else if mm := two(3); mm >= 0 {
		m, n = mm, 5
	}
	if m < 0 || m > 59 || h > 18 {
		return 0, 0
	}
	seconds = h*3600 + m*60
	if text[0] == '-' {
		seconds = -seconds
	}
	return seconds, n
}

// seconds returns the civil time's distance from 1970-01-01 00:00 of the same
// clock.
func (c *civilTime) seconds() (int64, error) {
	v := &c.value
	if v[year] < 1970 || v[year] > 2200 || v[month] < 1 || v[month] > 12 || v[day] < 1 || v[day] > daysIn(v[year], v[month]) {
		return 0, errors.New("there is no such day")
	}
	if v[hour] > 23 || v[minute] > 59 || v[second] > 59 {
		return 0, errors.New("there is no such time of day")
	}
	// Days by the count of leap years, with the year beginning in March.
	y, m := int64(v[year]), int64(v[month])
	if m <= 2 {
		y--
		m += 12
	}
	days := 365*y + y/4 - y/100 + y/400 + (153*(m-3)+2)/5 + int64(v[day]) - 1 - 719468
	return days*86400 + int64(v[hour]*3600+v[minute]*60+v[second]), nil
}

func daysIn(y, m int) int {
	switch m {
	case 2:
		if y%4 == 0 && (y%100 != 0 || y%400 == 0) {
			return 29
		}
		return 28
	case 4, 6, 9, 11:
		return 30
	}
	return 31
}

// A Track remembers the last time of one series of rows, by which a local time
// that occurs twice is told. Its zero value has none.
type Track struct {
	seen bool
	last int64 // s since 1970, UTC
}

// A Reader reads the times of a file or of messages. Not for two goroutines.
type Reader struct {
	format      *Format
	zone        *time.Location
	newestFirst bool

	// The part of the zone around the last time: from known, without the days at
	// its ends, it is known that the offset is the only one.
	from, to int64
	offset   int64

	leant bool
}

// Follow makes the track that of a series which goes on as later says.
func (t *Track) Follow(later Track) {
	if later.seen {
		*t = later
	}
}

// NewReader returns a reader of times of a format; zone is that of local ones.
// newestFirst says that the rows go back in time.
func NewReader(f *Format, zone *time.Location, newestFirst bool) *Reader {
	if zone == nil {
		zone = time.UTC
	}
	return &Reader{format: f, zone: zone, newestFirst: newestFirst, from: math.MaxInt64, to: math.MinInt64}
}

// Leant reports whether a time was read that occurs twice, and so depended on the
// track.
func (r *Reader) Leant() bool { return r.leant }

// Read returns the instant that a text states. track is that of the series it
// belongs to, and remembers it.
func (r *Reader) Read(text []byte, track *Track) (greywatt.Instant, error) {
	f := r.format
	switch {
	case f.number != nil:
		v, ok := payload.Decimal(text)
		if !ok {
			return 0, fmt.Errorf("%q is not a number, and %s is wanted", text, f.name)
		}
		return r.fromNumber(v)
	case f.name == rfc3339:
		var t time.Time
		written := text
		if len(text) > 10 && text[10] == ' ' { // RFC 3339 section 5.6 allows it for readability
			written = append([]byte(nil), text...)
			written[10] = 'T'
		}
		if t.UnmarshalText(written) != nil {
			return 0, fmt.Errorf("%q is not RFC 3339 with a zone, such as 2026-01-12T06:30:00Z", text)
		}
		return greywatt.InstantOf(t), nil
	case f.name == excel:
		days, ok := payload.Decimal(text)
		if !ok || !(days > excelEpochDays && days < 150_000) {
			return 0, fmt.Errorf("%q is not a spreadsheet's day number", text)
		}
		us := int64(math.Round((days-excelEpochDays)*86400e3)) * 1000 // the number resolves about a tenth of a millisecond
		return r.local(us/1e6, us%1e6, track)
	}
	c, err := f.scan(text)
	if errors.Is(err, errForm) {
		return 0, fmt.Errorf("%q does not have the form %s", text, f.name)
	}
	var s int64
	if err == nil {
		s, err = c.seconds()
	}
	if err != nil {
		return 0, fmt.Errorf("%q: %w", text, err)
	}
	if f.zoned {
		return greywatt.Instant((s-int64(c.offsetS))*1e6 + int64(c.nanos/1000)), nil
	}
	return r.local(s, int64(c.nanos/1000), track)
}

// Number returns the instant that a number states, in one of the Unix formats.
func (r *Reader) Number(v float64) (greywatt.Instant, error) {
	if r.format.number == nil {
		return 0, fmt.Errorf("%v is a number, and the time has the form %s", v, r.format.name)
	}
	return r.fromNumber(v)
}

func (r *Reader) fromNumber(v float64) (greywatt.Instant, error) {
	us := r.format.number(v)
	if !(math.Abs(us) < 9e18) {
		return 0, fmt.Errorf("%v is no time in %s", v, r.format.name)
	}
	return greywatt.Instant(math.Round(us)), nil
}

// local turns seconds on the zone's clock into an instant.
func (r *Reader) local(s, us int64, track *Track) (greywatt.Instant, error) {
	if u := s - r.offset; u >= r.from && u < r.to {
		track.seen, track.last = true, u
		return greywatt.Instant(u*1e6 + us), nil
	}
	before, after := r.offsetAt(s-86400), r.offsetAt(s+86400)
	var found []int64
	for _, o := range []int64{max(before, after), min(before, after)} { // the larger offset is the earlier instant
		if u := s - o; r.offsetAt(u) == o && (len(found) == 0 || found[0] != u) {
			found = append(found, u)
		}
	}
	var u int64
	switch len(found) {
	case 0:
		return 0, fmt.Errorf("%s does not exist in %s: the clock was put forward over it", time.Unix(s, 0).UTC().Format("2006-01-02 15:04:05"), r.zone)
	case 1:
		u = found[0]
		r.remember(u)
	default:
		r.leant = true
		u = found[0]
		switch {
		case r.newestFirst && (!track.seen || found[1] <= track.last),
			!r.newestFirst && track.seen && u < track.last:
			u = found[1]
		}
	}
	track.seen, track.last = true, u
	return greywatt.Instant(u*1e6 + us), nil
}

func (r *Reader) offsetAt(unix int64) int64 {
	_, o := time.Unix(unix, 0).In(r.zone).Zone()
	return int64(o)
}

// remember notes the stretch around u in which the offset is the only one.
func (r *Reader) remember(u int64) {
	const margin = 2 * 86400
	t := time.Unix(u, 0).In(r.zone)
	start, end := t.ZoneBounds()
	r.from, r.to = math.MinInt64, math.MaxInt64
	if !start.IsZero() {
		r.from = start.Unix() + margin
	}
	if !end.IsZero() {
		r.to = end.Unix() - margin
	}
	r.offset = r.offsetAt(u)
}
