package summary

import (
	"math"
	"slices"

	"greywatt"
	"greywatt/analysis/event"
)

// A Weighted is the mean of events' ratios, each with a weight of its own: the heat
// that its shower recovered, or the time for which its water ran. The median says
// what a shower is like; this says what a kilowatt-hour, or a minute, is like. A
// figure that is not known is NaN.
type Weighted struct {
	Value  float64
	U95    float64 // expanded uncertainty, k = 2, over these very dwellings
	Shares         // of it; what averages out over events is in OwnU95
	Events int
	Weight float64 // of them together, kWh or s; 0 without events

	own, ownWeight float64            // standard uncertainties that events do not share: of Value and of Weight
	ofValue        []SystematicEffect // on Value, at these weights
	ofWeight       []SystematicEffect // on Weight
}

// weights are what the events' weighted ratios add up to. Of the sums' letters, w
// is the weight, r the ratio, o and v the own standard uncertainties of r and w, c
// and d their shifts by one standard uncertainty of a shared input.
type weights struct {
	n                    int
	w, wr, w2, w2r, w2r2 float64
	w2o2, v2, v2r, v2r2  float64
	names                []string
	shifts               map[string]*weightShifts
}

type weightShifts struct{ wc, d, rd float64 }

func (s *weights) of(name string) *weightShifts {
	if s.shifts == nil {
		s.shifts = map[string]*weightShifts{}
	}
	x := s.shifts[name]
	if x == nil {
		x = &weightShifts{}
		s.shifts[name], s.names = x, append(s.names, name)
	}
	return x
}

// add takes an event. Its heat's budget counts where its heat is the weight.
func (s *weights) add(e *event.Event, weight float64, byHeat bool) {
	if !(weight > 0) {
		return
	}
	r, o := e.Ratio, event.OwnU(e.Budgets.Ratio)
	s.n++
	s.w += weight
	s.wr += weight * r
	s.w2 += weight * weight
	s.w2r += weight * weight * r
	s.w2r2 += weight * weight * r * r
	s.w2o2 += weight * weight * o * o
	for _, row := range e.Budgets.Ratio.Rows {
		if event.SharingOf(row.Name) != event.Own && row.Contribution != 0 {
			s.of(row.Name).wc += weight * row.Contribution
		}
	}
	if !byHeat {
		return
	}
	for _, row := range e.Budgets.Heat.Rows {
		d := row.Contribution / event.JoulesPerKWh
		if event.SharingOf(row.Name) != event.Own {
			x := s.of(row.Name)
			x.d += d
			x.rd += r * d
			continue
		}
		s.v2 += d * d
		s.v2r += d * d * r
		s.v2r2 += d * d * r * r
	}
}

// mean returns the weighted mean R = Σwr/Σw with its budget: by first order, an
// error c of a ratio moves R by w·c/Σw and an error d of a weight by d·(r - R)/Σw
// (JCGM 100:2008, 5.1.2 and 5.2.2). What averages out is the larger of the events'
// own budgets and of their scatter, Σw²(r - R)²/(Σw)² · n/(n - 1), the variance of
// a ratio of two means. Source: W. G. Cochran, Sampling Techniques, 3rd ed. (1977),
// section 6.4 (from memory).
func (s *weights) mean(d *greywatt.Dwelling) Weighted {
	if s.n == 0 {
		nan := math.NaN()
		return Weighted{Value: nan, U95: nan, Shares: Shares{nan, nan, nan}}
	}
	mean, n := s.wr/s.w, float64(s.n)
	about := func(one, r, r2 float64) float64 { return max(0, r2-2*mean*r+mean*mean*one) }
	scatter := about(s.w2, s.w2r, s.w2r2) * n / max(1, n-1)
	stated := s.w2o2 + about(s.v2, s.v2r, s.v2r2)
	out := Weighted{Value: mean, Events: s.n, Weight: s.w, own: math.Sqrt(max(stated, scatter)) / s.w, ownWeight: math.Sqrt(s.v2)}
	for _, name := range s.names {
		x := s.shifts[name]
		if shift := (x.wc + x.rd - mean*x.d) / s.w; shift != 0 {
			out.ofValue = append(out.ofValue, effectOf(d, name, shift))
		}
		if x.d != 0 {
			out.ofWeight = append(out.ofWeight, effectOf(d, name, x.d))
		}
	}
	return out.combine([]contribution{{1, out.own, out.ofValue}})
}

// combine fills in the expanded uncertainties.
func (w Weighted) combine(sum []contribution) Weighted {
	w.Shares = sharesOf(sum)
	w.U95 = w.Shares.U95()
	return w
}

// weightedOver returns the mean over the events of several dwellings.
func weightedOver(ds []*Summary, of func(*Summary) *Weighted) Weighted {
	out := Weighted{}
	var sum float64
	for _, d := range ds {
		if w := of(d); w.Events > 0 {
			out.Events += w.Events
			out.Weight += w.Weight
			sum += w.Weight * w.Value
		}
	}
	if out.Events == 0 {
		return (&weights{}).mean(nil)
	}
	out.Value = sum / out.Weight
	var parts []contribution
	for _, d := range ds {
		w := of(d)
		if w.Events == 0 {
			continue
		}
		share, lever := w.Weight/out.Weight, (w.Value-out.Value)/out.Weight
		part := contribution{1, math.Hypot(share*w.own, lever*w.ownWeight), nil}
		for _, s := range w.ofValue {
			s.Shift *= share
			part.systematic = append(part.systematic, s)
		}
		for _, s := range w.ofWeight {
			s.Shift *= lever
			// an error of one sensor moves both, with its sign
			if k := slices.IndexFunc(part.systematic, func(x SystematicEffect) bool { return x.Input == s.Input }); k >= 0 {
				part.systematic[k].Shift += s.Shift
			} else {
				part.systematic = append(part.systematic, s)
			}
		}
		parts = append(parts, part)
	}
	return out.combine(parts)
}
