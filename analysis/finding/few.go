package finding

import (
	"cmp"
	"fmt"
	"iter"
	"math"
	"slices"
	"strings"

	"greywatt"
	"greywatt/analysis/event"
)

// A Doubt is an account in which a sensor is wrong and the unit is sound.
type Doubt struct {
	Code    Code             // sensor-loose or flow-off-scale
	Channel greywatt.Channel // of the sensor
	P       float64          // probability, 0 to 1
	Words   string           // what the sensor would show
	Decide  string           // what would decide, and how well it must be measured
}

// DiagnoseFew returns what a few showers show, of which nothing can be said over
// time, and whether it is clamps in each other's place, undecided where they are of both sides; no findings where nothing
// is wrong. doubts are the sensors that may be wrong in place of the unit, likeliest first. begun is the first reading of the record that they are taken from.
func DiagnoseFew(study *greywatt.Study, dw *greywatt.Dwelling, begun greywatt.Instant, showers iter.Seq[*event.Event]) (found []Finding, swapped bool, doubts []Doubt) {
	d := newDiagnoser(study, dw.Last(), showers)
	d.first = begun
	d.reversed()
	swapped = len(d.found) > 0
	d.days = 0 // a few showers do not tell how many other draws pass the unit
	d.bypassed()
	if len(d.found) == 0 && len(d.showers) > 1 && d.crossed(d.showers) {
		d.add(Undecided, begun, d.acrossP, strings.TrimPrefix(d.candidates(), "; "))
		return d.rows(), true, nil
	}
	if len(d.showers) > 0 && len(d.found) == 0 {
		doubts = d.doubts(d.weighStanding(d.showers))
	}
	if len(d.found) == 0 {
		return nil, swapped, doubts
	}
	return d.rows(), swapped, doubts
}

// doubts sums the accounts in which a sensor is wrong.
func (d *diagnoser) doubts(hs []hypothesis) (out []Doubt) {
	var total float64
	var meter hypothesis
	var clamps [greywatt.NumPorts]struct {
		sum  float64
		best hypothesis
	}
	for _, h := range hs {
		total += h.weight
		switch h.code {
		case FlowOffScale:
			meter.weight += h.weight
		case SensorLoose:
			c := &clamps[h.sensor]
			if c.sum += h.weight; h.weight > c.best.weight {
				c.best = h
			}
		}
	}
	if !(total > 0) {
		return nil
	}
	for p := range clamps {
		c := &clamps[p]
		if c.sum > 0 {
			out = append(out, Doubt{SensorLoose, greywatt.Channel(p), c.sum / total, c.best.contactWords("the figures to what they should be"), d.probe(p, d.showers)})
		}
	}
	if meter.weight > 0 {
		l := d.summarise(d.showers, nil)
		by := math.Exp(l.ua / flowGain)
		out = append(out, Doubt{FlowOffScale, greywatt.Flow, meter.weight / total,
			fmt.Sprintf("flow reading %.2f of what passes brings the conductance to what it should be", by),
			fmt.Sprintf("the meter flow against a bucket and a watch, to u95 %.0f %%", max(1, 200*math.Abs(by-1)/decided))})
	}
	slices.SortStableFunc(out, func(a, b Doubt) int { return cmp.Compare(b.P, a.P) })
	return out
}
