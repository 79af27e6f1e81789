package finding

import (
	"cmp"
	"math"
	"slices"

	"greywatt"
)

// add notes a finding.
func (d *diagnoser) add(code Code, since greywatt.Instant, confidence float64, evidence string) {
	f := Finding{Dwelling: d.dwelling.ID, Code: code, Since: since, Confidence: min(0.99, confidence), Evidence: evidence}
	f.Advice, f.Cautions = Advice(code)
	d.note(f)
}

// addLoose notes a loose clamp.
func (d *diagnoser) addLoose(c greywatt.Channel, since greywatt.Instant, confidence float64, evidence string) {
	f := Finding{Dwelling: d.dwelling.ID, Code: SensorLoose, Channel: c.String(), Since: since, Confidence: min(0.99, confidence), Evidence: evidence}
	f.Advice, f.Cautions = adviseSensor(c)
	d.note(f)
}

// note keeps one row a code: what is found again, after a cleaning or a second
// step, joins the first.
func (d *diagnoser) note(f Finding) {
	f.Decide = d.decideNow
	for i := range d.found {
		if was := &d.found[i]; was.Code == f.Code && was.Channel == f.Channel {
			was.Confidence = max(was.Confidence, f.Confidence)
			was.Evidence += "; since " + d.date(f.Since) + ": " + f.Evidence
			return
		}
	}
	d.found = append(d.found, f)
}

// rows orders the findings, or says that there is none. A dead sensor of the room,
// which matters least to the figures, comes last.
func (d *diagnoser) rows() []Finding {
	room := func(f *Finding) bool { return f.Code == SensorDead && f.Channel == greywatt.Ambient.String() }
	slices.SortStableFunc(d.found, func(a, b Finding) int {
		if room(&a) != room(&b) {
			if room(&a) {
				return 1
			}
			return -1
		}
		return cmp.Compare(b.Confidence, a.Confidence)
	})
	if len(d.found) == 0 {
		d.nothing()
	}
	for i := range d.found {
		if f := &d.found[i]; f.Decide == "" && (f.Code == Undecided || f.Confidence < sureEnough) {
			f.Decide = d.decideFinding(f)
		}
	}
	return d.found
}

// since is the index from which on at least four fifths of what follows holds,
// four showers or more; -1 where there is none. It is the first such index at
// which the thing itself holds.
func since(holds []bool) int {
	n := 0
	best := -1
	for i := len(holds) - 1; i >= 0; i-- {
		if holds[i] {
			n++
		}
		if holds[i] && float64(n) >= 0.8*float64(len(holds)-i) {
			best = i
		}
	}
	if best < 0 || len(holds)-best < min(4, len(holds)) {
		return -1
	}
	return best
}

// from returns the moment from which something holds that holds from shower i
// on: the beginning of the data where i is the first.
func (d *diagnoser) from(i int) greywatt.Instant {
	if i == 0 {
		return d.first
	}
	return d.showers[i].e.Start
}

// points is the trend, one point a shower with a conductance.
func (d *diagnoser) points(stretches []Segment) []TrendPoint {
	out := slices.Grow([]TrendPoint(nil), len(d.showers)) // held for long: unused room would be too
	nan := math.NaN()
	segment, in, changed := 0, -1, false
	for i := range d.showers {
		s := &d.showers[i]
		if math.IsNaN(s.lnUA) || math.IsInf(s.lnUA, 0) {
			continue
		}
		p := TrendPoint{
			Dwelling: d.dwelling.ID, EventID: s.e.ID, At: s.e.Start,
			UARatio: math.Exp(s.lnUA), UARatioU95: 2 * s.uAll * math.Exp(s.lnUA), Fit: nan, FitLo: nan, FitHi: nan,
			OwnU95: 2 * s.uRandom * math.Exp(s.lnUA), ColdInC: s.t[greywatt.ColdIn],
		}
		p.LeftOut = len(stretches) > 0
		p.Segment = segment + 1 // past the last stretch
		for k := range stretches {
			st := &stretches[k]
			if s.e.Start < st.From || s.e.Start > st.To {
				continue
			}
			t := s.e.Start.Sub(st.From) / day
			if k != in {
				segment, in, changed = segment+1, k, false
			}
			if st.Fitted && !changed && t >= st.Model.ChangeT { // not where there is none
				segment, changed = segment+1, true
			}
			p.Segment, p.LeftOut = segment, false
			if st.Fitted {
				y, u := st.Model.At(t)
				p.Fit, p.FitLo, p.FitHi = math.Exp(y), math.Exp(y-2*u), math.Exp(y+2*u)
			}
		}
		out = append(out, p)
	}
	if len(out) == 0 {
		return nil
	}
	return out
}
