package finding

import (
	"greywatt/analysis/robust"
	"math"
)

// A detachedClamp is a stretch of showers read as if one clamp hung in the air.
type detachedClamp struct {
	levels         // with the pipe's temperature where the heat balance wants it
	above  float64 // K, median of what the clamp reads above the room
	fall   float64 // K, what its side of the unit changes by then
}

// roomTold is the standard uncertainty, K, of the room beside the unit against
// the air at a clamp that hangs there: this project's choice.
const roomTold = 0.8

// assumeDetached reads showers without the clamp of port p: its pipe has the temperature at which the
// heat ratio, ln, is the target's. The conductance that follows is a check, as
// is whether the clamp reads the room; heatRMS is how far it follows the room,
// as a share of the change on its side.
func (a assumption) assumeDetached(ss []shower, port int, target func(t [4]float64, loss float64) float64) detachedClamp {
	var above, side []float64
	l := a.summarise(ss, func(s *shower) [4]float64 {
		t := a.solvePort(s.t, port, func(t [4]float64) float64 { return target(t, s.loss) })
		above = append(above, s.t[port]-s.room)
		side = append(side, math.Abs(t[port]-t[port^1]))
		return t
	})
	o := detachedClamp{levels: l, fall: robust.Median(side)}
	o.above, o.heatRMS = robust.MedianAndSpread(above)
	o.heatRMS /= o.fall
	if math.IsNaN(o.above) || math.IsNaN(o.fall) {
		o.n = 0
	}
	return o
}

// solvePort returns t with the temperature of one port such that the heat ratio is
// the target's, which may depend on that temperature.
func (a assumption) solvePort(t [4]float64, port int, target func([4]float64) float64) [4]float64 {
	if port == 0 {
		t[0] = usualWarm // for the target, to begin with
	}
	for range 8 {
		r := math.Exp(target(t))
		switch port {
		case 0:
			t[0] = t[1] + r*(t[3]-t[2])
		case 1:
			t[1] = t[0] - r*(t[3]-t[2])
		case 2:
			t[2] = t[3] - (t[0]-t[1])/r
		case 3:
			t[3] = t[2] + (t[0]-t[1])/r
		}
	}
	return t
}

// usualWarm is the temperature, °C, of waste that enters a unit: common practice.
const usualWarm = 37.0

// density is that of the clamp's reading at the room, in units of the ln of the
// heat ratio, as the densities of other hypotheses are.
func (o *detachedClamp) density() float64 { return normal(o.above, 0, roomTold) * o.fall }
