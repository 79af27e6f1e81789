package main

import (
	"math"
	"strings"
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis/event"
)

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
