package finding

import (
	"math"
	"slices"

	"greywatt"
	"greywatt/analysis/health"
	"greywatt/analysis/robust"
)

// sizes are the prior standard deviations of a change by its source.
const (
	sizeUnit  = 0.30
	sizeClamp = 1.0 // K
	sizeMeter = 0.15
)

// A change that takes gradualDays, or in a short record a third of it, is gradual:
// this project's choice.
const gradualDays = 10.0

// priorDays is the length of a record, days, to which the priors of changes refer.
// In a shorter one less can have happened; in a longer one dirt is the likelier.
const priorDays = 60.0

// mostLength is the most by which a longer record raises that of fouling.
const mostLength = 3.0

// leastAside is how many showers a sudden change must have on either side: fewer
// are odd showers.
const leastAside = 3

// compare weighs the causes of one more change, beside those in extra, each with people's
// habit as it was and with the changes of habit, and returns the best of each with its
// probability over both; the evidence of the likelier of the two, and the probability of the second.
func (d *diagnoser) compare(gs []group, loose []loosening, cuts []cut, habits []habitChange, extra [][]float64, taken map[cause]bool) (out [numCauses]change, e *evidence, changed float64) {
	out, e = d.weigh(gs, loose, cuts, nil, extra, taken)
	if len(habits) > 0 {
		moved, em := d.weigh(gs, loose, cuts, e.habitColumns(habits), extra, taken)
		days := max(gs[len(gs)-1].t-gs[0].t, 1)
		p := min(0.5, priorHabit*days/priorDays)
		ln := temper * (em.null() - e.null())
		for range habits {
			ln += math.Log(p) - temper*math.Log(float64(len(gs)))
		}
		still := math.Log(1 - p)
		var was, is float64
		most := math.Inf(-1)
		for c := range out {
			out[c].ln += still
			moved[c].ln += ln
			most = max(most, out[c].ln, moved[c].ln)
		}
		for c := range out {
			a, b := math.Exp(out[c].ln-most), math.Exp(moved[c].ln-most)
			was, is = was+a, is+b
			if b > a {
				out[c] = moved[c]
			}
			out[c].ln = most + math.Log(a+b)
		}
		changed = is / (was + is)
		if is > was {
			e = em
		}
	}
	most := math.Inf(-1)
	for c := range out {
		most = max(most, out[c].ln)
	}
	var total float64
	none := out[causeNone].ln
	for c := range out {
		out[c].p = math.Exp(out[c].ln - most)
		out[c].ln -= none
		total += out[c].p
	}
	for c := range out {
		out[c].p /= total
	}
	return out, e, changed
}

// weigh returns the best course of each cause, with ln of its prior times likelihood, the latter over that of no change;
// habits are columns of the data that people's habit may have moved.
func (d *diagnoser) weigh(gs []group, loose []loosening, cuts []cut, habits, extra [][]float64, taken map[cause]bool) ([numCauses]change, *evidence) {
	var out [numCauses]change
	second := len(extra) > 0
	extra = slices.Concat(extra, habits)
	e := d.newEvidence(gs, cuts, extra, 1)
	base := e.null()
	w := map[cause]*weigher{}
	add := func(c cause, ch change, lnL float64) {
		if math.IsNaN(lnL) || taken[c] {
			return
		}
		if w[c] == nil {
			w[c] = &weigher{}
		}
		ch.cause, ch.lnL = c, lnL
		w[c].add(ch)
	}
	add(causeNone, change{}, 0)
	wide := d.newEvidence(gs, cuts, extra, misfitScale)
	add(causeMisfit, change{}, wide.null()-base)

	first, last := gs[0].t, gs[len(gs)-1].t
	short := min(gradualDays, max(1, (last-first)/3))
	var knots []float64
	step := max(1, len(gs)/14)
	for j := 0; j < len(gs)-1; j += step {
		knots = append(knots, gs[j].t)
	}
	var gradual, sudden []profile
	var quick []profile // in a short record: of the unit only, as sensors drift over weeks
	for a, t0 := range knots {
		for _, t1 := range append(append([]float64{}, knots[a+1:]...), last) {
			switch {
			case t1-t0 >= gradualDays:
				gradual = append(gradual, profile{kind: profileRamp, t0: t0, t1: t1, tau: 0})
			case t1-t0 >= short:
				quick = append(quick, profile{kind: profileRamp, t0: t0, t1: t1, tau: 0})
			}
		}
		for _, tau := range []float64{6, 15, 40} {
			if last-t0 >= gradualDays {
				gradual = append(gradual, profile{kind: profileApproach, t0: t0, t1: last, tau: tau})
			}
		}
	}
	for j := 1; j < len(gs); j++ {
		if gs[j].from-gs[0].from < leastAside || gs[len(gs)-1].to-gs[j].from < leastAside {
			continue
		}
		t := (gs[j-1].t + gs[j].t) / 2
		sudden = append(sudden, profile{kind: profileStep, t0: t, t1: t, tau: 0})
	}
	resistance := make([]float64, len(gs))
	for j := range gs {
		resistance[j] = math.Exp((1 - flowGain) * (gs[j].lnFlow - e.flow0))
	}
	part := make([]float64, len(gs))
	column := func(source int, p profile) column {
		e.parts(part, p)
		return e.column(e.whiten(func(k, j int) float64 {
			v := gs[j].gain[k][source] * part[j]
			if p.resists {
				v *= resistance[j]
			}
			return v
		}))
	}
	var over func(c cause, t0 float64) float64
	size := func(c cause, ps []profile, mean, sd float64, sign int, bonus float64) {
		for _, p := range ps {
			p.until = over(c, p.t0)
			col := column(c.source(), p)
			if col.xx <= 0 {
				continue
			}
			lnL, a, u := col.gain(mean, sd, sign)
			add(c, change{course: p, size: a, u: u, deviation: math.Abs(a-mean) / sd, shift: col.x}, lnL+bonus)
		}
	}
	over = func(c cause, t0 float64) float64 {
		ch, has := c.channel()
		for _, w := range cuts {
			replaced := w.kind == greywatt.FactClampReplaced || w.kind == greywatt.FactMeterReplaced ||
				w.kind == greywatt.FactClampMoved && c >= causeLoose
			if at := w.at.Sub(d.first) / day; has && replaced && w.channel == ch && at > t0 {
				return at
			}
		}
		return 0
	}
	dirt := append(quick, gradual...)
	for _, p := range dirt[:len(dirt):len(dirt)] {
		p.resists = true
		dirt = append(dirt, p)
	}
	size(causeFouling, dirt, 0, sizeUnit, -1, 0)
	size(causeStep, sudden, 0, sizeUnit, -1, 0)
	size(causeMended, sudden, 0, sizeUnit, 1, 0)
	size(causeMended, gradual, 0, sizeUnit, 1, -3) // no unit gets better by and by
	size(causeMeter, gradual, 0, sizeMeter, 0, 0)
	size(causeMeterStep, sudden, 0, 2*sizeMeter, 0, 0)
	if len(e.index[seriesMeters]) > 0 {
		size(causeWasteMeter, gradual, 0, sizeMeter, 0, 0)
		size(causeWasteMeterStep, sudden, 0, 2*sizeMeter, 0, 0)
	}
	for p := range cause(4) {
		mean, sd, bonus := d.resting(greywatt.Channel(p), second)
		drift := func(ps []profile, bonus float64) {
			for _, q := range ps {
				q.until = over(causeDrift+p, q.t0)
				col := column(int(p), q)
				if col.xx <= 0 {
					continue
				}
				lnL, a, u := col.gain(mean, sd, 0)
				for range 2 { // the effect is not proportional to the size
					if math.Abs(a) < secantK[len(secantK)/2] {
						break
					}
					e.parts(part, q)
					col = e.column(e.whiten(func(k, j int) float64 { return gs[j].clampShift(int(p), k, a*part[j]) / a }))
					lnL, a, u = col.gain(mean, sd, 0)
				}
				add(causeDrift+p, change{course: q, size: a, u: u, deviation: math.Abs(a-mean) / sd, shift: col.x}, lnL+bonus)
			}
		}
		drift(gradual, bonus)
		drift(sudden, bonus-1)
	}
	e.loose(loose, sudden, func(t float64) bool { return d.turning(t) != nil }, over, add)
	e.unlisted(append(sudden, gradual...), func(p profile, lnL float64) {
		add(causeUnlisted, change{course: p}, lnL)
	})
	for c := range out {
		ln := math.Inf(-1)
		if v := w[cause(c)]; v != nil {
			ln = math.Log(priors[c]) + temper*v.mean()
			if cause(c) != causeNone {
				most := 1.0
				if cause(c) == causeFouling {
					most = mostLength
				}
				ln += math.Log(min(most, max(last-first, 1)/priorDays))
			}
			out[c] = v.best()
		}
		out[c].cause, out[c].ln = cause(c), ln
	}
	return out, e
}

// mostDeviation is how far a sensor's change may be from what is known of it beforehand,
// in standard deviations; one further off explains nothing: this project's choice.
const mostDeviation = 3.0

// temper is the power of the likelihood that goes into the comparison: the data
// are not as independent, nor scatter and wander as well known, as the model has
// them.
const temper = 0.6

// leastNights is how many comparisons at rest tell of a clamp: this project's choice.
const leastNights = 8

// resting is what the clamps at rest say of a change of one of them: its size
// with a standard uncertainty, and the log of the likelihood over that of no
// change.
func (d *diagnoser) resting(c greywatt.Channel, second bool) (mean, sd, lnL float64) {
	if !d.rested(c) {
		return 0, sizeClamp, 0
	}
	r := &d.health.Channels[c].Drift
	if slices.ContainsFunc(d.health.Leaks, func(l health.Leak) bool { return l.Score > 0.3 }) {
		return 0, sizeClamp, 0 // water that runs at rest moves the clamps
	}
	if math.IsNaN(r.UK) {
		return 0, sizeClamp, 0
	}
	if second && !slices.ContainsFunc(d.health.Drifting, func(x health.Drifting) bool { return x.Channel == c }) {
		return 0, sizeClamp, min(0, r.LogEvidence) // what one clamp does shows in the others' mean
	}
	return r.ChangeK, math.Hypot(restScatter, math.Hypot(r.UK, restShare*r.ChangeK)), max(-6, min(60, r.LogEvidence))
}

// seenTo is added to the log of the prior of a loose clamp that the journal has replaced
// or put on again afterwards: nobody does so without a reason. This project's choice.
const seenTo = 2.0

// unlistedHeat is the standard deviation, ln, of a change of the balance that no
// listed cause explains: this project's choice.
const unlistedHeat = 0.10

// unlisted weighs a change of conductance and balance by amounts that have nothing
// to do with each other: what contradicts a change of the unit alone, and fits no
// sensor. There is none without a balance.
func (e *evidence) unlisted(courses []profile, add func(profile, float64)) {
	if len(e.index[seriesHeat]) == 0 {
		return
	}
	part := make([]float64, len(e.groups))
	for _, p := range courses {
		e.parts(part, p)
		shift := func(series int, sd float64) column {
			return e.column(e.whiten(func(k, j int) float64 {
				if k != series {
					return 0
				}
				return sd * part[j]
			}))
		}
		ua, heat := shift(seriesUA, sizeUnit), shift(seriesHeat, unlistedHeat)
		between := e.product(&ua, &heat)
		// precision of the two sizes, each in its prior standard deviations
		a, b, c := 1+ua.xx, 1+heat.xx, between
		det := a*b - c*c
		add(p, 0.5*(b*ua.xd*ua.xd-2*c*ua.xd*heat.xd+a*heat.xd*heat.xd)/det-0.5*math.Log(det))
	}
}

// A clamp that still shows a share of slight and more of its pipe moves the balance by as
// much as a leak that begins or ends does: slightDoubt, in ln of the likelihood, goes
// against it where one does. Both are this project's choice.
const (
	slight      = 0.7
	slightDoubt = 8.0
	nearLeak    = 4.0 // days
)

// turning returns the water at rest that began or ceased to run about a day; nil where none did.
func (d *diagnoser) turning(t float64) *health.Leak {
	if d.health == nil {
		return nil
	}
	i := slices.IndexFunc(d.health.Leaks, func(l health.Leak) bool {
		return l.Score > likely && (math.Abs(l.From.Sub(d.first)/day-t) < nearLeak || math.Abs(l.To.Sub(d.first)/day-t) < nearLeak)
	})
	if i < 0 {
		return nil
	}
	return &d.health.Leaks[i]
}

func medianKnown(x []float64) float64 {
	var known []float64
	for _, v := range x {
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			known = append(known, v)
		}
	}
	if 2*len(known) <= len(x) {
		return math.NaN()
	}
	return robust.Median(known)
}

// A weigher sums the likelihood over the courses of one cause.
type weigher struct {
	all []change
}

func (w *weigher) add(c change) { w.all = append(w.all, c) }

// mean is the log of the mean likelihood over the courses.
func (w *weigher) mean() float64 {
	most := math.Inf(-1)
	for i := range w.all {
		most = max(most, w.all[i].lnL)
	}
	if math.IsInf(most, -1) {
		return most
	}
	var sum float64
	for i := range w.all {
		sum += math.Exp(w.all[i].lnL - most)
	}
	return most + math.Log(sum/float64(len(w.all)))
}

// best is the likeliest course, with the middle and the ends of the onsets by
// weight.
func (w *weigher) best() change {
	b := 0
	for i := range w.all {
		if w.all[i].lnL > w.all[b].lnL {
			b = i
		}
	}
	return w.all[b]
}
