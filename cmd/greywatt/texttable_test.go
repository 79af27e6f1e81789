package main

import (
	"math"
	"strings"
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis/event"
)

func TestTextTable(t *testing.T) {
	table := newTextTable("NAME", ">VALUE", "NOTE")
	table.add("a", "1.5", "")
	table.add("längst", "10.25", "ok")
	var out strings.Builder
	if err := table.write(&out); err != nil {
		t.Fatal(err)
	}
	want := `NAME    VALUE  NOTE
a         1.5
längst  10.25  ok
`
	if out.String() != want {
		t.Errorf("got\n%s\nwant\n%s", out.String(), want)
	}
}

func TestEventTable(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	nan := math.NaN()
	table := newEventTable(zone)
	table.add(&event.Event{
		ID: "larch-04-20260712T061403Z", Start: greywatt.InstantOf(time.Date(2026, 7, 12, 6, 14, 3, 0, time.UTC)), Kind: event.Shower,
		DurationS: 367.6, VolumeL: 45.68, FlowLMin: 9.12, Effectiveness: 0.587, EffectivenessU95: 0.0111, Expected: 0.5732,
		Ratio: 1.0244, RatioU95: 0.02, HeatKWh: 0.8123, HeatU95KWh: 0.012, Flags: []event.Flag{"room-assumed", "short-steady-part"},
	})
	table.add(&event.Event{
		ID: "larch-04-20260712T070000Z", Start: greywatt.InstantOf(time.Date(2026, 7, 12, 7, 0, 0, 0, time.UTC)), Kind: event.OtherDraw,
		DurationS: 59.7, VolumeL: 3.04, FlowLMin: nan, Effectiveness: nan, Expected: nan, Ratio: nan, HeatKWh: 0.001, HeatU95KWh: nan,
	})
	var out strings.Builder
	if err := table.write(&out); err != nil {
		t.Fatal(err)
	}
	want := `EVENT                      START             KIND        MIN:S  LITRES  L/MIN  EFFECTIVENESS  EXPECTED          RATIO       HEAT KWH  FLAGS
larch-04-20260712T061403Z  2026-07-12 07:14  shower       6:08    45.7    9.1  0.587 ± 0.011     0.573  1.024 ± 0.020  0.812 ± 0.012  room-assumed, short-steady-part
larch-04-20260712T070000Z  2026-07-12 08:00  other-draw   1:00     3.0                                                         0.001
1 shower, 1 other draw, 0 partial events
`
	if out.String() != want {
		t.Errorf("got\n%s\nwant\n%s", out.String(), want)
	}
}

func TestPeriodFlag(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	day := func(text string) greywatt.Instant {
		at, err := time.Parse(time.RFC3339, text)
		if err != nil {
			t.Fatal(err)
		}
		return greywatt.InstantOf(at)
	}
	for _, test := range []struct {
		flag periodFlag
		want period
		bad  bool
	}{
		{flag: periodFlag{}, want: period{}},
		// The clocks go forward on 29 March 2026 in Ireland: that day has 23 hours.
		{flag: periodFlag{"2026-03-29", "2026-03-29"}, want: period{day("2026-03-29T00:00:00Z"), day("2026-03-29T23:00:00Z")}},
		{flag: periodFlag{"2026-03-29T06:00:00+01:00", ""}, want: period{from: day("2026-03-29T05:00:00Z")}},
		{flag: periodFlag{"2026-03-30", "2026-03-29"}, bad: true},
		{flag: periodFlag{"yesterday", ""}, bad: true},
	} {
		got, err := test.flag.in(zone)
		if (err != nil) != test.bad || !test.bad && got != test.want {
			t.Errorf("%+v: %+v, %v, want %+v", test.flag, got, err, test.want)
		}
	}
}
