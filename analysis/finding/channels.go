package finding

import (
	"fmt"
	"math"
	"slices"

	"greywatt"
	"greywatt/analysis/health"
)

// addSensor notes a finding about one channel.
func (d *diagnoser) addSensor(code Code, c greywatt.Channel, since greywatt.Instant, confidence float64, evidence string) {
	f := Finding{Dwelling: d.dwelling.ID, Code: code, Channel: c.String(), Since: since, Confidence: min(0.99, confidence), Evidence: evidence}
	f.Advice, f.Cautions = adviseChannel(code, c)
	d.note(f)
}

// dead notes the channels that measured nothing for a day or more, and takes the
// showers of those times out.
func (d *diagnoser) dead() {
	if d.health == nil {
		return
	}
	for i := range d.health.Dead {
		x := &d.health.Dead[i]
		if x.Score < likely || x.NodeSilent && d.allSilent(x) {
			continue
		}
		n := len(d.found)
		d.addSensor(SensorDead, x.Channel, x.From, x.Score, deadWords(x, d))
		if len(d.found) > n && !x.Ongoing {
			d.found[n].Until = x.To
		} else if len(d.found) == n {
			d.found[n-1].Until = 0 // more than once: from the first on
		}
		if x.Channel == greywatt.Ambient {
			continue
		}
		touched := func(s *shower) bool { return s.e.End >= x.From && s.e.Start <= x.To }
		switch {
		case x.Channel == greywatt.WasteFlow:
			for j := range d.showers {
				if s := &d.showers[j]; touched(s) {
					s.wasteFlow = math.NaN()
				}
			}
		case d.spared(x.Channel):
			for j := range d.showers {
				if s := &d.showers[j]; touched(s) {
					s.t[x.Channel] = math.NaN()
				}
			}
		default:
			d.showers = slices.DeleteFunc(d.showers, func(s shower) bool { return touched(&s) })
		}
	}
}

// allSilent reports whether nothing at all came in that time: then it is the
// node or its link and no sensor.
func (d *diagnoser) allSilent(x *health.Dead) bool {
	n := 0
	for i := range d.health.Dead {
		y := &d.health.Dead[i]
		if y.How == health.Missing && y.NodeSilent && y.From < x.To && y.To > x.From {
			n++
		}
	}
	return n >= 3
}

func deadWords(x *health.Dead, d *diagnoser) string {
	until := "until " + d.date(x.To)
	if x.Ongoing {
		until = "to the end of the record"
	}
	switch x.How {
	case health.Missing:
		return fmt.Sprintf("no readings of %s from %s %s while the others came; the showers of that time are left out of what it would spoil", x.Channel, d.date(x.From), until)
	case health.Railed:
		return fmt.Sprintf("%s stands at %s from %s %s, which no pipe in use is at", x.Channel, shown(x), d.date(x.From), until)
	}
	if x.Channel == greywatt.Ambient {
		return fmt.Sprintf("ambient shows %s without any change from %s %s; at other times it moves within a quarter of an hour", shown(x), d.date(x.From), until)
	}
	return fmt.Sprintf("%s shows %s from %s %s while the other channels show water running %d times", x.Channel, shown(x), d.date(x.From), until, x.Draws)
}

func shown(x *health.Dead) string {
	if x.Channel.IsFlow() {
		return fmt.Sprintf("%.2f l/min", 60*x.Value)
	}
	return fmt.Sprintf("%.1f °C", x.Value)
}

// leaks notes water that runs at rest.
func (d *diagnoser) leaks() (rows []Finding) {
	if d.health == nil {
		return nil
	}
	for i := range d.health.Leaks {
		l := &d.health.Leaks[i]
		if l.Score < likely {
			continue
		}
		f := Finding{Dwelling: d.dwelling.ID, Code: Leak, Channel: greywatt.Flow.String(), Since: l.From, Confidence: min(0.99, l.Score),
			Evidence: fmt.Sprintf("%.2f l/min (±%.2f) in %.0f %% of the quiet hours of %d days: %.0f litres a day (±%.0f)",
				l.FlowLMin, 2*l.UFlowLMin, 100*l.ShareHours, l.Days, l.LitresDay, 2*l.ULitresDay)}
		if f.Confidence < sureEnough {
			f.Decide = leakDecides(l)
		}
		f.Advice, f.Cautions = adviseChannel(Leak, greywatt.Flow)
		rows = append(rows, f)
		break // the strongest
	}
	return rows
}

func adviseChannel(code Code, c greywatt.Channel) (advice string, cautions []string) {
	switch code {
	case SensorLoose:
		return adviseSensor(c)
	case SensorDrifting:
		if c.IsFlow() {
			return fmt.Sprintf("Check the meter %s against a bucket and a watch at two flows; clean its inlet strainer, and replace it if its scale has moved.", c), []string{CautionPipe}
		}
		return fmt.Sprintf("Compare %s with a hand-held probe, and all clamps with each other after a night of rest; refit or replace it.", c), []string{cautionTools}
	case SensorDead:
		cautions = []string{cautionTools}
		if c.IsFlow() {
			cautions = append(cautions, CautionPipe)
		}
		return fmt.Sprintf("Look at %s: its cable, its connector, its battery or supply; replace it if it stays so.", c), cautions
	case Leak:
		return "Look for dripping taps, a running cistern or a weeping valve behind the meter, with all taps shut and the meter in sight.", []string{CautionPipe}
	}
	return Advice(code)
}
