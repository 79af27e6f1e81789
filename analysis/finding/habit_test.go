package finding

import (
	"slices"
	"strings"
	"testing"

	"greywatt"
	"greywatt/analysis/event"
)

// Other people, or another shower head, from one day on: the conductance is that of the
// unit (effectiveness-NTU of counterflow at the new flows, Kays and London, from memory), so that the unit is healthy as before,
// and dirt or a sudden loss is found beside it. A unit that follows the flow otherwise than its certificate, by the
// power 0.08, which is about what published laws of unequal flow differ by over such a change, stays healthy too.
func TestHabitIsNoFault(t *testing.T) {
	degrees := func(k float64) func(float64) float64 {
		return func(day float64) float64 { return jump(45, k)(day) - 1 }
	}
	for name, want := range map[string]struct {
		record
		code  Code
		least float64
		words string
	}{
		"less":                      {record{drawsAt: jump(45, -0.35)}, Healthy, 0.9, "less water, which is people's habit"},
		"more":                      {record{drawsAt: jump(45, 0.4)}, Healthy, 0.9, ""},
		"less, by another law":      {record{drawsAt: jump(45, -0.35), flowLaw: 0.08}, Healthy, 0.8, "people's habit"},
		"less, by the other law":    {record{drawsAt: jump(45, -0.35), flowLaw: -0.08}, Healthy, 0.8, "people's habit"},
		"little by little":          {record{drawsAt: ramp(20, 50, -0.35)}, Healthy, 0.9, ""},
		"hotter":                    {record{warmer: degrees(3)}, Healthy, 0.9, ""},
		"cooler":                    {record{warmer: degrees(-3)}, Healthy, 0.9, ""},
		"less and cooler":           {record{drawsAt: jump(45, -0.35), warmer: degrees(-2)}, Healthy, 0.9, "people's habit"},
		"less, and dirt":            {record{drawsAt: jump(45, -0.35), conduct: ramp(30, 45, -0.25)}, Fouling, 0.9, "people's habit"},
		"more, and dirt":            {record{drawsAt: jump(45, 0.4), conduct: ramp(30, 45, -0.25)}, Fouling, 0.9, ""},
		"a loss, and less later on": {record{drawsAt: jump(60, -0.35), conduct: jump(30, -0.2)}, StepLoss, 0.9, "people's habit"},
	} {
		for seed, c := range allConnections {
			r := want.record
			r.connection, r.days, r.perDay, r.seed = c, 90, 1.5, uint64(seed)
			d := r.diagnose()
			if f := d.Findings[0]; f.Code != want.code || f.Confidence < want.least || !strings.Contains(f.Evidence, want.words) {
				t.Errorf("%s, %s: want %s with %.2f and more, got%s", c, name, want.code, want.least, text(d.Findings))
			}
		}
	}
}

// A meter whose scale jumps looks like another shower head with a loss of the unit on the
// same day: without a second meter neither is sure.
func TestMeterOrHabit(t *testing.T) {
	for seed, c := range allConnections {
		for _, r := range []record{{meter: jump(45, -0.2)}, {drawsAt: jump(45, -0.35), conduct: jump(45, -0.2)}} {
			r.connection, r.days, r.perDay, r.seed = c, 90, 1.5, uint64(seed)
			if d := r.diagnose(); d.Findings[0].Confidence >= 0.9 || d.Findings[0].Decide == "" {
				t.Errorf("%s: said with %.2f:%s", c, d.Findings[0].Confidence, text(d.Findings))
			}
			r.wasteMeter = true
			want := StepLoss
			if r.meter != nil {
				want = FlowOffScale
			}
			if d := r.diagnose(); d.Findings[0].Code != want {
				t.Errorf("%s, with a meter on the drain: want %s, got%s", c, want, text(d.Findings))
			}
		}
	}
}

// In B the shower's own mixer fills a bath through the unit, and warm waste comes when
// the bath is emptied, long after: no other connection. A bucket a day is not sure to be one.
func TestBathsPassTheUnit(t *testing.T) {
	r := record{connection: greywatt.ConnectionB, days: 60, perDay: 1.5, bathS: 600}
	if f := r.diagnose().Findings[0]; f.Code != Healthy || f.Confidence < 0.9 {
		t.Errorf("baths: want healthy with 0.9 and more, got%s", text([]Finding{f}))
	}
	r.perDay, r.bathS = 1, 40
	if f := r.diagnose().Findings[0]; f.Code == ConnectionDiffers && f.Confidence >= 0.9 {
		t.Errorf("buckets:%s", text([]Finding{f}))
	}
}

// What has been so from the start does not hide what changes later, nor the other way
// round: every pair of them is found, whichever comes first.
func TestLevelsWithChanges(t *testing.T) {
	constant := func(x float64) func(float64) float64 { return func(float64) float64 { return x } }
	for seed, c := range allConnections {
		for level, l := range map[Code]record{
			LowFromStart: {conduct: constant(0.75)}, SensorLoose: {contact: constant(0.75)}, FlowOffScale: {meter: constant(0.75), wasteMeter: true}, ConnectionDiffers: {},
		} {
			for change, course := range map[Code]func(float64) float64{Fouling: ramp(30, 45, -0.25), StepLoss: jump(45, -0.2)} {
				r := l
				r.connection, r.days, r.perDay, r.seed = c, 90, 1.5, uint64(seed)
				was := at(l.conduct, 0, 1)
				r.conduct = func(day float64) float64 { return was * course(day) }
				study, events := r.events()
				dw := &study.Dwellings[0]
				if level == ConnectionDiffers {
					dw.Connection = map[greywatt.Connection]greywatt.Connection{greywatt.ConnectionA: greywatt.ConnectionC, greywatt.ConnectionB: greywatt.ConnectionA, greywatt.ConnectionC: greywatt.ConnectionA}[c]
				}
				d := Diagnose(study, dw, event.All(events), nil)
				for _, want := range []Code{level, change} {
					if !slices.ContainsFunc(d.Findings, func(f Finding) bool { return f.Code == want }) {
						t.Errorf("%s, %s with %s: no %s:%s", c, level, change, want, text(d.Findings))
					}
				}
			}
		}
	}
}

// A unit that most of the mains water goes round is weak, whatever else would bring its
// conductance back; mains water that goes past unit and meter alike leaves the conductance as
// it is, and shows in the ratio of heats alone: where that is far from what the mixer makes of it nothing is said
// to be healthy, and where it is near (half of the water; the mixer's ratio is known to a fifth) not with confidence. Half
// of it in A makes the flows of C.
func TestWaterThatGoesPast(t *testing.T) {
	constant := func(x float64) func(float64) float64 { return func(float64) float64 { return x } }
	for seed, c := range allConnections {
		diagnose := func(r record) Finding {
			r.connection, r.days, r.perDay, r.seed = c, 90, 1.5, uint64(seed)
			return r.diagnose().Findings[0]
		}
		for _, share := range []float64{0.3, 0.2} {
			if f := diagnose(record{conduct: constant(share)}); f.Code != LowFromStart && f.Code != NoRecovery {
				t.Errorf("%s, conductance of %.2f:%s", c, share, text([]Finding{f}))
			}
		}
		for _, share := range []float64{0.25, 0.125} {
			if f := diagnose(record{passes: constant(share)}); f.Code != Undecided || !strings.Contains(f.Evidence, "past unit and meter") || !strings.Contains(f.Decide, "water meter of the dwelling") {
				t.Errorf("%s, %.2f of the water through the unit:%s", c, share, text([]Finding{f}))
			}
		}
		if f := diagnose(record{passes: constant(0.5)}); !(c == greywatt.ConnectionA && f.Code == ConnectionDiffers) && (f.Code != Undecided && f.Confidence >= 0.9 || !strings.Contains(f.Evidence, "past unit and meter")) {
			t.Errorf("%s, half of the water through the unit:%s", c, text([]Finding{f}))
		}
	}
}

// Healthy with less than nine in ten says what else may be, with its share, and what
// would decide.
func TestHealthyNamesWhatItCannotTell(t *testing.T) {
	weak := 0
	for _, c := range allConnections {
		for seed := range uint64(4) {
			r := record{connection: c, days: 45, perDay: 1.2, seed: seed, conduct: func(float64) float64 { return 0.93 - 0.01*float64(seed) }}
			f := r.diagnose().Findings[0]
			if f.Code != Healthy || f.Confidence >= 0.9 {
				continue
			}
			weak++
			if !strings.Contains(f.Evidence, "not told apart from it: ") || f.Decide == "" {
				t.Errorf("%s, seed %d:%s", c, seed, text([]Finding{f}))
			}
		}
	}
	if weak == 0 {
		t.Error("none was weak")
	}
}

// A mains meter that drifts by 15 % in six weeks, with nothing to check it, looks like dirt of half that
// (UA goes with the power 0.45 of the flow): neither is said, nor that nothing is wrong.
func TestUncheckedMeter(t *testing.T) {
	for seed, c := range allConnections {
		r := record{connection: c, days: 45, perDay: 2, seed: uint64(seed), meter: ramp(0, 45, -0.15)}
		f := r.diagnose().Findings[0]
		if f.Code == Healthy || f.Code == Fouling || f.Code == SensorDrifting && f.Confidence > unmetered || !strings.Contains(f.Decide, "bucket") {
			t.Errorf("%s:%s", c, text([]Finding{f}))
		}
	}
}
