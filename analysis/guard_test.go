package analysis_test

import (
	"flag"
	"testing"

	"greywatt/analysis/event"
	"greywatt/analysis/monitor"
	"greywatt/analysis/simulate"
)

var years = flag.Int("years", 2, "simulated healthy dwelling-years in the guard's test")

// alarmsOf runs a guard over a house.
func alarmsOf(h *simulate.House) (alarms []monitor.Alarm, showers int) {
	study, events := eventsOf(h)
	var g monitor.Guard
	for i := range events {
		alarms = append(alarms, g.Add(study, &study.Dwellings[0], &events[i])...)
		if events[i].Kind == event.Shower {
			showers++
		}
	}
	return alarms, showers
}

// Healthy years in which season, habit and clamps drift raise at most one alarm
// in ten.
func TestGuardLeavesHealthyYearsAlone(t *testing.T) {
	n := 0
	for seed := range *years {
		alarms, showers := alarmsOf(simulate.Season(uint64(seed + 1)).Houses[0])
		n += len(alarms)
		t.Logf("year %d: %d showers, alarms %v", seed+1, showers, alarms)
	}
	if float64(n) > max(0.1*float64(*years), 0.5) {
		t.Errorf("%d false alarms in %d dwelling-years, want at most one in ten", n, *years)
	}
}

func TestGuardNoticesFaults(t *testing.T) {
	for _, c := range []struct {
		kind simulate.FaultKind
		what string
	}{{simulate.StepLoss, "conductance"}, {simulate.Fouling, "conductance"}} {
		for seed := range uint64(3) {
			h := simulate.Faulty(c.kind, seed+1).Houses[0]
			f := h.Faults[0]
			alarms, _ := alarmsOf(h)
			if len(alarms) == 0 {
				t.Errorf("%s, seed %d: no alarm for size %.2f", c.kind, seed+1, f.Size)
				continue
			}
			a := alarms[0]
			days := a.At.Sub(f.From) / 86400
			t.Logf("%s of %.2f: alarm %.1f days after its onset: %s", c.kind, f.Size, days, a.Evidence)
			if a.What != c.what || days < 0 {
				t.Errorf("%s, seed %d: first alarm %+v, %.1f days after the onset", c.kind, seed+1, a, days)
			}
			if c.kind == simulate.StepLoss && days > 3 {
				t.Errorf("step of %.2f noticed after %.1f days", f.Size, days)
			}
		}
	}
}

var halfYears = flag.Int("halfyears", 2, "simulated half-years of each course in the guard's tests")

// Mains water that cools or warms for half a year raises no alarm in a healthy
// unit, whatever law of temperature the unit has.
func TestGuardLeavesHalfYearsAlone(t *testing.T) {
	for _, course := range simulate.Courses {
		for seed := range *halfYears {
			h := simulate.HalfYear(course, *first+uint64(seed)).Houses[0]
			alarms, showers := alarmsOf(h)
			for _, a := range alarms {
				t.Errorf("%s, seed %d (%s, %s): after %.0f days: %s", course, seed, h.Dwelling.Connection, h.Physics.Model, a.At.Sub(h.Start.In(h.Timezone))/86400, a.Evidence)
			}
			if showers < 100 {
				t.Errorf("%s, seed %d: %d showers", course, seed, showers)
			}
		}
	}
}

// Dirt in the same half-years raises one before it has gone on for long: the law
// of temperature hides no more than it may be wrong by.
func TestGuardNoticesFoulingInHalfYears(t *testing.T) {
	missed, n := 0, 0
	for _, course := range simulate.Courses {
		for seed := range *halfYears {
			h := simulate.FouledHalfYear(course, *first+uint64(seed)).Houses[0]
			alarms, _ := alarmsOf(h)
			n++
			if len(alarms) == 0 {
				missed++
				t.Logf("%s, seed %d: no alarm for %+v", course, seed, h.Faults[0])
				continue
			}
			a := alarms[0]
			days := a.At.Sub(h.Faults[0].From) / 86400
			t.Logf("%s, seed %d (%s): fouling of %.2f: alarm %.0f days after its onset: %s", course, seed, h.Dwelling.Connection, h.Faults[0].Size, days, a.Evidence)
			if a.What != monitor.AlarmConductance || days < 0 {
				t.Errorf("%s, seed %d: first alarm %+v, %.0f days after the onset", course, seed, a, days)
			}
		}
	}
	if missed > n/5 {
		t.Errorf("%d of %d half-years of fouling raised no alarm", missed, n)
	}
}
