package event

import (
	"math"
	"testing"

	"greywatt"
	"greywatt/analysis/exchanger"
)

// A unit of 46 % that loses 2 % at 9.5 l/min, 12 and 40 °C beside a room of 20 °C:
// heat 9.5 · 0.46 · 28 = 122.4 l/min · K, waste's mean 40 - 6.44 = 33.56 °C, so 0.1108 of that
// a kelvin above the room. By hand from there.
func TestLossFactor(t *testing.T) {
	rating := exchanger.NewRating(greywatt.Exchanger{Rated: []greywatt.RatedPoint{{FlowLMin: 9.5, Effectiveness: 0.46}}})
	for _, row := range []struct {
		name       string
		part       Part
		room, want float64
	}{
		{"the rating test itself", Part{FlowLMin: 9.5, PortC: greywatt.Ports[float64]{WasteIn: 40, WasteOut: 27.12, ColdIn: 12, PreheatOut: 24.88}}, 20, 1},
		{"half the mains, connection B", Part{FlowLMin: 4.75, PortC: greywatt.Ports[float64]{WasteIn: 36, WasteOut: 28, ColdIn: 8, PreheatOut: 24}}, 20, (12 / (4.75 * 16)) / (13.56 / 122.36)},
		{"a room as warm as the waste", Part{FlowLMin: 9.5, PortC: greywatt.Ports[float64]{WasteIn: 36, WasteOut: 24, ColdIn: 8, PreheatOut: 20}}, 30, 0},
		{"waste-out missing", Part{FlowLMin: 9.5, PortC: greywatt.Ports[float64]{WasteIn: 40, WasteOut: math.NaN(), ColdIn: 12, PreheatOut: 24.88}}, 20, 1},
		{"next to no heat", Part{FlowLMin: 9.5, PortC: greywatt.Ports[float64]{WasteIn: 36, WasteOut: 35.8, ColdIn: 8, PreheatOut: 8.1}}, 20, 3},
		{"mains cooled", Part{FlowLMin: 9.5, PortC: greywatt.Ports[float64]{WasteIn: 36, WasteOut: 35.8, ColdIn: 8, PreheatOut: 7.9}}, 20, 1},
	} {
		if got := lossFactor(rating, &row.part, row.room); math.Abs(got-row.want) > 0.003 {
			t.Errorf("%s: %.4f, want %.4f", row.name, got, row.want)
		}
	}
}
