package finding

import (
	"fmt"
	"math"
	"slices"

	"greywatt/analysis/robust"
	"greywatt/analysis/trend"
)

// leastLow is by how much of the expected ratio the showers of a bypass lie below
// the rest, at least: this project's choice.
const leastLow = 0.2

// leastShare is the share of showers from which a second population counts as a
// bypass at times: this project's choice. Fewer than one in twenty are odd
// showers, short or badly measured, which robust fits pass over.
const leastShare = 0.05

// Below what share of the usual the waste's fall and the mains flow both are where
// mains water goes past unit and meter: this project's choice.
const (
	littleFall = 0.65
	littleFlow = 0.6
)

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
	if _, spread := robust.MedianAndSpread(mains); spread > 0.3 {
		o.Covariates = append(o.Covariates, trend.Covariate{Values: mains, Coefficient: trend.Prior{U: d.lawU}})
	}
	plain := o
	if _, spread := robust.MedianAndSpread(flow); spread > 0.02 {
		o.Covariates = append([]trend.Covariate{{Values: flow, Coefficient: trend.Prior{U: 0.15}}}, o.Covariates...)
	}
	m, err := trend.FitMixture(ps, o)
	if err == nil && !m.Two {
		// with the preheat cold the mixer takes less of it: what separates the two
		// populations looks like an effect of the flow
		m, err = trend.FitMixture(ps, plain)
	}
	if err != nil || !m.Two || m.Separation < leastLow || m.Share < leastShare || (1-m.Share)*float64(len(ps)) < enough {
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
	evidence := fmt.Sprintf("%.0f %% (±%.0f %%) of %d showers reach %.2f of the expected effectiveness less than the rest do, and %s",
		100*m.Share, 200*m.UShare, len(ps), m.Separation, side)
	d.add(BypassAtTimes, since, confidence, evidence)
	d.decideNow = ""
	d.leaveOut(low)
}

// leaveOut takes the showers of these indices out.
func (d *diagnoser) leaveOut(these map[int]bool) {
	kept := d.showers[:0:0]
	for i := range d.showers {
		if !these[i] {
			kept = append(kept, d.showers[i])
		}
	}
	d.showers = kept
}

// aroundMeter looks for a share of the showers whose mains water goes past unit and
// meter alike. What little passes the unit is heated as well as ever, so that the
// effectiveness shows nothing: the waste gives up little of its heat, to little water.
func (d *diagnoser) aroundMeter() {
	var ps []trend.Point
	var index []int
	var falls, flows []float64
	for i := range d.showers {
		s := &d.showers[i]
		fall := (s.t[0] - s.t[1]) / (s.t[0] - s.t[2])
		if !(s.flow > 0) || math.IsNaN(fall) || math.IsInf(fall, 0) {
			continue
		}
		ps = append(ps, trend.Point{T: s.e.Start.Sub(d.first) / day, U: 0.01})
		index = append(index, i)
		falls, flows = append(falls, fall), append(flows, s.flow)
	}
	if len(ps) < 20 {
		return
	}
	usual := robust.Quantile(falls, 0.8)
	for k := range ps {
		ps[k].Y = falls[k] / usual
	}
	if !(usual > 0) || apart(ps) < 4 {
		return
	}
	m, err := trend.FitMixture(ps, trend.Options{Kinds: []trend.Kind{trend.Line, trend.Step, trend.Bend}})
	if err != nil || !m.Two {
		return
	}
	var part [2]struct{ fall, flow []float64 } // the rest, and those of little recovery
	low := map[int]bool{}
	since := d.showers[len(d.showers)-1].e.Start
	for k, p := range m.Low {
		of := &part[0]
		if p > 0.5 {
			of = &part[1]
			low[index[k]] = true
			since = min(since, d.showers[index[k]].e.Start)
		}
		of.fall, of.flow = append(of.fall, falls[k]), append(of.flow, flows[k])
	}
	fall := [2]float64{robust.Median(part[0].fall), robust.Median(part[1].fall)}
	flow := [2]float64{robust.Median(part[0].flow), robust.Median(part[1].flow)}
	// less water alone cools the waste more, and a hotter shower takes little less
	// mains water: no habit lowers both so far
	if !(fall[1] < littleFall*fall[0] && flow[1] < littleFlow*flow[0]) {
		return
	}
	defer d.leaveOut(low)
	if m.Share < leastShare {
		return
	}
	confidence := 1 / (1 + math.Exp(-m.Evidence/4))
	if confidence < sureEnough {
		d.decideNow = fmt.Sprintf("%.0f more showers at the share so far", math.Ceil(float64(len(ps))*(4*logit(sureEnough)/max(m.Evidence, 0.1)-1)))
	}
	d.add(BypassAtTimes, since, confidence, fmt.Sprintf("in %.0f %% (±%.0f %%) of %d showers the meter shows %.1f l/min in place of %.1f and the waste side cools by %.2f of the span in place of %.2f: mains water goes past unit and meter",
		100*m.Share, 200*m.UShare, len(ps), flow[1], flow[0], fall[1], fall[0]))
	d.decideNow = ""
}
