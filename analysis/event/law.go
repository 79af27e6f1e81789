package event

import "math"

// LawUPerK is the standard uncertainty with which the temperature law behind
// [Event.UARatio] may be wrong for a unit, in ln UA per kelvin of mains water. It
// is the same for all events of a unit. The law allows for what pairs of film and
// coil correlations give (0.45 to 0.7 % per kelvin), and twice this reaches the
// 1.2 % per kelvin of a published fit to tested units (CSE, function
// wr_EffAdjusted, for a unit of 47 %).
const LawUPerK = 0.0035

// fitPerUA is d ln effectiveness / d ln UA of the unit that LawUPerK is stated for.
const fitPerUA = 0.53

// TemperatureLawU returns the standard uncertainty of the difference of ln UA
// between two events whose mains water differs by deltaK; 0 where that is not
// known. perUA is d ln effectiveness / d ln UA at the event: the published fit is a
// factor on the effectiveness, which is the more of a change in UA the closer the
// unit is to its limit.
func TemperatureLawU(deltaK, perUA float64) float64 {
	u := LawUPerK * math.Abs(deltaK) * max(1, fitPerUA/perUA)
	if math.IsNaN(u) || math.IsInf(u, 0) {
		return 0
	}
	return u
}
