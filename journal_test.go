package greywatt_test

import (
	"fmt"
	"reflect"
	"testing"
	"time"

	"greywatt"
)

// A dwelling that is reconnected has its new connection from that day on, and a
// new record of its unit.
func TestReconnected(t *testing.T) {
	study := &greywatt.Study{Dwellings: []greywatt.Dwelling{{ID: "larch-04", Connection: greywatt.ConnectionA}}}
	d := study.With([]greywatt.Fact{
		{ID: "a", Dwelling: "larch-04", Kind: greywatt.FactReconnected, At: onDay(5), Connection: greywatt.ConnectionC},
		{ID: "b", Dwelling: "larch-04", Kind: greywatt.FactUnitMoved, At: onDay(7), Place: "loft"},
	}).Dwellings[0]
	for day, want := range map[int]greywatt.Connection{4: greywatt.ConnectionA, 5: greywatt.ConnectionC, 8: greywatt.ConnectionC} {
		if got := d.At(onDay(day)).Connection; got != want {
			t.Errorf("day %d: connection %s, want %s", day, got, want)
		}
	}
	if since := d.UnitSince(onDay(6)); since != onDay(5) {
		t.Errorf("the unit is there since %s", since)
	}
	if got := d.Last().Exchanger.Place; got != "loft" {
		t.Errorf("place %q", got)
	}
}

func onDay(d int) greywatt.Instant {
	return greywatt.InstantOf(time.Date(2026, time.June, d, 12, 0, 0, 0, time.UTC))
}

func TestWith(t *testing.T) {
	first := greywatt.Sensor{Channel: greywatt.WasteIn, OffsetK: 0.1, U95K: 0.3, Scale: 1}
	meter := greywatt.Sensor{Channel: greywatt.Flow, Scale: 1.02, U95Relative: 0.03}
	study := &greywatt.Study{Dwellings: []greywatt.Dwelling{
		{ID: "larch-04", Sensors: []greywatt.Sensor{first, meter}, Exchanger: greywatt.Exchanger{Rated: []greywatt.RatedPoint{{FlowLMin: 9, Effectiveness: 0.5}}}},
		{ID: "larch-05"},
	}}
	second := greywatt.Sensor{Channel: greywatt.WasteIn, Node: "n2", U95K: 0.2, Scale: 1}
	unit := greywatt.Exchanger{Rated: []greywatt.RatedPoint{{FlowLMin: 9, Effectiveness: 0.6}}}
	facts := []greywatt.Fact{ // not in the order of their instants
		{ID: "e", Dwelling: "larch-04", Kind: greywatt.FactUnitReplaced, At: onDay(9), Exchanger: &unit},
		{ID: "a", Dwelling: "larch-04", Kind: greywatt.FactClampReplaced, At: onDay(3), Channel: greywatt.WasteIn, Sensor: &second},
		{ID: "b", Dwelling: "larch-04", Kind: greywatt.FactOffset, At: onDay(5), Channel: greywatt.WasteIn, OffsetK: -0.2},
		{ID: "c", Dwelling: "larch-04", Kind: greywatt.FactOffset, At: onDay(5), Channel: greywatt.ColdIn, OffsetK: 0.05, U95K: 0.1},
		{ID: "d", Dwelling: "larch-04", Kind: greywatt.FactOffset, At: onDay(6), Channel: greywatt.WasteIn, OffsetK: 9},
		{ID: "f", Dwelling: "larch-04", Kind: greywatt.FactCleaned, At: onDay(4)},
		{ID: "g", Dwelling: "larch-04", Kind: greywatt.FactCleaned, At: onDay(4).Add(60)},
		{ID: "h", Dwelling: "larch-05", Kind: greywatt.FactLeftOut, At: onDay(1), Until: onDay(2), Text: "works"},
		{ID: "i", Dwelling: "larch-04", Kind: greywatt.FactWithdrawn, At: onDay(7), Of: "d"},
		{ID: "j", Dwelling: "larch-04", Kind: greywatt.FactNote, At: onDay(7), Text: "windy"},
	}
	before := fmt.Sprintf("%+v", study.Dwellings)
	with := study.With(facts)
	if after := fmt.Sprintf("%+v", study.Dwellings); after != before {
		t.Errorf("the study itself changed:\n%s\n%s", before, after)
	}
	d, _ := with.Dwelling("larch-04")
	second.OffsetK = -0.2
	cold := greywatt.Sensor{Channel: greywatt.ColdIn, OffsetK: 0.05, U95K: 0.1, BatchU95K: 0.1, Scale: 1}
	for _, test := range []struct {
		at      greywatt.Instant
		waste   greywatt.Sensor
		cold    greywatt.Sensor
		expects float64
	}{
		{onDay(1), first, greywatt.DefaultSensor(greywatt.ColdIn), 0.5},
		{onDay(3) - 1, first, greywatt.DefaultSensor(greywatt.ColdIn), 0.5},
		{onDay(3), greywatt.Sensor{Channel: greywatt.WasteIn, Node: "n2", U95K: 0.2, Scale: 1}, greywatt.DefaultSensor(greywatt.ColdIn), 0.5},
		{onDay(5), second, cold, 0.5},
		{onDay(8), second, cold, 0.5}, // the offset of 9 K was withdrawn
		{onDay(9), second, cold, 0.6},
	} {
		now := d.At(test.at)
		if s, _ := now.Sensor(greywatt.WasteIn, "n2"); s != test.waste {
			t.Errorf("%s: waste-in %+v, want %+v", test.at, s, test.waste)
		}
		if s, _ := now.Sensor(greywatt.ColdIn, "n2"); s != test.cold {
			t.Errorf("%s: cold-in %+v, want %+v", test.at, s, test.cold)
		}
		if s, _ := now.Sensor(greywatt.Flow, "n2"); s != meter {
			t.Errorf("%s: flow %+v", test.at, s)
		}
		if got := now.Exchanger.Rated[0].Effectiveness; got != test.expects {
			t.Errorf("%s: rated %g, want %g", test.at, got, test.expects)
		}
	}
	if _, ok := d.At(onDay(3)).Sensor(greywatt.WasteIn, "n1"); ok {
		t.Error("the node of the clamp that was replaced is still used")
	}
	if got := fmt.Sprint(d.Cleaned); got != "[2026-06-04]" {
		t.Errorf("cleaned %s", got)
	}
	var breaks []greywatt.FactKind
	for _, b := range d.Breaks {
		breaks = append(breaks, b.Kind)
	}
	if want := []greywatt.FactKind{"clamp-replaced", "offset", "offset", "unit-replaced"}; !reflect.DeepEqual(breaks, want) {
		t.Errorf("breaks %v, want %v", breaks, want)
	}
	if next, ok := d.NextChange(onDay(3)); !ok || next != onDay(5) {
		t.Errorf("after day 3: %s, %v", next, ok)
	}
	if _, ok := d.NextChange(onDay(9)); ok {
		t.Error("a change after the last")
	}
	if d.Last().Exchanger.Rated[0].Effectiveness != 0.6 || d.Exchanger.Rated[0].Effectiveness != 0.5 {
		t.Error("the newest description, or the first one, is another's")
	}
	other, _ := with.Dwelling("larch-05")
	for _, test := range []struct {
		from, to greywatt.Instant
		out      bool
	}{{onDay(1) - 2, onDay(1) - 1, false}, {onDay(1) - 2, onDay(1), true}, {onDay(2) - 1, onDay(3), true}, {onDay(2), onDay(3), false}, {onDay(1).Add(60), onDay(1).Add(90), true}} {
		if p, out := other.LeftOutIn(test.from, test.to); out != test.out || out && p.Reason != "works" {
			t.Errorf("%s to %s: left out %v (%+v)", test.from, test.to, out, p)
		}
	}
	if got, _ := study.Dwelling("larch-04"); got.At(onDay(20)) != got || got.Last() != got {
		t.Error("without a journal a dwelling is itself at all times")
	}
}
