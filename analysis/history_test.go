package analysis_test

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis"
	"greywatt/analysis/finding"
	"greywatt/analysis/simulate"
	"greywatt/analysis/summary"
)

// analysed runs frames of a house, with the facts of a journal.
func analysed(t *testing.T, h *simulate.House, frames []greywatt.Frame, facts ...greywatt.Fact) analysis.Result {
	t.Helper()
	for i := range facts {
		facts[i].ID, facts[i].Dwelling = fmt.Sprint(i), h.Dwelling.ID
	}
	study := (&greywatt.Study{Dwellings: []greywatt.Dwelling{h.Dwelling}}).With(facts)
	r, err := analysis.Run(study, &study.Dwellings[0], batches(frames, 0, 0, 0, nil), analysis.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// sensorOf returns the house's sensor of a channel.
func sensorOf(h *simulate.House, c greywatt.Channel) greywatt.Sensor {
	s, _ := h.Dwelling.Sensor(c, "")
	for _, o := range h.Dwelling.Sensors {
		if o.Channel == c {
			s = o
		}
	}
	return s
}

// shifted returns frames in which a channel reads by so much more from at on.
func shifted(frames []greywatt.Frame, c greywatt.Channel, at greywatt.Instant, by float64) []greywatt.Frame {
	out := slices.Clone(frames)
	for i := range out {
		if out[i].At >= at {
			out[i].Value[c] += by
		}
	}
	return out
}

// What a dated fact changes it changes from its date on: every figure of what
// began before has the same bytes with and without it. From its date on the new
// description holds: a clamp that reads 0.8 K more, replaced with an offset of
// 0.8 K, gives the figures of the clamp before it.
func TestHistoryLeavesThePastAlone(t *testing.T) {
	h := simulate.NewHouse("d", 12, simulate.Options{Days: 9, ShowersPerDay: 3})
	frames := slices.Collect(h.Frames(nil))
	first := h.Start.In(time.UTC)
	at := first.Add(5*86400 + 10*3600)
	plainRun := analysed(t, h, frames)

	clamp := sensorOf(h, greywatt.WasteIn)
	clamp.OffsetK += 0.8
	unit := h.Dwelling.Exchanger
	unit.Rated = slices.Clone(unit.Rated)
	for i := range unit.Rated {
		unit.Rated[i].Effectiveness *= 0.9
	}
	for name, facts := range map[string][]greywatt.Fact{
		"clamp":  {{Kind: greywatt.FactClampReplaced, At: at, Channel: greywatt.WasteIn, Sensor: &clamp}},
		"offset": {{Kind: greywatt.FactOffset, At: at, Channel: greywatt.ColdIn, OffsetK: 1.5}},
		"unit":   {{Kind: greywatt.FactUnitReplaced, At: at, Exchanger: &unit}},
		"heater": {{Kind: greywatt.FactHeaterReplaced, At: at, Heater: &greywatt.Heater{Kind: "other", Efficiency: 0.5, HotC: 70}}},
		"others": {{Kind: greywatt.FactNote, At: at, Text: "x"}, {Kind: greywatt.FactHeadReplaced, At: at}, {Kind: greywatt.FactRepaired, At: at, Text: "y"}},
	} {
		r := analysed(t, h, frames, facts...)
		if len(r.Events) != len(plainRun.Events) {
			t.Fatalf("%s: %d events, %d without it", name, len(r.Events), len(plainRun.Events))
		}
		before, changed := 0, 0
		for i := range r.Events {
			got, want := fmt.Sprintf("%+v", r.Events[i]), fmt.Sprintf("%+v", plainRun.Events[i])
			switch {
			case r.Events[i].Start < at:
				if before++; got != want {
					t.Errorf("%s: %s is before it, and differs:\n%s\n%s", name, r.Events[i].ID, got, want)
				}
			case got != want:
				changed++
			}
		}
		// A heater's temperature says where the balance needs it only, and other facts nothing.
		if before < 10 || name != "heater" && (changed > 0) != (name != "others") {
			t.Errorf("%s: %d events before, %d changed after", name, before, changed)
		}
	}

	replaced := analysed(t, h, shifted(frames, greywatt.WasteIn, at, 0.8),
		greywatt.Fact{Kind: greywatt.FactClampReplaced, At: at, Channel: greywatt.WasteIn, Sensor: &clamp})
	after := 0
	for i := range replaced.Events {
		got, want := &replaced.Events[i], &plainRun.Events[i]
		if got.ID != want.ID || math.Abs(got.Effectiveness-want.Effectiveness) > 1e-9 || math.Abs(got.HeatKWh-want.HeatKWh) > 1e-9 || math.Abs(got.RatioU95-want.RatioU95) > 1e-9 {
			t.Errorf("%s: effectiveness %g, heat %g; with the first clamp %s: %g, %g", got.ID, got.Effectiveness, got.HeatKWh, want.ID, want.Effectiveness, want.HeatKWh)
		}
		if got.Start > at && !math.IsNaN(got.Effectiveness) {
			after++
		}
	}
	if after < 5 {
		t.Errorf("%d events with an effectiveness after it are no test", after)
	}
}

// A period that is left out is in no event, summary or trend; all else has the
// same bytes.
func TestLeftOut(t *testing.T) {
	h := simulate.NewHouse("d", 12, simulate.Options{Days: 9, ShowersPerDay: 3})
	frames := slices.Collect(h.Frames(nil))
	from := h.Start.In(time.UTC).Add(3 * 86400)
	to := from.Add(2 * 86400)
	all := analysed(t, h, frames)
	r := analysed(t, h, frames, greywatt.Fact{Kind: greywatt.FactLeftOut, At: from, Until: to, Text: "works"})
	i, out := 0, 0
	for _, e := range all.Events {
		if e.End >= from && e.Start < to {
			out++
			continue
		}
		if i >= len(r.Events) {
			t.Fatalf("%s is missing", e.ID)
		}
		if got, want := fmt.Sprintf("%+v", r.Events[i]), fmt.Sprintf("%+v", e); got != want {
			t.Errorf("%s differs", e.ID)
		}
		i++
	}
	if out < 5 || i != len(r.Events) || r.LeftOut != out {
		t.Errorf("%d of %d events left out, the result says %d", out, len(all.Events), r.LeftOut)
	}
	for _, p := range r.Diagnosis.Trend {
		if p.At >= from && p.At < to {
			t.Errorf("the trend has %s", p.EventID)
		}
	}
	if s := summary.OfDwelling(r.Dwelling, time.UTC, r.Events, r.Diagnosis.All()); s.Showers+s.Partial > len(r.Events) {
		t.Errorf("the summary has %d showers of %d events", s.Showers, len(r.Events))
	}
}

// A new unit begins a new record: the fouling of the one before is over, and the
// new one is judged by its own certificate. The trend has both.
func TestNewUnitNewRecord(t *testing.T) {
	h := simulate.Faulty(simulate.StepLoss, 2).Houses[0]
	frames := slices.Collect(h.Frames(nil))
	at := h.Faults[0].From
	old := analysed(t, h, frames)
	if got := old.Diagnosis.Findings[0].Code; got != finding.StepLoss {
		t.Fatalf("without a journal: %s, want step-loss", got)
	}
	weaker := h.Dwelling.Exchanger
	weaker.Rated = slices.Clone(weaker.Rated)
	var before, after []float64
	for _, e := range old.Events {
		if math.IsNaN(e.Ratio) {
			continue
		}
		if e.Start < at {
			before = append(before, e.Ratio)
		} else {
			after = append(after, e.Ratio)
		}
	}
	slices.Sort(before)
	slices.Sort(after)
	for i := range weaker.Rated { // as the simulated unit is from then on
		weaker.Rated[i].Effectiveness *= after[len(after)/2] / before[len(before)/2]
	}
	r := analysed(t, h, frames, greywatt.Fact{Kind: greywatt.FactUnitReplaced, At: at, Exchanger: &weaker})
	if f := r.Diagnosis.Findings[0]; f.Code != finding.Healthy {
		t.Errorf("%s (%.2f): %s; want healthy", f.Code, f.Confidence, f.Evidence)
	}
	if len(r.Diagnosis.Trend) != len(old.Diagnosis.Trend) || len(r.Diagnosis.Segments) < 2 {
		t.Errorf("%d points in %d segments; %d without a journal", len(r.Diagnosis.Trend), len(r.Diagnosis.Segments), len(old.Diagnosis.Trend))
	}
	segment := 0
	for _, p := range r.Diagnosis.Trend {
		if p.Segment < segment {
			t.Errorf("%s: segment %d after %d", p.EventID, p.Segment, segment)
		}
		segment = p.Segment
	}
	if s := r.Diagnosis.Segments[len(r.Diagnosis.Segments)-1]; s.From < at {
		t.Errorf("the last segment begins at %s, before the unit at %s", s.From, at)
	}
	for i := range r.Diagnosis.Segments {
		if s := &r.Diagnosis.Segments[i]; s.From >= at {
			if s.After != greywatt.FactUnitReplaced {
				t.Errorf("the first segment of the new unit begins with %q", s.After)
			}
			break
		}
	}
}

// Another clamp reads otherwise, by no more than is stated of clamps: noted in
// the journal it is neither fouling nor a fault, wherever it sits.
func TestNewClampIsNoFouling(t *testing.T) {
	noticed := 0
	for c := greywatt.WasteIn; c.IsPort(); c++ {
		h := simulate.Faulty(simulate.Healthy, 4+uint64(c)).Houses[0]
		frames := slices.Collect(h.Frames(nil))
		at := h.Start.In(time.UTC).Add(45*86400 + 11*3600)
		s := sensorOf(h, c)
		s.U95K, s.BatchU95K = 0.6, 0.6
		for _, by := range []float64{-0.6, 0.6} {
			moved := shifted(frames, c, at, by)
			r := analysed(t, h, moved, greywatt.Fact{Kind: greywatt.FactClampReplaced, At: at, Channel: c, Sensor: &s})
			without := analysed(t, h, moved)
			if f := r.Diagnosis.Findings[0]; f.Code != finding.Healthy && f.Code != finding.Undecided {
				t.Errorf("%s %+.1f K, connection %s: %s (%.2f): %s", c, by, h.Dwelling.Connection, f.Code, f.Confidence, f.Evidence)
			}
			if without.Diagnosis.Findings[0].Code != finding.Healthy {
				noticed++
			}
			t.Logf("%s %+.1f K, connection %s: %s; not noted: %s", c, by, h.Dwelling.Connection, r.Diagnosis.Findings[0].Code, without.Diagnosis.Findings[0].Code)
		}
	}
	if noticed < 5 {
		t.Errorf("only %d of 8 clamps are noticed where they are not noted: no test", noticed)
	}
}
