package finding

import (
	"math"
	"slices"
	"strings"
	"testing"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/health"
)

// Whatever is open or weak says what would decide it, and how much of it: the ways by which a
// record can end without an answer, each by a record that does.
func TestEveryOpenAnswerSaysWhatDecides(t *testing.T) {
	constant := func(x float64) func(float64) float64 { return func(float64) float64 { return x } }
	often := func(day float64) float64 {
		if math.Sin(97*day) > 0.6 {
			return 0.3
		}
		return 1
	}
	exchanged := func(es []event.Event) {
		for i := range es {
			es[i].WasteInC, es[i].PreheatOutC = es[i].PreheatOutC, es[i].WasteInC
		}
	}
	none := func(es []event.Event) {
		for i := range es {
			es[i].PreheatOutC = es[i].ColdInC - 5
		}
	}
	dead := func(c greywatt.Channel, how health.How) func(*health.Record, greywatt.Instant) {
		return func(r *health.Record, at greywatt.Instant) {
			r.Dead = []health.Dead{{Channel: c, How: how, From: at.Add(20 * day), To: at.Add(30 * day), Score: 0.7, Draws: 6}}
		}
	}
	open := map[Code]int{}
	for name, c := range map[string]struct {
		record
		events func([]event.Event)
		health func(*health.Record, greywatt.Instant)
	}{
		"no showers": {record: record{days: 0.1}}, "two showers": {record: record{days: 1.4}}, "five showers": {record: record{days: 3.4}},
		"clamps of both sides":           {record: record{days: 40}, events: exchanged},
		"past unit and meter":            {record: record{days: 40, passes: constant(0.2)}},
		"not what an exchanger does":     {record: record{days: 40}, events: none},
		"a meter that nothing checks":    {record: record{days: 60, meter: ramp(0, 60, -0.15)}},
		"its scale alone":                {record: record{days: 40, meter: constant(0.75)}},
		"its jump":                       {record: record{days: 60, meter: jump(30, -0.2)}},
		"balance and conductance":        {record: record{days: 60, conduct: jump(30, -0.06), lostHeat: func(d float64) float64 { return jump(30, -0.1)(d) - 1 }}},
		"a weak unit":                    {record: record{days: 40, conduct: constant(0.88)}},
		"a little dirt":                  {record: record{days: 60, conduct: ramp(15, 45, -0.08)}},
		"odd showers at the end":         {record: record{days: 20, conduct: jump(18.4, -0.3)}},
		"a clamp loose at the end":       {record: record{days: 20, contact: jump(17.5, -0.4)}},
		"a bypass without waste-out":     {record: record{days: 60, passes: often, unread: true}},
		"half of the water":              {record: record{days: 40, passes: constant(0.5)}},
		"another shower head and dirt":   {record: record{days: 40, drawsAt: jump(20, -0.35), conduct: ramp(10, 30, -0.15)}},
		"a frozen clamp, hardly":         {record: record{days: 60}, health: dead(greywatt.ColdIn, health.Frozen)},
		"a missing meter, hardly":        {record: record{days: 60}, health: dead(greywatt.WasteFlow, health.Missing)},
		"a railed clamp in a short time": {record: record{days: 22}, health: dead(greywatt.PreheatOut, health.Railed)},
		"a leak, hardly": {record: record{days: 60}, health: func(r *health.Record, at greywatt.Instant) {
			r.Leaks = []health.Leak{{From: at, To: at.Add(10 * day), Days: 10, FlowLMin: 0.05, UFlowLMin: 0.03, LitresDay: 72, ULitresDay: 40, Score: 0.6}}
		}},
	} {
		for seed, connection := range allConnections {
			r := c.record
			r.connection, r.perDay, r.seed = connection, 1.5, uint64(seed)
			study, events := r.events()
			if c.events != nil {
				c.events(events)
			}
			var of *health.Record
			if c.health != nil {
				of = &health.Record{}
				for p := range of.Channels {
					of.Channels[p].Drift.ChangeK = math.NaN()
				}
				c.health(of, events[0].Start)
			}
			dw := &study.Dwellings[0]
			found := Diagnose(study, dw, event.All(events), of).Findings
			if few, _, _ := DiagnoseFew(study, dw, 0, event.All(events[:min(len(events), 5)])); few != nil {
				found = slices.Concat(found, few)
			}
			for _, f := range found {
				if f.Code != Undecided && f.Confidence >= sureEnough {
					continue
				}
				open[f.Code]++
				if f.Decide == "" || strings.Contains(f.Decide, "NaN") || strings.Contains(f.Decide, "Inf") || !strings.ContainsAny(f.Decide, "123456789") {
					t.Errorf("%s, %s:%s", connection, name, text([]Finding{f}))
				}
				if strings.Contains(f.Evidence, "NaN") {
					t.Errorf("%s, %s: evidence:%s", connection, name, text([]Finding{f}))
				}
			}
		}
	}
	for _, code := range []Code{Undecided, Healthy, SensorDead, Leak} {
		if open[code] == 0 {
			t.Errorf("no %s was open or weak: %v", code, open)
		}
	}
	t.Logf("open or weak: %v", open)
}
