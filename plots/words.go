package plots

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"greywatt"
	"greywatt/analysis/finding"
	"greywatt/plots/wording"
)

// unknown stands where a figure is not known.
const unknown = "not known"

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// fixed writes v with the given decimals. What has no place in a dwelling, 1e7
// and more, is written short.
func fixed(v float64, decimals int) string {
	if math.Abs(v) >= 1e7 {
		return wording.Signed(strconv.FormatFloat(v, 'g', 3, 64))
	}
	return wording.Fixed(v, decimals)
}

// plusMinus writes v ± u95 with the decimals that u95 is worth, at most three.
// Where u95 is not known v has the given decimals.
func plusMinus(v, u95 float64, decimals int) string {
	switch {
	case !finite(v):
		return unknown
	case !finite(u95) || u95 <= 0:
		return fixed(v, decimals)
	}
	decimals = wording.Decimals(u95, 3)
	return fixed(v, decimals) + " ± " + fixed(u95, decimals)
}

// withUnit appends a unit to a figure that is known.
func withUnit(s, unit string) string {
	if s == unknown || unit == "" {
		return s
	}
	return s + " " + unit
}

// length writes a stretch of time, as in "7 min 12 s".
func length(seconds float64) string {
	if !finite(seconds) {
		return unknown
	}
	return wording.Length(seconds)
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

// headline says a finding in a line, as in "Fouling since 3 May 2026, 97 %
// sure".
func headline(f finding.Finding, loc *time.Location) string {
	var s string
	switch f.Code {
	case finding.Healthy:
		s = "Healthy: does what its rating says"
	case finding.Undecided:
		s = "Undecided: too little evidence so far"
	default:
		s = wording.Capital(wording.Plain(f.Code))
	}
	if f.Since != 0 {
		s += " since " + f.Since.Time().In(loc).Format("2 January 2006")
	}
	if f.Code != finding.Undecided && f.Confidence > 0 && f.Confidence <= 1 {
		s += ", " + wording.Sure(f.Confidence)
	}
	return s
}
