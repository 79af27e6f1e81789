package summary

import (
	"math"
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis/event"
)

func weighedShower(day int, kWh, ratio, seconds float64) event.Event {
	e := testShower(time.Date(2026, 3, 2+day, 7, 0, 0, 0, time.UTC), kWh, ratio*0.5)
	e.RunningS = seconds
	return e
}

// All by hand, from the contributions of testShower: to the ratio 0.1 of an event's
// own, 0.006 of a clamp, -0.008 of the method; to the heat 0.003 kWh of its own,
// -0.02 kWh of another clamp, 1 % of the meter.
func TestWeightedByHand(t *testing.T) {
	s := OfDwelling(testDwelling("a"), time.UTC, []event.Event{
		weighedShower(0, 1, 0.9, 300), weighedShower(1, 2, 1.0, 600), weighedShower(2, 1, 0.8, 900),
	}, nil)

	h := &s.ByHeat
	near(t, "by heat", h.Value, 3.7/4)
	near(t, "kWh", h.Weight, 4)
	// the events' own 0.1 is more than their scatter, (0.025² + 4·0.075² + 0.125²)·3/2
	own := math.Sqrt(6*0.1*0.1+0.003*0.003*(0.025*0.025+0.075*0.075+0.125*0.125)) / 4
	near(t, "by heat, own", h.OwnU95, 2*own)
	near(t, "by heat, method", h.MethodU95, 2*0.008)
	// the meter's scale cancels; the heat's clamp moves the weights: -0.02·(2.7 - 3·0.925)/4
	near(t, "by heat, batches", h.BatchU95, 2*math.Hypot(0.006, 0.000375))
	near(t, "by heat, u95", h.U95, 2*math.Sqrt(own*own+0.008*0.008+0.006*0.006+0.000375*0.000375))

	w := &s.ByTime
	near(t, "by time", w.Value, 1590.0/1800)
	// here the scatter is more: (25 + 4900 + 5625)·3/2 against 12 600
	near(t, "by time, own", w.OwnU95, 2*math.Sqrt(15825)/1800)
	near(t, "by time, batches", w.BatchU95, 2*0.006)
	if h.Events != 3 || w.Events != 3 {
		t.Errorf("%d and %d events", h.Events, w.Events)
	}
}

func TestWeightedStudyByHand(t *testing.T) {
	var sensors []greywatt.Sensor
	study := func() *Study {
		var ds []Dwelling
		for _, x := range []struct{ kWh, ratio float64 }{{1, 1.0}, {3, 0.8}} {
			d := testDwelling("d")
			d.Sensors = sensors
			ds = append(ds, OfDwelling(d, time.UTC, []event.Event{weighedShower(0, x.kWh, x.ratio, 300)}, nil))
		}
		return &OfStudy(ds)[0]
	}
	s := study()
	near(t, "by heat", s.ByHeat.Value, 3.4/4)
	near(t, "by time", s.ByTime.Value, 0.9)
	// a dwelling's weight of 1 kWh more moves the mean by 0.15/4 and by -0.05/4
	own := math.Sqrt(0.025*0.025 + 0.075*0.075 + 0.003*0.003*(0.0375*0.0375+0.0125*0.0125))
	near(t, "own", s.ByHeat.OwnU95, 2*own)
	// silent about batches, all clamps are of one: -0.02·(0.0375 - 0.0125)
	near(t, "batches", s.ByHeat.BatchU95, 2*math.Hypot(0.006, 0.0005))
	near(t, "method", s.ByHeat.MethodU95, 2*0.008)
	near(t, "u95", s.ByHeat.U95, 2*math.Sqrt(own*own+0.006*0.006+0.0005*0.0005+0.008*0.008))
	near(t, "by time, own", s.ByTime.OwnU95, 2*0.1*math.Sqrt(0.5))

	for _, c := range []greywatt.Channel{greywatt.WasteIn, greywatt.PreheatOut} {
		sensors = append(sensors, greywatt.Sensor{Channel: c, U95K: 0.3})
	}
	s = study()
	own = math.Sqrt(own*own + 0.006*0.006*(0.25*0.25+0.75*0.75) + 0.02*0.02*(0.0375*0.0375+0.0125*0.0125))
	near(t, "own clamps", s.ByHeat.OwnU95, 2*own)
	near(t, "own clamps, batches", s.ByHeat.BatchU95, 0)
}

// An event without a heat counts by its time only, and a study without events has
// no mean.
func TestWeightedUnknown(t *testing.T) {
	a, b := weighedShower(0, 1, 0.9, 300), weighedShower(1, math.NaN(), 1.0, 300)
	s := OfDwelling(testDwelling("a"), time.UTC, []event.Event{a, b}, nil)
	near(t, "by heat", s.ByHeat.Value, 0.9)
	near(t, "by time", s.ByTime.Value, 0.95)
	none := OfStudy([]Dwelling{OfDwelling(testDwelling("a"), time.UTC, nil, nil)})[0]
	if !math.IsNaN(none.ByHeat.Value) || !math.IsNaN(none.ByTime.U95) || !math.IsNaN(none.ByTime.MethodU95) {
		t.Errorf("%+v", none.ByHeat)
	}
}
