package finding

import (
	"math"
	"strings"
	"testing"

	"greywatt"
	"greywatt/analysis/event"
)

// With a share of the mains water through the unit and the rest round it the finding is no
// recovery, and the share is told. A weak unit is a weak one; one that conducts as little as such a share would make it
// seem is not sure to be. The showers are made by the effectiveness-NTU relation and mixing.
func TestRoundUnit(t *testing.T) {
	for _, c := range []greywatt.Connection{greywatt.ConnectionA, greywatt.ConnectionB, greywatt.ConnectionC} {
		for _, through := range []float64{0.125, 0.2} {
			d := newDiagnoserOf(record{connection: c, days: 40, perDay: 1.5, through: through})
			hs := d.weighStatic(d.showers, d.others, d.days)
			for _, h := range hs {
				if h.code == NoRecovery && math.Abs(h.round/through-1) > 0.03 {
					t.Errorf("%s: %.3f of the water goes through the unit, said to be %.3f", c, through, h.round)
				}
			}
			f := record{connection: c, days: 40, perDay: 1.5, through: through}.diagnose().Findings[0]
			if f.Code != NoRecovery {
				t.Errorf("%s, %.3f through the unit: want no-recovery, got%s", c, through, text([]Finding{f}))
			}
			if f.Confidence < sureEnough && !strings.Contains(f.Decide, "where it leaves the unit") {
				t.Errorf("%s, %.3f through the unit: the pipe behind it would decide, not%s", c, through, text([]Finding{f}))
			}
		}
		// at the bound of 12 % of the span, which only some of the showers are below, it is all of them
		for _, through := range []float64{0.118, 0.120, 0.122, 0.124, 0.126, 0.128, 0.130} {
			r := record{connection: c, days: 40, perDay: 1.5, through: through}
			_, events := r.events()
			if f := r.diagnose().Findings[0]; f.Code != NoRecovery || f.Since > events[2].Start {
				t.Errorf("%s, %.3f through the unit: want no-recovery since %s, got%s since %s", c, through, events[0].Start, text([]Finding{f}), f.Since)
			}
		}
		for conduct, sure := range map[float64]bool{0.75: true, 0.6: true, 0.15: false} {
			f := record{connection: c, days: 40, perDay: 1.5, conduct: func(float64) float64 { return conduct }}.diagnose().Findings[0]
			if sure && f.Code != LowFromStart && f.Code != ParallelFlow {
				t.Errorf("%s, a unit of %.2f: want low-from-start, got%s", c, conduct, text([]Finding{f}))
			}
			if !sure && f.Confidence > 0.95 {
				t.Errorf("%s, a unit of %.2f: sure without a reason:%s", c, conduct, text([]Finding{f}))
			}
		}
	}
}

func newDiagnoserOf(r record) *diagnoser {
	study, events := r.events()
	return newDiagnoser(study, &study.Dwellings[0], event.All(events))
}
