package commission_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"greywatt"
	"greywatt/analysis/commission"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/analysis/simulate"
)

// A sound unit passes on its first showers, one that does three quarters of its
// conductance fails or is not told, and swapped clamps are named before either.
func TestCommission(t *testing.T) {
	verdicts := map[string]map[commission.Verdict]int{}
	judge := func(name string, h *simulate.House) commission.Result {
		h.Days = 5
		study, events := eventsOf(h)
		c := commission.Judge(study, &study.Dwellings[0], 0, events, 5)
		if verdicts[name] == nil {
			verdicts[name] = map[commission.Verdict]int{}
		}
		verdicts[name][c.Verdict]++
		if c.Verdict != commission.CannotTell && math.IsNaN(c.Ratio) {
			t.Errorf("%s: %s without a ratio", name, c.Verdict)
		}
		return c
	}
	for seed := range uint64(12) {
		judge("sound", simulate.Faulty(simulate.Healthy, seed+1).Houses[0])
		judge("low", simulate.Faulty(simulate.LowFromStart, seed+1).Houses[0])
		judge("bypassed", sinceStart(simulate.Faulty(simulate.NoRecovery, seed+1).Houses[0]))
		if c := judge("swapped", simulate.Faulty(simulate.WasteSensorsSwapped, seed+1).Houses[0]); len(c.Findings) == 0 || c.Findings[0].Code != finding.WasteSensorsSwapped {
			t.Errorf("swapped clamps, seed %d: %+v", seed+1, c)
		}
	}
	t.Log(fmt.Sprint(verdicts))
	if v := verdicts["sound"]; v[commission.Fail] > 0 || v[commission.Pass] < 8 {
		t.Errorf("sound units: %v", v)
	}
	if v := verdicts["low"]; v[commission.Pass] > 0 || v[commission.Fail] < 6 {
		t.Errorf("units low from the start: %v", v)
	}
	if v := verdicts["bypassed"]; v[commission.Fail] < 12 {
		t.Errorf("bypassed units: %v", v)
	}
	if v := verdicts["swapped"]; v[commission.CannotTell] < 12 {
		t.Errorf("swapped clamps: %v", v)
	}
}

func sinceStart(h *simulate.House) *simulate.House {
	h.Faults[0].From = greywatt.Instant(0)
	return h
}

// eventsOf returns the events that the analysis finds in a simulated house.
func eventsOf(h *simulate.House) (*greywatt.Study, []event.Event) {
	study := &greywatt.Study{Timezone: h.Timezone, Dwellings: []greywatt.Dwelling{h.Dwelling}}
	a := event.NewAnalyser(study, &study.Dwellings[0])
	events := a.Push(slices.Collect(h.Frames(nil)))
	return study, append(events, a.Close()...)
}

// The age of the record is that of its first reading, not of the showers that are
// judged; and evidence and checks give one advice.
func TestAgeOfTheRecord(t *testing.T) {
	h := simulate.Faulty(simulate.LowFromStart, 3).Houses[0]
	h.Days = 40
	study, events := eventsOf(h)
	d := &study.Dwellings[0]
	begun, _ := h.Span()
	day := func(before int) greywatt.Date {
		at := begun.Time().AddDate(0, 0, -before)
		return greywatt.Date{Year: at.Year(), Month: at.Month(), Day: at.Day()}
	}
	for _, c := range []struct {
		before int
		dirt   bool // the record begins so late that dirt comes first
	}{{0, false}, {20, false}, {118, true}} {
		d.Commissioned = day(c.before)
		r := commission.Judge(study, d, begun, events[len(events)-20:], 5)
		if len(r.Findings) == 0 || r.Findings[0].Code != finding.LowFromStart {
			t.Fatalf("%s: findings %+v", r.Reason, r.Findings)
		}
		said := strings.Contains(r.Findings[0].Evidence, "the log begins")
		advised := strings.HasPrefix(r.Checks[0], "Clean ")
		if said != c.dirt || advised != c.dirt {
			t.Errorf("commissioned %d days before the record: evidence %q, first check %q", c.before, r.Findings[0].Evidence, r.Checks[0])
		}
	}
}
