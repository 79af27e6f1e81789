package event

import (
	"math"

	"greywatt/analysis/uncert"
)

// The inputs of the heat that differ from event to event.
const (
	EndsOfFlow = "ends of flow"               // the first and last instant of it, l
	UnseenFlow = "flow that no reading shows" // in a silence, or before the node woke, J
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
	for i, n := range RowNames {
		if n != name {
			continue
		}
		port := [4]float64{e.WasteInC, e.WasteOutC, e.ColdInC, e.PreheatOutC}
		switch {
		case i < RowRoom:
			return InputNote{port[i-RowOffset], "°C", "K"}
		case i == RowRoom:
			return InputNote{e.RoomC, "°C", "K"}
		case i >= RowNoise && i < RowResponse:
			return InputNote{none, "", "K"}
		case i == RowFlow:
			return InputNote{e.FlowLMin, "l/min", "1"}
		case i == RowDrain:
			return InputNote{e.WasteFlowLMin, "l/min", "1"}
		case i == RowLoss:
			return InputNote{LossShare, "1", "1"}
		case i == RowRating:
			return InputNote{e.Expected, "1", "1"}
		case i == RowFilmLaw || i == RowCoilLaw:
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

// Shared reports whether row i of the budget of an effectiveness, a ratio or a
// conductance is an error that all events of a dwelling have in common: of its
// sensors, of its room, of what the method assumes. The others are drawn anew
// with every event.
func Shared(i int) bool {
	return !(i >= RowNoise && i < RowResponse || i == RowSettle)
}

// OfMethod reports whether row i is an assumption of the method, so that the
// dwellings of a study have its error in common too.
func OfMethod(i int) bool { return i >= RowLoss && i != RowSettle }
