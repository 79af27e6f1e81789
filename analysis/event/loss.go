package event

import (
	"math"

	"greywatt"
	"greywatt/analysis/exchanger"
)

// What the stated share of lost heat refers to: the conditions of a rating test,
// the room beside it as a laboratory has it. Both common practice.
const (
	ratedLossLMin = 9.5
	ratedRoomC    = 20.0
	mostLoss      = 3 // times the stated share
)

// Losses are what a unit's waste side loses, against a rating test.
type Losses struct{ rated float64 } // see ratedLoss

// LossesOf returns those of a rated unit.
func LossesOf(r *exchanger.Rating) Losses { return Losses{ratedLoss(r)} }

// factor returns the part's share of lost heat over that of a rating test, 0 to
// [mostLoss]. The waste side loses heat to the room through a conductance, in
// proportion to its warmth above the room, whatever the mains side takes. So the
// share is larger where the mains side takes less: in connection B, and at low flow.
func (l Losses) factor(p *Part, room float64) float64 {
	return l.at(p.ports(), p.FlowLMin, room)
}

// Share returns the part of the waste side's heat, 0 to 1, that goes to the room
// and into vapour at port temperatures t and a room of roomC, °C, and the mains
// side's flow, l/min: [LossShare] at the conditions of a rating test, and where the
// arguments are not known.
func (l Losses) Share(t greywatt.Ports[float64], flowLMin, roomC float64) float64 {
	return LossShare * l.at(t, flowLMin, roomC)
}

func (l Losses) at(t greywatt.Ports[float64], flowLMin, room float64) float64 {
	return l.ratio((t.WasteIn+t.WasteOut)/2-room, flowLMin*(t.PreheatOut-t.ColdIn))
}

// ratedLoss is the waste side's warmth above the room over the heat that the mains
// side takes, K/(K l/min), in a rating test.
func ratedLoss(r *exchanger.Rating) float64 {
	in := r.Inlets()
	rise := r.At(exchanger.Flows{WasteLMin: ratedLossLMin, MainsLMin: ratedLossLMin}, in).Effectiveness * (in.WasteInC - in.ColdInC)
	return (in.WasteInC - rise/2 - ratedRoomC) / (ratedLossLMin * rise)
}

// ratio is factor for a waste side that is so much warmer than the room, K, and
// a mains side that takes so much heat, K l/min.
func (l Losses) ratio(warmthK, heat float64) float64 {
	factor := warmthK / heat / l.rated
	if !(heat > 0) || math.IsNaN(factor) {
		return 1
	}
	return min(max(factor, 0), mostLoss)
}
