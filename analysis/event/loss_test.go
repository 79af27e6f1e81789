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
		if got := LossesOf(rating).factor(&row.part, row.room); math.Abs(got-row.want) > 0.003 {
			t.Errorf("%s: %.4f, want %.4f", row.name, got, row.want)
		}
	}
}

// Without preheat-out, the waste side's fall less its loss stands for the rise. At the
// rating test's conditions beside a room of 20 °C the loss is the stated share, beside
// one of 33.56 °C, the waste's mean, it is nothing; with half of the flow the same loss
// of heat is twice the share.
func TestWasteGain(t *testing.T) {
	for _, row := range []struct{ flow, room, share float64 }{{9.5, 20, 0.02}, {9.5, 33.56, 0}, {4.75, 20, 0.04}, {9.5, 6.44, 0.04}} {
		a := &Analyser{dwelling: &greywatt.Dwelling{Connection: greywatt.ConnectionA}}
		a.work.rating = exchanger.NewRating(greywatt.Exchanger{Rated: []greywatt.RatedPoint{{FlowLMin: 9.5, Effectiveness: 0.46}}})
		a.work.losses = LossesOf(a.work.rating)
		w := &window{a: a, t: []float64{0}, flow: []float64{row.flow}, room: []float64{row.room}}
		w.port.WasteIn.water, w.port.WasteOut.water, w.port.ColdIn.water = []float64{40}, []float64{27.12}, []float64{12}
		got := (w.wasteGain().water[0] - 12) / (40 - 27.12)
		if math.Abs(got-(1-row.share)) > 1e-4 {
			t.Errorf("%.2f l/min beside %.2f °C: %.5f of the fall, want %.5f", row.flow, row.room, got, 1-row.share)
		}
	}
}
