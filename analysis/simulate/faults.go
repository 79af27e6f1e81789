package simulate

import (
	"math"

	"greywatt"
)

// A FaultKind is what goes wrong, named as the analysis names its findings.
type FaultKind string

// The kinds.
const (
	Fouling              FaultKind = "fouling"
	StepLoss             FaultKind = "step-loss"
	LowFromStart         FaultKind = "low-from-start"
	ParallelFlow         FaultKind = "parallel-flow"
	WasteSensorsSwapped  FaultKind = "waste-sensors-swapped"
	SupplySensorsSwapped FaultKind = "supply-sensors-swapped"
	SensorLoose          FaultKind = "sensor-loose"
	NoRecovery           FaultKind = "no-recovery"
	ConnectionDiffers    FaultKind = "connection-differs"
	FlowOffScale         FaultKind = "flow-off-scale"
	Healthy              FaultKind = "healthy"
)

// FaultKinds lists the kinds, healthy last.
var FaultKinds = []FaultKind{
	Fouling, StepLoss, LowFromStart, ParallelFlow, WasteSensorsSwapped, SupplySensorsSwapped,
	SensorLoose, NoRecovery, ConnectionDiffers, FlowOffScale, Healthy,
}

// A Fault is one thing wrong with a dwelling.
type Fault struct {
	Kind FaultKind
	From greywatt.Instant // 0: from the start
	To   greywatt.Instant // when it is mended; 0: never

	// Size is, by kind: fouling, the added resistance as a share of the clean one,
	// reached after GrowthDays or approached with that time constant; step-loss
	// and low-from-start, the factor on the conductance; sensor-loose, the share of
	// the pipe's temperature still felt; no-recovery, the share of the mains flow
	// that goes around the unit; flow-off-scale, the factor on the reading.
	Size       float64
	GrowthDays float64
	Asymptotic bool
	Channel    greywatt.Channel    // of a loose sensor
	Connection greywatt.Connection // the true one, where the declared one differs
}

const daySeconds = 86400

func (f *Fault) present(at greywatt.Instant) bool {
	return at >= f.From && (f.To == 0 || at < f.To)
}

// condition returns the state of the unit at a moment.
func (h *House) condition(at greywatt.Instant) Condition {
	var c Condition
	for _, f := range h.Faults {
		if !f.present(at) {
			continue
		}
		switch f.Kind {
		case Fouling:
			c.Fouling += f.grown(at.Sub(h.cleanedBefore(at, f.From)) / daySeconds)
		case StepLoss, LowFromStart:
			c.Factor = c.factor() * f.Size
		case ParallelFlow:
			c.Parallel = true
		case NoRecovery:
			c.Bypass = f.Size
		}
	}
	return c
}

func (f *Fault) grown(days float64) float64 {
	if f.Asymptotic {
		return f.Size * -math.Expm1(-days/f.GrowthDays)
	}
	return f.Size * min(days/f.GrowthDays, 1)
}

// cleanedBefore returns when fouling last began afresh.
func (h *House) cleanedBefore(at, onset greywatt.Instant) greywatt.Instant {
	onset = max(onset, h.Start.In(h.location()))
	for _, d := range h.Dwelling.Cleaned {
		if day := d.In(h.location()); day <= at {
			onset = max(onset, day)
		}
	}
	return onset
}

// UARatio returns the unit's conductance against its clean one at a moment,
// at equal flow of 9.5 l/min and certificate temperatures.
func (h *House) UARatio(at greywatt.Instant) float64 {
	f := Feed{ColdC: ratedColdC, WasteC: ratedWasteC, RoomC: ratedRoomC}
	f.MainsKgS = massFlow(ratedFlowLMin, ratedColdC)
	f.WasteKgS = f.MainsKgS
	c := h.condition(at)
	c.Parallel, c.Bypass = false, 0
	return h.Physics.UA(f, c) / h.Physics.UA(f, Condition{})
}

// connection returns the true one.
func (h *House) connection() greywatt.Connection {
	for _, f := range h.Faults {
		if f.Kind == ConnectionDiffers {
			return f.Connection
		}
	}
	return h.Dwelling.Connection
}

// mounted returns the pipe that a channel's clamp sits on.
func (h *House) mounted(c greywatt.Channel) greywatt.Channel {
	for _, f := range h.Faults {
		waste := c == greywatt.WasteIn || c == greywatt.WasteOut
		switch {
		case f.Kind == WasteSensorsSwapped && waste:
			return greywatt.WasteIn + greywatt.WasteOut - c
		case f.Kind == SupplySensorsSwapped && !waste:
			return greywatt.ColdIn + greywatt.PreheatOut - c
		}
	}
	return c
}

// grip returns the share of the pipe that a channel's clamp feels.
func (h *House) grip(c greywatt.Channel, at greywatt.Instant) float64 {
	for _, f := range h.Faults {
		if f.Kind == SensorLoose && f.Channel == c && f.present(at) {
			return f.Size
		}
	}
	return 1
}

// meterFactor returns the factor on the flow reading.
func (h *House) meterFactor(at greywatt.Instant) float64 {
	for _, f := range h.Faults {
		if f.Kind == FlowOffScale && f.present(at) {
			return f.Size
		}
	}
	return 1
}
