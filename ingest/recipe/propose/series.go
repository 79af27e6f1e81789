package propose

import (
	"math"
	"regexp"
	"slices"
	"strings"

	"greywatt"
	"greywatt/ingest/recipe/quantity"
)

// A series is a numeric column in the order of time.
type series struct {
	name, ref string
	values    []float64 // NaN where a row has none
	codes     []float64 // values far from all others that come again

	lo, hi, mid      float64 // without the codes
	n                int
	fromHeading      *quantity.Unit
	headingScale     float64
	rises            bool    // never falls, and rises at times, as a counter does
	still            float64 // share of rows that repeat the one before
	zeros            float64
	channel          greywatt.Channel
	taken            bool
	notes            []note
	running, resting float64 // means of the temperature, of draws after a minute
	lowInDraws       float64 // a low value while water runs
}

// sensorCodes are what common sensors and transmitters give on a fault.
var sensorCodes = []float64{85, -127, -999, -9999, 9999, 999, 327.67, -3276.8, 3276.7, 32767, -32768, 65535, 850, 127}

func newSeries(name, ref string, values []float64) *series {
	s := &series{name: name, ref: ref, values: values}
	s.fromHeading, s.headingScale = unitInHeading(name)
	s.measure()
	for _, code := range sensorCodes {
		if k := s.count(code); k > 0 && k < s.n/2 && (code > s.quantile(0.98)+15 || code < s.quantile(0.02)-15) {
			s.codes = append(s.codes, code)
		}
	}
	if len(s.codes) > 0 {
		for i, v := range s.values {
			if slices.Contains(s.codes, v) {
				s.values[i] = math.NaN()
			}
		}
		s.measure()
	}
	return s
}

func (s *series) count(code float64) (n int) {
	for _, v := range s.values {
		if v == code {
			n++
		}
	}
	return n
}

func (s *series) quantile(q float64) float64 {
	var all []float64
	for _, v := range s.values {
		if v == v {
			all = append(all, v)
		}
	}
	slices.Sort(all)
	return all[int(q*float64(len(all)-1))]
}

func (s *series) measure() {
	s.lo, s.hi, s.n = math.Inf(1), math.Inf(-1), 0
	falls, ups, stays, zeros, last := 0, 0, 0, 0, math.NaN()
	for _, v := range s.values {
		if v != v {
			continue
		}
		s.n++
		s.lo, s.hi = min(s.lo, v), max(s.hi, v)
		if v == 0 {
			zeros++
		}
		switch {
		case v < last:
			falls++
		case v > last:
			ups++
		case v == last:
			stays++
		}
		last = v
	}
	if s.n == 0 {
		return
	}
	s.mid = s.quantile(0.5)
	s.zeros = float64(zeros) / float64(s.n)
	s.still = float64(stays) / float64(s.n)
	s.rises = ups > 3 && falls*200 <= s.n && falls*10 < ups && s.hi > s.lo && (s.lo > 0 || ups > s.n/10) && s.counts()
}

// counts reports whether a series that only rises is more than a pipe that warms
// up: its heading says so, it stands still at times, or it goes on for long.
func (s *series) counts() bool {
	const some, long = 30, 200 // rows
	if u := s.fromHeading; u != nil && (u.Kind == quantity.Volume || u.Kind == quantity.Pulses) {
		return true
	}
	if u := s.fromHeading; u != nil {
		return s.n >= long
	}
	return s.n >= some && s.still > 0.1 || s.n >= long
}

var word = regexp.MustCompile(`[°Ωµ³]*[A-Za-z³][A-Za-z0-9³^/_]*`)

// unitInHeading finds a unit among the words of a heading, the last ones first.
// A single small letter is none: it may be a sensor's name.
func unitInHeading(name string) (*quantity.Unit, float64) {
	var words []string
	if i := strings.LastIndexAny(name, "[("); i >= 0 {
		words = append(words, strings.Trim(name[i:], "[]() "))
	}
	if i := strings.IndexRune(name, '°'); i >= 0 {
		words = append(words, "°"+strings.Trim(name[i+len("°"):], "[]() "))
	}
	lower := strings.ToLower(name)
	for suffix, unit := range map[string]string{"_c": "Cel", "_degc": "Cel", "_f": "degF", "_k": "K", "_l_min": "l/min", "_lpm": "l/min", "_l_s": "l/s", "_l_h": "l/h", "_m3_h": "m3/h", "_ohm": "Ohm", "_pulses": "pulse", "_m3": "m3", "_litres": "l"} {
		if strings.HasSuffix(lower, suffix) {
			words = append(words, unit)
		}
	}
	for _, w := range word.FindAllString(name, -1) {
		if len(w) > 2 {
			words = append(words, w)
		}
	}
	for _, w := range words {
		if u, ok := quantity.ParseUnit(w); ok {
			return &u, 1
		}
	}
	return nil, 1
}

func (s *series) take(c greywatt.Channel, why string, doubt bool) {
	s.taken, s.channel = true, c
	s.notes = append(s.notes, note{"channel", quoted(c.String()), why, doubt}, note{"from", s.ref, "", false})
}

func (s *series) say(key, value, why string, doubt bool) {
	s.notes = append(s.notes, note{key, value, why, doubt})
}

// falling reports whether the number falls while the temperature rises, as of a
// thermistor in ohms.
func (s *series) falling() bool {
	return s.fromHeading != nil && s.fromHeading.Kind == quantity.Resistance && s.mid > 1500
}

func (s *series) whole() bool {
	for _, v := range s.values {
		if v == v && v != math.Trunc(v) {
			return false
		}
	}
	return true
}
