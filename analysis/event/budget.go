package event

import (
	"math"
	"slices"

	"greywatt"
	"greywatt/analysis/uncert"
)

// The inputs of whole-event figures that differ from event to event.
const (
	EndsOfFlow     = "ends of flow"               // the first and last instant of it, l
	UnseenFlow     = "flow that no reading shows" // in a silence, or before the node woke, J
	ArrivalOfWaste = "arrival of waste"           // when it comes and goes, J
)

// Models are the measurement models behind an event's budgets, for propagating
// distributions in place of uncertainties (JCGM 101). The heat, in J, is linear
// but for the flow's factor; the other two are the whole model.
type Models struct {
	Heat, Effectiveness, Ratio uncert.Model
}

// Models returns the event's models. Only the event of [Analyser.Traced] has them:
// they hold on to its readings. A model without inputs belongs to a figure that
// the event does not have.
func (e *Event) Models() (m Models, ok bool) {
	if e.Budgets.models == nil {
		return Models{}, false
	}
	return *e.Budgets.models, true
}

// An InputNote says what an input of a budget stands for.
type InputNote struct {
	Value float64 // the estimate it belongs to; NaN where there is none to show
	Of    string  // unit of Value
	Unit  string  // unit of the input's uncertainty; "1": relative
}

// Input describes an input of the event's budgets by its name there. The inputs
// themselves are deviations from the estimates, so that their values are all 0.
func (e *Event) Input(name string) InputNote {
	none := math.NaN()
	for i, n := range InputNames {
		if n != name {
			continue
		}
		i := row(i)
		switch {
		case i < rowRoom:
			return InputNote{e.ports().At(greywatt.Channel(i)), "°C", "K"}
		case i == rowRoom:
			return InputNote{e.RoomC, "°C", "K"}
		case i >= rowNoise.first() && i < rowResponse.first():
			return InputNote{none, "", "K"}
		case i == rowFlow:
			return InputNote{e.FlowLMin, "l/min", "1"}
		case i == rowWaste || i == rowEqual:
			return InputNote{e.WasteFlowLMin, "l/min", "1"}
		case i == rowLoss:
			return InputNote{LossShare, "1", "1"}
		case i == rowRating:
			return InputNote{e.Expected, "1", "1"}
		case i == rowFilmLaw || i == rowCoilLaw:
			return InputNote{e.TemperatureFactor, "1", "1"}
		}
		return InputNote{none, "", "1"}
	}
	if name == EndsOfFlow {
		return InputNote{e.VolumeL, "l", "l"}
	}
	if name == UnseenFlow {
		return InputNote{e.HiddenS, "s", "J"}
	}
	return InputNote{none, "", "1"}
}

// A Sharing says which events have an input's error in common.
type Sharing uint8

const (
	Own        Sharing = iota // differs from event to event
	OfDwelling                // the same in all events of a dwelling: of its sensors, its room, its habits
	OfMethod                  // the same in all dwellings: what the method assumes
)

// SharingOf returns how the error of an input, by its name in any of the event's
// budgets, is shared. That of a clamp's time constant is the dwelling's, though its
// effect changes with how the pipe drifts from one shower to the next.
func SharingOf(input string) Sharing {
	switch input {
	case rowNoise.name(greywatt.WasteIn), rowNoise.name(greywatt.WasteOut), rowNoise.name(greywatt.ColdIn), rowNoise.name(greywatt.PreheatOut),
		rowSettle.name(), EndsOfFlow, UnseenFlow, ArrivalOfWaste:
		return Own
	case rowLoss.name(), rowRating.name(), rowFilmLaw.name(), rowCoilLaw.name():
		return OfMethod
	}
	return OfDwelling
}

// OwnU returns the standard uncertainty that is independent from event to event:
// the own inputs of a budget combined. NaN for a budget without rows.
func OwnU(b uncert.Budget) float64 {
	return combineRows(b, func(input string) bool { return SharingOf(input) == Own })
}

// RandomU is OwnU with the clamps' time constants: what scatters from one shower to
// the next about a trend.
func RandomU(b uncert.Budget) float64 {
	return combineRows(b, func(input string) bool {
		return SharingOf(input) == Own || slices.Contains(InputNames[rowResponse.first():rowShare.first()], input)
	})
}

func combineRows(b uncert.Budget, takes func(input string) bool) float64 {
	if len(b.Rows) == 0 {
		return math.NaN()
	}
	var v float64
	for _, r := range b.Rows {
		if r.Contribution != 0 && takes(r.Name) {
			v += r.Contribution * r.Contribution
		}
	}
	return math.Sqrt(v)
}

// ClampU returns the standard uncertainty of each clamp's offset, K, by its port's
// channel; ok is false for an event without an effectiveness.
func (e *Event) ClampU() (u [greywatt.NumPorts]float64, ok bool) {
	rows := e.Budgets.UA.Rows
	if len(rows) < offsetRows {
		return u, false
	}
	for k := range u {
		u[k] = rows[k].U
	}
	return u, true
}
