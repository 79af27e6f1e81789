package exchanger

import (
	"math"

	"greywatt/analysis/water"
)

// Flows are the flows of both sides in l/min, each above 0, in litres as a meter
// at the cold inlet counts them. A drain meter's litres are warmer: they are
// worth density at the waste inlet over density at the cold inlet of these.
type Flows struct {
	WasteLMin float64
	MainsLMin float64
}

// Inlets are the inlet temperatures of both sides, °C, within -20 to 110; the
// properties that heat transfer follows are held at their values of 0 and 100.
type Inlets struct {
	WasteInC float64
	ColdInC  float64
}

func (in Inlets) spanK() float64 { return in.WasteInC - in.ColdInC }

// streams are both sides' capacity rates, W/K, and mean temperatures, °C.
type streams struct {
	waste, mains         float64
	wasteMeanC, coldMean float64
	onMains              bool // effectiveness refers to the mains side
}

// streamsAt returns the streams of a unit that works at the given effectiveness.
// The effectiveness is on the side of the smaller flow, and on the mains side
// where both are equal: there it is the plain ratio of temperatures of the
// certificates, though the warmer side's specific heat is 0.3 % smaller.
func streamsAt(f Flows, in Inlets, effectiveness float64) streams {
	s := streams{onMains: f.MainsLMin <= f.WasteLMin}
	small := min(f.WasteLMin, f.MainsLMin)
	half := effectiveness * in.spanK() / 2
	s.wasteMeanC = in.WasteInC - half*small/f.WasteLMin
	s.coldMean = in.ColdInC + half*small/f.MainsLMin
	perLMin := water.MassFlow(1.0/60, in.ColdInC) // kg/s
	s.waste = f.WasteLMin * perLMin * water.MeanHeatCapacity(s.wasteMeanC, s.wasteMeanC)
	s.mains = f.MainsLMin * perLMin * water.MeanHeatCapacity(s.coldMean, s.coldMean)
	return s
}

// ratio returns the smaller capacity rate over the larger, and the smaller.
func (s *streams) ratio() (cr, least float64) {
	least = min(s.waste, s.mains)
	return least / max(s.waste, s.mains), least
}

// onOwn is the capacity rate that the effectiveness refers to.
func (s *streams) onOwn() float64 {
	if s.onMains {
		return s.mains
	}
	return s.waste
}

// effectiveness returns what a conductance ua in W/K makes of the streams.
func (s *streams) effectiveness(ua float64) float64 {
	cr, least := s.ratio()
	return Counterflow(ua/least, cr) * least / s.onOwn()
}

// conductance inverts effectiveness.
func (s *streams) conductance(effectiveness float64) float64 {
	cr, least := s.ratio()
	return CounterflowNTU(effectiveness*s.onOwn()/least, cr) * least
}

// Conductance returns the conductance UA in W/K of a counterflow unit that
// reaches an effectiveness, 0 to 1, at the given flows and inlets: the inverse of
// what [Rating.At] expects. The effectiveness refers to the side of the smaller
// flow. NaN where no conductance reaches it.
func Conductance(effectiveness float64, f Flows, in Inlets) float64 {
	if !(effectiveness >= 0 && effectiveness < 1) {
		return math.NaN()
	}
	s := streamsAt(f, in, effectiveness)
	return s.conductance(effectiveness)
}

// Effectiveness returns what a conductance in W/K reaches in counterflow at the
// given flows and inlets, on the side of the smaller flow; the inverse of
// [Conductance].
func Effectiveness(uaWK float64, f Flows, in Inlets) float64 {
	s := streamsAt(f, in, 0.5)
	s = streamsAt(f, in, s.effectiveness(uaWK))
	return s.effectiveness(uaWK)
}

// slopes returns d ln effectiveness / d ln UA at constant rates, and
// d ln effectiveness / d ln (smaller rate/larger) at constant UA over smaller.
func (s *streams) slopes(uaWK float64) (gain, perRatio float64) {
	cr, least := s.ratio()
	ntu := uaWK / least
	e := Counterflow(ntu, cr)
	gain = ntu * (1 - e) * (1 - cr*e) / e
	const h = 1e-3
	down := Counterflow(ntu, cr*(1-h))
	return gain, math.Log(e/down) / -math.Log1p(-h)
}
