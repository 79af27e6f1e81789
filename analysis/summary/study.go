package summary

import (
	"cmp"
	"greywatt/analysis/event"
	"greywatt/analysis/robust"
	"math"
	"slices"
)

// A StudyMedian is a figure over the dwellings of a study: the medians of those that
// have one with its uncertainty. A figure that is not known is NaN.
type StudyMedian struct {
	Dwellings        int
	Median           float64
	Q1, Q3, Min, Max float64 // over dwellings: how units, flows and homes differ, and what sensors add to that

	// U95 is the expanded uncertainty, k = 2, of the median over these very
	// dwellings. Their sensors are independent of each other, so that what does
	// not average out within a dwelling does so over them; the method's
	// assumptions (the drain's loss to the room, the conversion of rated points)
	// they have in common, and those do not.
	U95       float64
	MethodU95 float64 // the part of U95 that is the method's

	// Lo and Hi are the distribution-free 95 % interval of the median for
	// dwellings like these: what another such set could have given. NaN with fewer
	// than six.
	Lo, Hi float64
}

// A Study is a study over all of its data or over one month.
type Study struct {
	Month     Month
	Dwellings int // with events
	Tally
	Effectiveness StudyMedian
	Ratio         StudyMedian
	// Medians over the dwellings of theirs; NaN where none is known.
	Expected, ExpectedU95, MainsC, AtCertificate float64
}

// OfStudy sums up the dwellings of a study, all data first, then month
// by month.
func OfStudy(dwellings []Dwelling) []Study {
	byMonth := map[Month][]*Summary{}
	var months []Month
	for i := range dwellings {
		d := &dwellings[i]
		byMonth[Month{}] = append(byMonth[Month{}], &d.Summary)
		for k := range d.Months {
			m := d.Months[k].Month
			if byMonth[m] == nil {
				months = append(months, m)
			}
			byMonth[m] = append(byMonth[m], &d.Months[k])
		}
	}
	slices.SortFunc(months, compareMonths)
	out := []Study{summariseStudy(Month{}, byMonth[Month{}])}
	for _, m := range months {
		out = append(out, summariseStudy(m, byMonth[m]))
	}
	return out
}

func summariseStudy(m Month, ds []*Summary) Study {
	s := Study{
		Month:         m,
		Effectiveness: spread(ds, func(d *Summary) *Estimate { return &d.Effectiveness }),
		Ratio:         spread(ds, func(d *Summary) *Estimate { return &d.Ratio }),
	}
	over := func(of func(*Summary) float64) float64 {
		var all []float64
		for _, d := range ds {
			if v := of(d); !math.IsNaN(v) {
				all = append(all, v)
			}
		}
		return robust.Median(all)
	}
	s.Expected = over(func(d *Summary) float64 { return d.Expected })
	s.ExpectedU95 = over(func(d *Summary) float64 { return d.ExpectedU95 })
	s.MainsC = over(func(d *Summary) float64 { return d.MainsC })
	s.AtCertificate = over(func(d *Summary) float64 { return d.AtCertificate })
	rejected := map[event.Flag]int{}
	money := map[string]Money{}
	carbon := false
	for _, d := range ds {
		if d.Showers+d.OtherDraws+d.Partial > 0 {
			s.Dwellings++
		}
		s.Showers += d.Showers
		s.OtherDraws += d.OtherDraws
		s.Partial += d.Partial
		s.Used += d.Used
		for _, r := range d.Rejected {
			rejected[r.Reason] += r.Events
		}
		s.HeatEvents += d.HeatEvents
		s.HeatLeftOut += d.HeatLeftOut
		if !math.IsNaN(d.HeatKWh) {
			addIndependent(&s.HeatKWh, &s.HeatU95KWh, d.HeatKWh, d.HeatU95KWh)
			addIndependent(&s.FuelKWh, &s.FuelU95KWh, d.FuelKWh, d.FuelU95KWh)
		}
		if !math.IsNaN(d.CarbonKg) {
			carbon = true
			addIndependent(&s.CarbonKg, &s.CarbonU95Kg, d.CarbonKg, d.CarbonU95Kg)
		}
		for _, x := range d.Money {
			sum := money[x.Currency]
			sum.Currency = x.Currency
			addIndependent(&sum.Saved, &sum.U95, x.Saved, x.U95)
			money[x.Currency] = sum
		}
	}
	if !carbon {
		s.CarbonKg, s.CarbonU95Kg = math.NaN(), math.NaN()
	}
	s.Rejected = rejections(rejected)
	for _, x := range money {
		s.Money = append(s.Money, x)
	}
	slices.SortFunc(s.Money, func(a, b Money) int { return cmp.Compare(a.Currency, b.Currency) })
	return s
}

// addIndependent adds a quantity to a sum, and its uncertainty in squares.
func addIndependent(sum, u95 *float64, v, vU95 float64) {
	*sum += v
	*u95 = math.Hypot(*u95, vU95)
}

func spread(ds []*Summary, of func(*Summary) *Estimate) StudyMedian {
	var mean, u []float64
	method := map[string][]float64{}
	for _, d := range ds {
		e := of(d)
		if math.IsNaN(e.U95) {
			continue
		}
		mean, u = append(mean, e.Median), append(u, e.independentU())
		for _, s := range e.Systematic {
			if s.OfMethod {
				method[s.Input] = append(method[s.Input], s.Shift)
			}
		}
	}
	out := StudyMedian{
		Dwellings: len(mean), Median: robust.Median(mean),
		Q1: robust.Quantile(mean, 0.25), Q3: robust.Quantile(mean, 0.75), Min: robust.Quantile(mean, 0), Max: robust.Quantile(mean, 1),
	}
	out.Lo, out.Hi = medianInterval(mean)
	lo, hi := medianOfUncertain(mean, u)
	var common float64
	for _, input := range event.InputNames {
		shifts := method[input]
		for len(shifts) < len(mean) {
			shifts = append(shifts, 0) // dwellings to which it does not matter
		}
		if len(shifts) > 0 {
			shift := robust.Median(shifts)
			common += shift * shift
		}
	}
	out.MethodU95 = 2 * math.Sqrt(common)
	out.U95 = math.Hypot((hi-lo)/2, out.MethodU95)
	return out
}
