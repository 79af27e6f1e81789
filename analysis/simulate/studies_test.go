package simulate

import (
	"math"
	"testing"
	"time"

	"greywatt"
)

// What is mended is well again.
func TestNewFlatIsMended(t *testing.T) {
	h := NewFlat(1, 14, time.UTC).Houses[0]
	from, _ := h.Span()
	mended := from.Add(7.5 * daySeconds)
	before, after := 0, 0
	for _, e := range h.Run(Output{}).Events {
		switch {
		case !e.Measurable:
		case e.End < mended:
			before++
			if e.Ratio > 0.85 {
				t.Errorf("%v: recovers %.2f of the clean unit's with the valve open", e.Start, e.Ratio)
			}
		case e.Start > mended.Add(60):
			after++
			near(t, "ratio with the valve closed", e.Ratio, 1, 0.01)
		}
	}
	if before < 5 || after < 5 {
		t.Errorf("%d showers before and %d after", before, after)
	}
}

// A longer run of the same dwelling begins with the shorter one: readings taken
// in twice must not conflict.
func TestSlowUnitGoesOn(t *testing.T) {
	frames := func(days int) (out []greywatt.Frame) {
		for f := range SlowUnit(1, days, time.UTC).Houses[0].Frames(nil) {
			out = append(out, f)
		}
		return out
	}
	short, long := frames(5), frames(7)
	if len(short) < 5*1440 || len(long) <= len(short) {
		t.Fatalf("%d frames of five days, %d of seven", len(short), len(long))
	}
	for i, s := range short {
		l := long[i]
		same := s.At == l.At && s.Node == l.Node
		for c := range s.Value {
			same = same && math.Float64bits(s.Value[c]) == math.Float64bits(l.Value[c])
		}
		if !same {
			t.Fatalf("frame %d is\n%+v\nof five days and\n%+v\nof seven", i, s, l)
		}
	}
}

// The unit is clean after the day on which it was cleaned, of which the study
// file says nothing.
func TestSlowUnitIsCleaned(t *testing.T) {
	street := SlowUnit(1, 120, time.UTC)
	h := street.Houses[0]
	on := func(m time.Month, d int) greywatt.Instant {
		return greywatt.Date{Year: 2026, Month: m, Day: d}.In(time.UTC)
	}
	near(t, "before it fouls", h.UARatio(on(time.January, 18)), 1, 1e-9)
	near(t, "just before cleaning", h.UARatio(on(time.April, 6)-1), 1/1.55, 0.01)
	near(t, "on the day after", h.UARatio(on(time.April, 7)), 1, 0.01)
	if n := len(street.Study.Dwellings[0].Cleaned); n != 0 {
		t.Errorf("the study file knows of %d cleanings", n)
	}
}

// A trial's dwellings differ, have the faults they should in about the shares
// they should, and a study file that tells of what was cleaned.
func TestTrial(t *testing.T) {
	street := Trial(1, 400, 365, 2, time.UTC)
	found := map[FaultKind]int{}
	cleaned := 0
	connections := map[greywatt.Connection]int{}
	for i, h := range street.Houses {
		for _, f := range h.Faults {
			found[f.Kind]++
		}
		connections[h.Dwelling.Connection]++
		if h.Nodes[0].IntervalS != 2 {
			t.Fatalf("%s samples every %v s", h.Dwelling.ID, h.Nodes[0].IntervalS)
		}
		if n := len(street.Study.Dwellings[i].Cleaned); n > 0 {
			cleaned += n
			if h.Faults[0].Kind != Fouling {
				t.Errorf("%s was cleaned without fouling", h.Dwelling.ID)
			}
		}
	}
	for _, f := range trialFaults {
		n, want := float64(found[f.kind]), 400*f.share
		if limit := 4 * math.Sqrt(want); n > want+limit || n < want-limit {
			t.Errorf("%s: %v of 400, want about %v", f.kind, n, want)
		}
	}
	if c := float64(cleaned) / float64(found[Fouling]); c < 0.3 || c > 0.7 {
		t.Errorf("%.2f of the fouled units were cleaned, want about half", c)
	}
	for _, c := range []greywatt.Connection{greywatt.ConnectionA, greywatt.ConnectionB, greywatt.ConnectionC} {
		if connections[c] < 133 {
			t.Errorf("%d dwellings with connection %s", connections[c], c)
		}
	}
}
