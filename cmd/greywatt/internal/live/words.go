package live

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"greywatt"
	"greywatt/analysis/finding"
	"greywatt/ingest"
	"greywatt/plots/wording"
)

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// plusMinus writes v ± u95 as the charts do, without an uncertainty of which three
// decimals would show nothing.
func plusMinus(v, u95 float64, decimals int) string {
	if 0 < u95 && u95 < 0.0005 {
		return wording.Fixed(v, 3)
	}
	return wording.PlusMinus(v, u95, decimals, 3)
}

// length writes a stretch of time, from two days on in days.
func length(seconds float64) string {
	if s := math.Round(seconds); finite(s) && s >= 2*86400 {
		return count(int64(s)/86400, "day")
	}
	return wording.Length(seconds)
}

// count writes a number of things, as in "1 event" and "1 204 events".
func count[N int | int64](n N, thing string) string {
	if n != 1 {
		thing += "s"
	}
	return grouped(int64(n)) + " " + thing
}

// grouped writes a whole number with thin spaces between thousands.
func grouped(n int64) string {
	s := strconv.FormatInt(n, 10)
	for i := len(s) - 3; i > 0 && s[i-1] != '-'; i -= 3 {
		s = s[:i] + "\u202f" + s[i:]
	}
	return s
}

// A clock writes times for a reader in a place.
type clock struct {
	zone *time.Location
	now  time.Time
}

func (p *Page) clock() clock {
	zone := p.cfg.Study.Timezone
	if zone == nil {
		zone = time.UTC
	}
	return clock{zone: zone, now: p.cfg.Now().In(zone)}
}

// short writes a time by the minute, with as much of the date as it needs.
func (c clock) short(at greywatt.Instant) string {
	t := at.Time().In(c.zone)
	switch {
	case t.Format(time.DateOnly) == c.now.Format(time.DateOnly):
		return t.Format("15:04")
	case t.Year() == c.now.Year():
		return t.Format("2 Jan 15:04")
	}
	return t.Format("2 Jan 2006")
}

// second writes a time by the second, with the date where it is not today.
func (c clock) second(at greywatt.Instant) string {
	t := at.Time().In(c.zone)
	if t.Format(time.DateOnly) == c.now.Format(time.DateOnly) {
		return t.Format("15:04:05")
	}
	return t.Format("2 Jan 2006, 15:04:05")
}

func (c clock) date(at greywatt.Instant) string { return at.Time().In(c.zone).Format("2 January 2006") }

func (c clock) long(at greywatt.Instant) string {
	return at.Time().In(c.zone).Format("Monday 2 January 2006, 15:04")
}

// machine writes a time for the datetime attribute.
func machine(at greywatt.Instant) string { return at.Time().Format(time.RFC3339) }

// ago writes how long ago something was, by the minute.
func (c clock) ago(at greywatt.Instant) string {
	d := c.now.Sub(at.Time())
	switch {
	case d < time.Minute:
		return "moments"
	case d < time.Hour:
		return fmt.Sprintf("%d min", int(d.Minutes()))
	case d < 48*time.Hour:
		return fmt.Sprintf("%d h", int(d.Hours()))
	}
	return fmt.Sprintf("%d days", int(d.Hours()/24))
}

// headline says a finding in a line, as in "Fouling since 3 May 2026".
func (c clock) headline(f finding.Finding) string { return c.heading(f, "2 January 2006") }

// brief says it in less room, as in "Fouling since 3 May 2026" with the month cut
// to three letters.
func (c clock) brief(f finding.Finding) string { return c.heading(f, "2 Jan 2006") }

func (c clock) heading(f finding.Finding, layout string) string {
	switch f.Code {
	case finding.Healthy:
		return "Healthy"
	case finding.Undecided:
		return "Undecided"
	}
	s := wording.Capital(wording.Plain(f.Code))
	if f.Since != 0 {
		s += " since " + f.Since.Time().In(c.zone).Format(layout)
	}
	return s
}

// sure says a finding's confidence.
func sure(f finding.Finding) string {
	if f.Code == finding.Undecided || !(f.Confidence > 0 && f.Confidence <= 1) {
		return ""
	}
	return wording.Sure(f.Confidence)
}

// fault reports whether a finding is something to see to.
func fault(code finding.Code) bool { return code != finding.Healthy && code != finding.Undecided }

// sentences parts advice into its sentences.
func sentences(advice string) (out []string) {
	for _, s := range strings.SplitAfter(advice, ". ") {
		if s = strings.TrimSpace(s); s != "" {
			out = append(out, s)
		}
	}
	return out
}

var reasonWords = map[ingest.Reason]string{
	ingest.BadPayload:      "not SenML, or cut short",
	ingest.BadLabel:        "a label that must be understood and is not known",
	ingest.BadVersion:      "a SenML version that is not known",
	ingest.BadName:         "no name, or one with characters it must not have",
	ingest.UnknownChannel:  "no such channel",
	ingest.UnknownDwelling: "a dwelling that is not in the study",
	ingest.BadUnit:         "no unit, or not one of the channel's",
	ingest.NoNumber:        "no value, or not a number",
	ingest.AbsurdValue:     "a value that domestic water cannot have",
	ingest.BadTime:         "a time that cannot be read",
	ingest.FutureTime:      "a time in the future",
	ingest.BadColumn:       "a line with too few or too many fields",
	ingest.ErrorCode:       "a value by which the sensor reports an error",
	ingest.BadCounter:      "a counter that gives no flow",
	ingest.RetainedMessage: "a message that the broker had kept, without a time",
	ingest.ServerRefused:   "not taken by the server that was to have it",
	ingest.WrongTopic:      "another dwelling or node than its topic",
}

// reason says a reason in words.
func reason(r ingest.Reason) string {
	if s, ok := reasonWords[r]; ok {
		return s
	}
	return wording.Plain(r)
}
