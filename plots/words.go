package plots

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"greywatt"
	"greywatt/analysis"
)

// unknown stands where a figure is not known.
const unknown = "not known"

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// fixed writes v with the given decimals and a true minus sign, never as
// minus nought. What has no place in a dwelling, 1e7 and more, is written
// short.
func fixed(v float64, decimals int) string {
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if math.Abs(v) >= 1e7 {
		s = strconv.FormatFloat(v, 'g', 3, 64)
	}
	if s, negative := strings.CutPrefix(s, "-"); negative {
		if strings.Trim(s, "0.") == "" {
			return s
		}
		return "−" + s
	}
	return s
}

// plusMinus writes v ± u95. The uncertainty gets one digit, or two where the
// first is 1 or 2, and the value as many decimals, at most three; JCGM 100,
// 7.2.6 allows no more than two digits. Where u95 is not known v has the given
// decimals.
func plusMinus(v, u95 float64, decimals int) string {
	switch {
	case !finite(v):
		return unknown
	case !finite(u95) || u95 <= 0:
		return fixed(v, decimals)
	}
	exp := math.Floor(math.Log10(u95))
	digits := -int(exp)
	if u95/math.Pow(10, exp) < 2.95 {
		digits++
	}
	digits = min(max(digits, 0), 3)
	return fixed(v, digits) + " ± " + fixed(u95, digits)
}

// withUnit appends a unit to a figure that is known.
func withUnit(s, unit string) string {
	if s == unknown || unit == "" {
		return s
	}
	return s + " " + unit
}

// count writes a number of things, as in "1 event" and "12 events".
func count(n int, thing string) string {
	if n != 1 {
		thing += "s"
	}
	return fmt.Sprintf("%d %s", n, thing)
}

// length writes a stretch of time, as in "7 min 12 s".
func length(seconds float64) string {
	if !finite(seconds) {
		return unknown
	}
	s := int64(math.Round(seconds))
	switch {
	case s < 60:
		return fmt.Sprintf("%d s", s)
	case s < 3600 && s%60 == 0:
		return fmt.Sprintf("%d min", s/60)
	case s < 3600:
		return fmt.Sprintf("%d min %d s", s/60, s%60)
	}
	return fmt.Sprintf("%d h %d min", s/3600, s%3600/60)
}

// zone names the time zone at t, as in "IST, UTC+1".
func zone(t time.Time) string {
	name, offset := t.Zone()
	sign := "+"
	if offset < 0 {
		sign, offset = "−", -offset
	}
	if offset == 0 {
		return name
	}
	utc := fmt.Sprintf("UTC%s%d", sign, offset/3600)
	if m := offset % 3600 / 60; m != 0 {
		utc += fmt.Sprintf(":%02d", m)
	}
	if strings.HasPrefix(name, "+") || strings.HasPrefix(name, "-") {
		return utc
	}
	return name + ", " + utc
}

// when writes the local time of a span, as in "Tuesday 14 July 2026, 07:12:31
// to 07:20:05 (IST, UTC+1)".
func when(from, to greywatt.Instant, loc *time.Location) string {
	a, b := from.Time().In(loc), to.Time().In(loc)
	s := a.Format("Monday 2 January 2006, 15:04:05")
	end := b.Format("15:04:05")
	if a.YearDay() != b.YearDay() {
		end = b.Format("Monday 2 January, 15:04:05")
	}
	if zone(a) != zone(b) {
		return fmt.Sprintf("%s (%s) to %s (%s)", s, zone(a), end, zone(b))
	}
	return fmt.Sprintf("%s to %s (%s)", s, end, zone(a))
}

// dates writes the local dates of a span, as in "2 March to 30 June 2026".
func dates(from, to greywatt.Instant, loc *time.Location) string {
	a, b := from.Time().In(loc), to.Time().In(loc)
	switch {
	case a.Year() != b.Year():
		return a.Format("2 January 2006") + " to " + b.Format("2 January 2006")
	case a.YearDay() != b.YearDay():
		return a.Format("2 January") + " to " + b.Format("2 January 2006")
	}
	return b.Format("2 January 2006")
}

// plain writes a name of the vocabulary as words.
func plain[S ~string](s S) string { return strings.ReplaceAll(string(s), "-", " ") }

// sentence ends s with a full stop and starts it with a capital.
func sentence(s string) string {
	s = strings.TrimSpace(s)
	if s == "" {
		return ""
	}
	r := []rune(s)
	s = strings.ToUpper(string(r[:1])) + string(r[1:])
	if strings.ContainsRune(".!?…", r[len(r)-1]) {
		return s
	}
	return s + "."
}

// headline says a finding in a line, as in "Fouling since 3 May 2026, 97 %
// sure".
func headline(f analysis.Finding, loc *time.Location) string {
	var s string
	switch f.Code {
	case analysis.Healthy:
		s = "Healthy: does what its rating says"
	case analysis.Undecided:
		s = "Undecided: too little evidence so far"
	default:
		s = strings.TrimSuffix(sentence(plain(f.Code)), ".")
	}
	if f.Since != 0 {
		s += " since " + f.Since.Time().In(loc).Format("2 January 2006")
	}
	if f.Code != analysis.Undecided && f.Confidence > 0 && f.Confidence <= 1 {
		s += fmt.Sprintf(", %s %% sure", fixed(100*math.Min(f.Confidence, 0.99), 0))
	}
	return s
}
