package analysis_test

import (
	"testing"
	"time"

	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/analysis/simulate"
)

// A unit that gets much better from one shower to the next was cleaned, or a
// valve was opened: its clamps are not to blame while both sides still agree
// about the heat.
func TestMendedUnitHasNoLooseClamp(t *testing.T) {
	cleaned := simulate.SlowUnit(1, 120, time.UTC).Houses[0] // by 55 % of its resistance
	for name, h := range map[string]*simulate.House{
		"cleaned":      cleaned,
		"valve closed": simulate.NewFlat(1, 21, time.UTC).Houses[0],
	} {
		study, events := eventsOf(h)
		for _, f := range finding.Diagnose(study, &study.Dwellings[0], event.All(events), nil).Findings {
			if f.Code == finding.SensorLoose {
				t.Errorf("%s: %s, %s", name, f.Code, f.Evidence)
			}
		}
	}
}
