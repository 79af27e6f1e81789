package event

import (
	"maps"
	"math"
	"slices"
)

// A HeatSum adds up heat. Errors of the sensors add up with it, signs and all;
// those of an event's own do so in squares.
type HeatSum struct {
	KWh      float64
	common   map[string]float64 // J, contributions by input
	variance float64            // J²
}

func (h *HeatSum) Add(e *Event) {
	h.KWh += e.HeatKWh
	if h.common == nil {
		h.common = map[string]float64{}
	}
	for _, r := range e.Budgets.Heat.Rows {
		if SharingOf(r.Name) == Own {
			h.variance += r.Contribution * r.Contribution
		} else {
			h.common[r.Name] += r.Contribution
		}
	}
}

// Own returns the standard uncertainty, kWh, that the events do not share.
func (h *HeatSum) Own() float64 { return math.Sqrt(h.variance) / JoulesPerKWh }

// Common returns what the events share, by input: the shift of the sum, kWh, by
// one standard uncertainty of the input, signed.
func (h *HeatSum) Common() map[string]float64 {
	kwh := make(map[string]float64, len(h.common))
	for name, joules := range h.common {
		kwh[name] = joules / JoulesPerKWh
	}
	return kwh
}

func (h *HeatSum) U95() float64 {
	v := h.variance
	for _, name := range slices.Sorted(maps.Keys(h.common)) { // in one order, for the same digits
		v += h.common[name] * h.common[name]
	}
	return 2 * math.Sqrt(v) / JoulesPerKWh
}
