package event

import (
	"strings"

	"greywatt"
)

// A row is the place of an input in the model of an event's effectiveness, its
// ratio and its conductance. Outside this package rows go by their names.
type row int

const (
	rowOffset   portRows = 0                        // bias of each clamp, K
	rowRoom     row      = 4                        // K
	rowNoise    portRows = 5                        // what noise leaves of each mean, K
	rowResponse portRows = rowNoise + numPorts      // relative error of each clamp's time constant
	rowShare    portRows = rowResponse + numPorts   // relative error of the share of the room in each clamp's reading
	rowFlow     row      = row(rowShare) + numPorts // relative
	rowWaste    row      = rowFlow + 1              // relative error of the measured, or error of the mixed or assumed ratio of flows
	rowEqual    row      = rowWaste + 1             // relative, of the ratio of flows in A: what neither balance nor meter tells
	rowLoss     row      = rowEqual + 1             // share of the waste side's heat lost
	rowSettle   row      = rowLoss + 1              // what is not steady
	rowRating   row      = rowSettle + 1            // relative, of the conversion from rated points to the event's flows
	rowFilmLaw  row      = rowRating + 1            // error of the strength with which the film follows temperature
	rowCoilLaw  row      = rowFilmLaw + 1           // of the coil's
	numRows              = rowCoilLaw + 1

	numPorts   = greywatt.NumPorts
	offsetRows = numPorts // the clamps' offsets come first
)

// portRows is the first of four rows, one for each port.
type portRows int

func (r portRows) of(c greywatt.Channel) row { return row(r) + row(c) }

func (r portRows) first() row { return row(r) }

func (r portRows) name(c greywatt.Channel) string { return r.of(c).name() }

// MainsFlow is the name of the input of the mains flow meter.
var MainsFlow = rowFlow.name()

// InputNames are the inputs of an effectiveness, a ratio or a conductance, in the
// order of their rows.
var InputNames = [numRows]string{
	"waste-in clamp", "waste-out clamp", "cold-in clamp", "preheat-out clamp",
	"room temperature",
	"waste-in noise", "waste-out noise", "cold-in noise", "preheat-out noise",
	"waste-in response", "waste-out response", "cold-in response", "preheat-out response",
	"waste-in loss fraction", "waste-out loss fraction", "cold-in loss fraction", "preheat-out loss fraction",
	"mains flow", "waste-side flow", "equal flow on both sides", "heat lost to the room", "not quite steady", "rated points to these flows",
	"temperature of the film", "temperature of the coil",
}

func (r row) name() string { return InputNames[r] }

// ClampInput is the name of the input of a port's clamp: its offset.
func ClampInput(c greywatt.Channel) string { return rowOffset.name(c) }

// ChannelOf returns the channel of the sensor of whose make, mounting or calibration
// an input's error is; ok is false for all others. That of the waste side's flow is
// the meter's only where there is one.
func ChannelOf(input string) (c greywatt.Channel, ok bool) {
	switch input {
	case rowFlow.name():
		return greywatt.Flow, true
	case rowWaste.name():
		return greywatt.WasteFlow, true
	}
	for c := greywatt.WasteIn; c.IsPort(); c++ {
		if strings.HasPrefix(input, c.String()+" ") {
			return c, true
		}
	}
	return 0, false
}

// ports returns the event's mean temperatures.
func (e *Event) ports() greywatt.Ports[float64] {
	return greywatt.Ports[float64]{WasteIn: e.WasteInC, WasteOut: e.WasteOutC, ColdIn: e.ColdInC, PreheatOut: e.PreheatOutC}
}
