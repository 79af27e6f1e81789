package finding

import (
	"math"
	"slices"

	"greywatt"
	"greywatt/analysis/event"
)

// changed compares what may have changed over the showers, reports it, and returns
// those from which the rest can be told, with what drifting sensors did undone.
func (d *diagnoser) changed(ss []shower) []shower {
	k, loose, was := d.cameLoose(ss)
	x := d.explain(ss)
	if i := slices.IndexFunc(x.changes, func(c change) bool { return c.cause >= causeLoose }); i >= 0 && !was {
		c := x.changes[i]
		at := d.first.Add(c.course.t0 * day)
		loose = hypothesis{code: SensorLoose, weight: c.p, sensor: greywatt.Channel(c.cause - causeLoose), share: c.share}
		k, was = slices.IndexFunc(ss, func(s shower) bool { return s.e.Start >= at }), c.p > likely
		if was && k >= 3 && !d.slipped(ss, k, loose) {
			// what fits the whole does not show where it should have begun
			was = false
			x.none = 1 - c.p
			other := x.next[i]
			c.p /= 2
			x.open = []change{c, other}
		}
	} else if i < 0 && was {
		weighed := loose.share > 0 && d.readable(ss[k:min(len(ss), k+40)])
		switch {
		case x.sensorElse(), weighed && x.sure():
			was = false
		case weighed:
			// the comparison weighed it too, and did not find it likelier than all else
			loose.weight = min(loose.weight, likely+(sureEnough-likely)/2)
		}
	}
	if was && k >= 3 {
		d.reportLoose(ss, k, loose)
		ss = d.fastened(ss, k, loose.sensor)
		if len(ss) < enough {
			return ss
		}
		x = d.explain(ss)
	}
	d.correct(ss, &x)
	d.open, d.unchanged = x.open, x.none
	d.why = &x
	return ss
}

// untold reports whether dirt and a drift of the mains meter, which are one to all that is
// measured, are together too likely to call the dwelling healthy.
func (d *diagnoser) untold(x *explanation) bool {
	p := map[cause]float64{}
	for i := range x.rivals {
		p[x.rivals[i].cause] = x.rivals[i].p
	}
	return d.meterless() && p[causeFouling] > 0 && p[causeMeter] > 0 && p[causeFouling]+p[causeMeter] > mostUntold && len(x.changes) == 0 && len(d.open) == 0
}

// mostUntold is the probability of dirt or a meter's drift up to which a dwelling without
// a second meter is healthy: this project's choice.
const mostUntold = 0.11

// readSo compares what may have changed once more, with the showers read as the account of what has been so from the start has
// them: under a loose clamp, or another connection, dirt does not look like dirt. What it finds of
// the unit is as sure as both together.
func (d *diagnoser) readSo(ss []shower, sts []Segment) {
	h := d.account
	if h.weight < sureEnough || !(h.code == SensorLoose && h.share > 0 || h.code == ConnectionDiffers) ||
		slices.ContainsFunc(d.found, func(f Finding) bool { return f.Code == Fouling || f.Code == StepLoss }) {
		return
	}
	so := *d
	so.found, so.account, so.decideNow = nil, hypothesis{}, ""
	so.showers = slices.Clone(ss)
	if h.code == ConnectionDiffers {
		so.connection = h.as
	}
	losses := event.LossesOf(so.rating)
	for i := range so.showers {
		s := &so.showers[i]
		if h.code == SensorLoose {
			s.t = undoPartialContact(int(h.sensor), h.share)(s)
		}
		s.loss = losses.Share(portsOf(s.t), s.flow, s.room)
		s.lnUA = so.evaluate(s.t, s.flow, s.loss).ua
	}
	so.showers = slices.DeleteFunc(so.showers, func(s shower) bool { return math.IsNaN(s.lnUA) })
	if len(so.showers) < enough {
		return
	}
	x := so.explain(so.showers)
	for i := range x.changes {
		x.changes[i].p *= h.weight
	}
	so.report(so.showers, &x, sts)
	for _, f := range so.found {
		if f.Code == Fouling || f.Code == StepLoss {
			f.Evidence += "; read as " + string(h.code) + " has it"
			d.found = append(d.found, f)
		}
	}
}

// slipped reports whether balance or conductance moved at shower k by half and more of what a
// clamp's tightening since would undo.
func (d *diagnoser) slipped(ss []shower, k int, h hypothesis) bool {
	if h.share == 0 {
		return true
	}
	before, after := ss[max(0, k-40):k], ss[k:min(len(ss), k+40)]
	was, is, undone := d.levelsOf(before, nil), d.levelsOf(after, nil), d.levelsOf(after, undoPartialContact(int(h.sensor), h.share))
	if was.n < leastAside || is.n < leastAside || undone.n < leastAside {
		return true
	}
	moved := math.Hypot(is.heat-was.heat, is.ua-was.ua)
	return 2*moved > math.Hypot(undone.heat-is.heat, undone.ua-is.ua)
}

// readable reports whether half of the showers give a conductance as they are read.
func (d *diagnoser) readable(ss []shower) bool {
	n := 0
	for i := range ss {
		if !math.IsNaN(d.evaluate(ss[i].t, ss[i].flow, ss[i].loss).ua) {
			n++
		}
	}
	return 2*n >= len(ss)
}

// fastened returns the showers in which a clamp that came loose at shower k tells
// something: those before, and those after the journal has another in its place, or the same put on
// again. The finding is over then.
func (d *diagnoser) fastened(ss []shower, k int, c greywatt.Channel) []shower {
	for _, w := range d.cuts() {
		if w.channel != c || w.kind != greywatt.FactClampReplaced && w.kind != greywatt.FactClampMoved || w.at <= ss[k].e.Start {
			continue
		}
		n := k
		for n < len(ss) && ss[n].e.Start < w.at {
			n++
		}
		for i := range d.found {
			if f := &d.found[i]; f.Code == SensorLoose && f.Channel == c.String() {
				f.Until = w.at - 1
				f.Evidence += "; until " + d.date(w.at) + ", when the journal has it " + fastenedWords[w.kind]
			}
		}
		return slices.Concat(ss[:k], ss[n:])
	}
	return ss[:k]
}

var fastenedWords = map[greywatt.FactKind]string{greywatt.FactClampReplaced: "replaced", greywatt.FactClampMoved: "taken off and put on"}
