package finding

import (
	"fmt"
	"math"
	"slices"

	"greywatt"
	"greywatt/analysis/health"
	"greywatt/analysis/robust"
	"greywatt/analysis/trend"
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

// leastLow is by how much of the expected ratio the showers of a bypass lie below
// the rest, at least: this project's choice.
const leastLow = 0.2

// leastShare is the share of showers from which a second population counts as a
// bypass at times: this project's choice. Fewer than one in twenty are odd
// showers, short or badly measured, which robust fits pass over.
const leastShare = 0.05

// apart counts the points that lie far below most of their neighbours, as those
// of a second population do.
func apart(ps []trend.Point) (n int) {
	const reach = 15
	for i := range ps {
		var near []float64
		for j := max(0, i-reach); j < min(len(ps), i+reach+1); j++ {
			near = append(near, ps[j].Y)
		}
		if ps[i].Y < robust.Quantile(near, 0.8)-0.7*leastLow {
			n++
		}
	}
	return n
}

// mixed looks for a share of the showers that recovers little or nothing, and
// takes them out.
func (d *diagnoser) mixed() {
	var ps []trend.Point
	var index []int
	var flow, mains []float64
	for i := range d.showers {
		s := &d.showers[i]
		if math.IsNaN(s.ratio) || math.IsInf(s.ratio, 0) {
			continue
		}
		ps = append(ps, trend.Point{T: s.e.Start.Sub(d.first) / day, Y: s.ratio, U: 0.01})
		index = append(index, i)
		flow, mains = append(flow, math.Log(s.flow)), append(mains, s.t[2])
	}
	if len(ps) < 20 || apart(ps) < 4 {
		return
	}
	o := trend.Options{Kinds: []trend.Kind{trend.Line, trend.Step, trend.Bend}}
	if _, spread := robust.MedianAndSpread(flow); spread > 0.02 {
		o.Covariates = append(o.Covariates, trend.Covariate{Values: flow, Coefficient: trend.Prior{U: 0.15}})
	}
	if _, spread := robust.MedianAndSpread(mains); spread > 0.3 {
		o.Covariates = append(o.Covariates, trend.Covariate{Values: mains, Coefficient: trend.Prior{U: d.lawU}})
	}
	m, err := trend.FitMixture(ps, o)
	if err != nil || !m.Two || m.Separation < leastLow || m.Share < leastShare {
		return
	}
	var heatLow, heatHigh []float64
	low := map[int]bool{}
	since := d.showers[len(d.showers)-1].e.Start
	for k, p := range m.Low {
		s := &d.showers[index[k]]
		h := (s.t[0] - s.t[1]) / (s.t[0] - s.t[2]) // fall of the waste over the span
		if p > 0.5 {
			low[index[k]] = true
			since = min(since, s.e.Start)
		}
		switch {
		case math.IsNaN(h):
		case p > 0.5:
			heatLow = append(heatLow, h)
		default:
			heatHigh = append(heatHigh, h)
		}
	}
	fallLow, fallHigh := robust.Median(heatLow), robust.Median(heatHigh)
	if fallLow < -leastLow/2 {
		// the waste side warms: no bypass does that, so these were no showers
		d.showers = slices.DeleteFunc(d.showers, func(s shower) bool { return s.t[0] < s.t[1] && !(s.ratio > leastLow) })
		return
	}
	if fallLow > fallHigh-0.3*leastLow*fallHigh {
		return // the waste gives its heat as before: a sensor of the mains side
	}
	confidence := 1 / (1 + math.Exp(-m.Evidence/4))
	side := fmt.Sprintf("the waste side cools by %.2f of the span in place of %.2f", fallLow, fallHigh)
	if len(heatLow) == 0 || len(heatHigh) == 0 {
		// without waste-out a clamp of the mains side may be what differs
		confidence *= 0.8
		side = "waste-out, which would confirm it, was not read"
		d.decideNow = fmt.Sprintf("waste-out in working order for %.0f more showers, of which %d would be of those", math.Ceil(enough/m.Share), enough)
	} else if confidence < sureEnough {
		// evidence grows with the number of showers
		d.decideNow = fmt.Sprintf("%.0f more showers at the share so far", math.Ceil(float64(len(ps))*(4*logit(sureEnough)/max(m.Evidence, 0.1)-1)))
	}
	sep := fmt.Sprintf("%.0f %% (±%.0f %%) of %d showers reach %.2f of the expected effectiveness less than the rest do, and %s",
		100*m.Share, 200*m.UShare, len(ps), m.Separation, side)
	d.add(BypassAtTimes, since, confidence, sep)
	d.decideNow = ""
	kept := d.showers[:0:0]
	for i := range d.showers {
		if !low[i] {
			kept = append(kept, d.showers[i])
		}
	}
	d.showers = kept
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
		return fmt.Sprintf("Look at %s: its cable, its connector, its battery or supply; replace it if it stays so.", c), []string{cautionTools}
	case Leak:
		return "Look for dripping taps, a running cistern or a weeping valve behind the meter, with all taps shut and the meter in sight.", []string{CautionPipe}
	}
	return Advice(code)
}
