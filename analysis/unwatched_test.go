package analysis_test

import (
	"strings"
	"testing"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/analysis/simulate"
)

// A unit that is weak since its log began may have been fouled before it, unless
// it was new or clean not long before.
func TestWeakBeforeTheLog(t *testing.T) {
	h := simulate.Faulty(simulate.LowFromStart, 3).Houses[0]
	study, events := eventsOf(h)
	start, _ := h.Span()
	before := func(days int) greywatt.Date {
		day := start.Time().AddDate(0, 0, -days)
		return greywatt.Date{Year: day.Year(), Month: day.Month(), Day: day.Day()}
	}
	for _, c := range []struct {
		name         string
		commissioned greywatt.Date
		cleaned      []greywatt.Date
		want         string // in the evidence; "": not a word of it
	}{
		{"not known when taken into use", greywatt.Date{}, nil, ""},
		{"new", before(0), nil, ""},
		{"a month old", before(30), nil, ""},
		{"two years old", before(700), nil, "70"},
		{"cleaned a week before", before(700), []greywatt.Date{before(400), before(7)}, ""},
		{"cleaned a year before", before(700), []greywatt.Date{before(365)}, "cleaned on " + before(365).String()},
		{"cleaned in the log", before(700), []greywatt.Date{before(-40)}, "commissioned on " + before(700).String()},
	} {
		d := h.Dwelling
		d.Commissioned, d.Cleaned = c.commissioned, c.cleaned
		found := finding.Diagnose(study, &d, event.All(events), nil).Findings
		if found[0].Code != finding.LowFromStart {
			t.Fatalf("%s: %s: %s", c.name, found[0].Code, found[0].Evidence)
		}
		_, said, _ := strings.Cut(found[0].Evidence, "the log begins ")
		if (said != "") != (c.want != "") || !strings.Contains(said, c.want) {
			t.Errorf("%s: %s; want %q", c.name, found[0].Evidence, c.want)
		}
	}
}
