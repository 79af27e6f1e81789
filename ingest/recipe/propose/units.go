package propose

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"greywatt"
	"greywatt/ingest/recipe/quantity"
)

// temperatureScale guesses what turns the numbers into °C: 1, 0.1, 0.01; 0 where
// they can be none. Kelvin, °F and platinum have their own numbers.
func temperatureScale(s *series) float64 {
	switch whole := s.whole(); {
	case s.lo > 250 && s.hi < 380 && !whole, s.lo > 260 && s.hi < 350 && whole && s.hi-s.lo < 70 && s.mid > 274:
		return 1 // K
	case s.lo > 95 && s.hi < 145 && !whole, s.lo > 950 && s.hi < 1450:
		return 1 // Pt100, Pt1000
	case s.lo >= -30 && s.hi <= 140:
		return 1
	case whole && s.lo >= -300 && s.hi <= 1200:
		return 0.1
	case whole && s.lo >= -3000 && s.hi <= 12_000:
		return 0.01
	}
	return 0
}

// A common is what the temperatures without a unit in their headings have in
// common: one logger writes all in one way.
type common struct {
	unit  string
	scale float64
	why   string
	doubt bool
}

// warmestMains is above what mains water is at, also where it has stood in a
// room, in °C.
const warmestMains = 33.0

// commonUnit judges by what the waste and the mains are at while water runs: a
// shower is at 30 °C to 45 °C, mains water at 1 °C to 28 °C.
func commonUnit(ts []*series) *common {
	var waste, cold *series
	for _, s := range ts {
		switch {
		case !s.taken || s.fromHeading != nil:
		case s.channel == greywatt.WasteIn:
			waste = s
		case s.channel == greywatt.ColdIn:
			cold = s
		}
	}
	if waste == nil || cold == nil || waste.running != waste.running || cold.running != cold.running {
		return warmMains(cold)
	}
	for _, c := range []struct {
		unit  string
		scale float64
	}{{"Cel", 1}, {"K", 1}, {"degF", 1}, {"Cel", 0.1}, {"Cel", 0.01}, {"K", 0.1}, {"degF", 0.1}} {
		u, _ := quantity.ParseUnit(c.unit)
		if w, m := u.Convert(waste.running*c.scale), u.Convert(cold.running*c.scale); w >= 28 && w <= 48 && m >= 0.5 && m <= 28 {
			return &common{unit: c.unit, scale: c.scale, why: fmt.Sprintf("while water runs the waste is at %.5g and the mains at %.5g, which is %.1f °C and %.1f °C then", waste.running, cold.running, w, m)}
		}
	}
	return warmMains(cold)
}

// warmMains takes mains water that is too warm for numbers in °F.
func warmMains(cold *series) *common {
	if cold == nil || !(cold.mid > warmestMains && cold.hi < 100) {
		return nil
	}
	return &common{"degF", 1, fmt.Sprintf("half of the mains temperatures are above %.4g: as °C no mains water is that warm", cold.mid), true}
}

func temperatureUnit(s *series, all *common) {
	if len(s.codes) > 0 {
		defer func() {
			text := make([]string, len(s.codes))
			for i, c := range s.codes {
				text[i] = fmt.Sprintf("%g", c)
			}
			s.say("invalid", "["+strings.Join(text, ", ")+"]", "far from all other values, and what sensors give on a fault", true)
		}()
	}
	if u := s.fromHeading; u != nil {
		s.say("unit", quoted(u.Name), fmt.Sprintf("the heading %q says so; the values lie between %.6g and %.6g", s.name, s.lo, s.hi), false)
		if u.Kind == quantity.Resistance {
			switch ohm := u.Convert(s.mid); {
			case ohm > 95 && ohm < 145:
				s.say("sensor", quoted("pt100"), fmt.Sprintf("%.5g Ω is %.1f °C of a Pt100", ohm, quantity.Platinum(100)(ohm)), false)
			case ohm > 950 && ohm < 1450:
				s.say("sensor", quoted("pt1000"), fmt.Sprintf("%.5g Ω is %.1f °C of a Pt1000", ohm, quantity.Platinum(1000)(ohm)), false)
			default:
				s.say("sensor", quoted("beta"), "no platinum sensor has that resistance; copy the constants of the thermistor from its data sheet", true)
				s.say("r25_ohm", "10000", "a usual one", true)
				s.say("beta_k", "3950", "a usual one", true)
			}
		}
		return
	}
	if all != nil {
		s.say("unit", quoted(all.unit), all.why, all.doubt)
		if all.scale != 1 {
			s.say("scale", fmt.Sprint(all.scale), "see the unit", false)
		}
		return
	}
	between := fmt.Sprintf("the values lie between %.6g and %.6g", s.lo, s.hi)
	switch scale := temperatureScale(s); {
	case s.lo > 950 && s.hi < 1450:
		s.say("unit", quoted("Ohm"), between+": a Pt1000 has those between -12 °C and 118 °C", true)
		s.say("sensor", quoted("pt1000"), "", true)
	case s.lo > 95 && s.hi < 145 && !s.whole():
		s.say("unit", quoted("Ohm"), between+": a Pt100 has those between -12 °C and 118 °C", true)
		s.say("sensor", quoted("pt100"), "", true)
	case s.lo > 250 && s.hi < 380 && scale == 1:
		s.say("unit", quoted("K"), between, false)
	case scale != 1:
		s.say("unit", quoted("Cel"), between, false)
		s.say("scale", fmt.Sprint(scale), fmt.Sprintf("whole numbers of that size are parts of a degree: %.6g would be %.4g °C", s.mid, s.mid*scale), true)
	case s.resting > 45 && s.hi < 130 && s.hi > 85:
		s.say("unit", quoted("degF"), fmt.Sprintf("%s and %.4g at rest: as °C no room and no mains is that warm", between, s.resting), true)
	default:
		s.say("unit", quoted("Cel"), between, false)
	}
}

// flowUnit says the unit of the flow, by what a shower draws: 5 to 15 l/min.
func flowUnit(s *series, runs []run, seconds []float64) {
	why := "it is 0 most of the time and above it in stretches"
	if c, ok := hinted(s.name); ok && c == greywatt.Flow {
		why = "the heading says so"
	}
	if !s.rises {
		var on []float64
		for _, r := range runs {
			for k := r.from; k < r.to; k++ {
				if v := s.values[k]; v > s.hi/20 {
					on = append(on, v)
				}
			}
		}
		s.take(greywatt.Flow, why, false)
		if len(on) == 0 {
			s.say("unit", quoted("l/min"), "nothing flows in the rows looked at", true)
			return
		}
		slices.Sort(on)
		mid := on[len(on)/2]
		if u := s.fromHeading; u != nil {
			s.say("unit", quoted(u.Name), fmt.Sprintf("the heading %q says so; half of the flows are above %.4g", s.name, mid), false)
			if u.Kind != quantity.Flow {
				s.counterNotes("since-last", u)
			}
			return
		}
		unit, doubt := "l/min", false
		switch {
		case strings.Contains(strings.ToLower(s.name), "gpm"), strings.Contains(strings.ToLower(s.name), "gal/min"):
			s.say("unit", quoted("gal_us/min"), "the heading says gallons a minute, but not whether they are US ones or UK ones, gal_uk/min", true)
			return
		case mid < 0.28:
			unit = "l/s"
		case mid < 1:
			unit, doubt = "m3/h", true
		case mid < 4:
			unit, doubt = "l/min", true // gal/min is as likely
		case mid < 40:
		case mid < 2500:
			unit = "l/h"
		default:
			unit = "ml/min"
		}
		u, _ := quantity.ParseUnit(unit)
		s.say("unit", quoted(unit), fmt.Sprintf("half of the flows are above %.4g, which is %.3g l/min then; showers draw 5 to 15", mid, u.Convert(mid)*60), doubt)
		return
	}
	still := ""
	if s.still > 0.5 {
		still = ", and stands still most of the time"
	}
	s.take(greywatt.Flow, fmt.Sprintf("it only rises, from %.8g to %.8g%s: a counter", s.lo, s.hi, still), false)
	rise, time := 0.0, 0.0
	for _, r := range runs {
		from := max(r.from-1, 0)
		rise += s.values[r.to-1] - s.values[from]
		time += seconds[r.to-1] - seconds[from]
	}
	rate := rise / math.Max(time, 1) * 60
	switch u := s.fromHeading; {
	case u != nil && u.Kind == quantity.Flow:
		s.say("unit", quoted("l"), fmt.Sprintf("the heading says %s, and the values only rise", u.Name), true)
		s.counterNotes("total", nil)
	case u != nil && u.Kind != quantity.Pulses:
		s.say("unit", quoted(u.Name), fmt.Sprintf("the heading %q says so; it rises by %.4g a minute while water runs", s.name, rate), false)
		s.counterNotes("total", u)
	case u == nil && rate > 1 && rate < 30 && !s.whole():
		s.say("unit", quoted("l"), fmt.Sprintf("it rises by %.4g a minute while water runs; showers draw 5 to 15 l/min", rate), true)
		s.counterNotes("total", nil)
	case u == nil && rate < 0.05:
		s.say("unit", quoted("m3"), fmt.Sprintf("it rises by %.4g a minute while water runs; showers draw 0.005 to 0.015 m³/min", rate), true)
		s.counterNotes("total", nil)
	default:
		usual := 1.0
		for _, p := range []float64{1, 10, 100, 330, 396, 450, 485, 596, 660, 1000} {
			if math.Abs(math.Log(rate/p/8)) < math.Abs(math.Log(rate/usual/8)) {
				usual = p
			}
		}
		s.say("unit", quoted("pulse"), fmt.Sprintf("it rises by %.4g a minute while water runs", rate), u == nil)
		s.say("pulses_per_litre", fmt.Sprintf("%g", usual), fmt.Sprintf("makes that %.3g l/min; the meter's plate says what is right", rate/usual), true)
		s.counterNotes("total", nil)
	}
}

func (s *series) counterNotes(kind string, u *quantity.Unit) {
	if u != nil && u.Kind == quantity.Pulses && kind == "since-last" {
		s.say("pulses_per_litre", "450", "the meter's plate says what is right", true)
	}
	if kind == "total" {
		s.say("counter", quoted(kind), "", false)
	} else {
		s.say("counter", quoted(kind), "the values do not add up: each is taken for what ran since the one before", true)
	}
	if top := 65536.0; kind == "total" && s.hi > 0.97*top && s.hi < top {
		s.say("rolls_over_at", "65536", fmt.Sprintf("the highest is %.0f: sixteen bits", s.hi), true)
	}
}
