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

// Kinds that [Hazard] draws from, beside those of [FaultKinds].
const (
	SensorDrifting FaultKind = "sensor-drifting"
	SensorDead     FaultKind = "sensor-dead"
	BypassAtTimes  FaultKind = "bypass-at-times"
	Leak           FaultKind = "leak"
	SecondTap      FaultKind = "second-tap"
	MixerHunting   FaultKind = "mixer-hunting"
	NodeSilent     FaultKind = "node-silent"
	LateWaking     FaultKind = "late-waking"
	ShowerResumed  FaultKind = "shower-resumed"
	OffsetsUnknown FaultKind = "offsets-unknown"
)

// A Death is how a dead channel reports.
type Death string

// The deaths.
const (
	Frozen  Death = "frozen"  // the last good reading, for ever
	Railed  Death = "railed"  // the fault's Size: -127 °C of a broken bus, 85 °C of a sensor that restarts
	Missing Death = "missing" // nothing
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
	// that goes around the unit; flow-off-scale, the factor on the reading;
	// sensor-drifting, K, or of a meter the share of its reading, reached after
	// GrowthDays; sensor-dead, the reading of a railed one; bypass-at-times, the
	// share of the mains flow that goes around; leak, l/min; second-tap, the flow of
	// that tap as a share of the shower's; mixer-hunting, the amplitude as a share of
	// the flow; node-silent, the longest silence, s; late-waking, the longest delay, s;
	// shower-resumed, the probability per shower; offsets-unknown, nothing.
	Size       float64
	GrowthDays float64
	Asymptotic bool
	Channel    greywatt.Channel    // of a loose, drifting or dead sensor
	Connection greywatt.Connection // the true one, where the declared one differs
	Share      float64             // of showers that bypass-at-times, second-tap and node-silent touch; 0: all
	Death      Death               // of a dead sensor
	PeriodS    float64             // of a hunting mixer
	Drips      bool                // a leak that is the shower's own and ends in the drain
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
	if f.GrowthDays <= 0 {
		return f.Size
	}
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

// LossReached returns the first moment, to the hour, at which the unit has lost a
// share of its clean conductance, and false where it never does.
func (h *House) LossReached(share float64) (greywatt.Instant, bool) {
	from, to := h.Span()
	for at := from; at < to; at = at.Add(3600) {
		if h.condition(at) != (Condition{}) && h.UARatio(at) <= 1-share {
			return at, true
		}
	}
	return 0, false
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

// meterFactor returns the factor on a meter's reading.
func (h *House) meterFactor(c greywatt.Channel, at greywatt.Instant) float64 {
	factor := 1.0
	for _, f := range h.Faults {
		switch {
		case !f.present(at):
		case f.Kind == FlowOffScale && c == greywatt.Flow:
			factor *= f.Size
		case f.Kind == SensorDrifting && f.Channel == c:
			factor *= 1 + h.drifted(&f, at)
		}
	}
	return factor
}

// driftK returns what faults add to a clamp's reading, K.
func (h *House) driftK(c greywatt.Channel, at greywatt.Instant) float64 {
	sum := 0.0
	for _, f := range h.Faults {
		if f.Kind == SensorDrifting && f.Channel == c && f.present(at) {
			sum += h.drifted(&f, at)
		}
	}
	return sum
}

func (h *House) drifted(f *Fault, at greywatt.Instant) float64 {
	return f.grown(at.Sub(max(f.From, h.Start.In(h.location()))) / daySeconds)
}

// death returns the fault that keeps a channel from reading, or nil.
func (h *House) death(c greywatt.Channel, at greywatt.Instant) *Fault {
	for i := range h.Faults {
		if f := &h.Faults[i]; f.Kind == SensorDead && f.Channel == c && f.present(at) {
			return f
		}
	}
	return nil
}

// sum adds the sizes of the faults of a kind that are present.
func (h *House) sum(kind FaultKind, at greywatt.Instant) float64 {
	sum := 0.0
	for _, f := range h.Faults {
		if f.Kind == kind && f.present(at) {
			sum += f.Size
		}
	}
	return sum
}

// hunting returns the fault by which the mixer hunts, or nil.
func (h *House) hunting(at greywatt.Instant) *Fault {
	for i := range h.Faults {
		if f := &h.Faults[i]; f.Kind == MixerHunting && f.present(at) {
			return f
		}
	}
	return nil
}

// mark decides for a shower what befalls it and not the next: each fault has a
// random draw of its own per shower, so that none disturbs another.
func (r *run) mark(c *cluster) {
	if c.shower == nil {
		return
	}
	at := r.origin.Add(c.from)
	for i, f := range r.Faults {
		if f.Kind != BypassAtTimes && f.Kind != SecondTap && f.Kind != NodeSilent || !f.present(at) {
			continue
		}
		roll := generator(r.Seed^math.Float64bits(c.from), showerStream+stream(1000+i))
		if f.Share > 0 && !chance(roll, f.Share) {
			continue
		}
		switch f.Kind {
		case BypassAtTimes:
			c.bypass = f.Size
		case SecondTap:
			c.tap = f.Size
		case NodeSilent:
			last := c.shower.pieces[len(c.shower.pieces)-1]
			long := between(roll, min(60, f.Size), f.Size)
			from := between(roll, c.from+30, max(c.from+31, last.to-long-30))
			g := Gap{Node: choose(roll, r.Nodes...).ID, From: r.origin.Add(from), To: r.origin.Add(from + long)}
			r.silences = append(r.silences, g)
		}
	}
}
