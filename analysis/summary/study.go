package summary

import (
	"cmp"
	"greywatt/analysis/event"
	"greywatt/analysis/pooled"
	"greywatt/analysis/robust"
	"maps"
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
	// dwellings. What is a dwelling's own averages out over them. What sensors of a
	// batch share, and the method's assumptions (the waste side's loss to the room,
	// the conversion of rated points), do not.
	U95 float64
	Shares

	// Lo and Hi are the distribution-free 95 % interval of the median for
	// dwellings like these: what another such set could have given. NaN with fewer
	// than six.
	Lo, Hi float64
}

// A Study is a study over all of its data or over one month.
type Study struct {
	Month     Month
	Group     string // "connection A" or "group NAME"; empty: all dwellings
	Dwellings int    // with events
	Tally
	Effectiveness StudyMedian
	Ratio         StudyMedian
	Pooled        Pooled // of the ratio
	ByHeat        Weighted
	ByTime        Weighted
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

// ByGroup sums up the dwellings of each connection, and of each group of the study
// file, over all data; nothing for a division that has one part only.
func ByGroup(dwellings []Dwelling) []Study {
	var out []Study
	for _, of := range []func(*Summary) string{
		func(s *Summary) string { return "connection " + s.Connection.String() },
		func(s *Summary) string {
			if s.Group == "" {
				return ""
			}
			return "group " + s.Group
		},
	} {
		members := map[string][]*Summary{}
		for i := range dwellings {
			s := &dwellings[i].Summary
			members[of(s)] = append(members[of(s)], s)
		}
		if len(members) < 2 {
			continue
		}
		for _, name := range slices.Sorted(maps.Keys(members)) {
			if name != "" {
				s := summariseStudy(Month{}, members[name])
				s.Group = name
				out = append(out, s)
			}
		}
	}
	return out
}

func summariseStudy(m Month, ds []*Summary) Study {
	s := Study{
		Month:         m,
		Effectiveness: spread(ds, func(d *Summary) *Estimate { return &d.Effectiveness }),
		Ratio:         spread(ds, func(d *Summary) *Estimate { return &d.Ratio }),
		Pooled:        pool(ds, func(d *Summary) *Estimate { return &d.Ratio }),
		ByHeat:        weightedOver(ds, func(d *Summary) *Weighted { return &d.ByHeat }),
		ByTime:        weightedOver(ds, func(d *Summary) *Weighted { return &d.ByTime }),
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
	money := map[string]float64{}
	var heat, fuel, carbon []contribution
	paid := map[string][]contribution{}
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
			s.HeatKWh += d.HeatKWh
			heat = append(heat, contribution{1, d.HeatOwnU, d.HeatSystematic})
			s.FuelKWh += d.FuelKWh
			fuel = append(fuel, d.fuel)
		}
		if !math.IsNaN(d.CarbonKg) {
			s.CarbonKg += d.CarbonKg
			carbon = append(carbon, d.carbon)
		}
		for _, x := range d.Money {
			money[x.Currency] += x.Saved
			paid[x.Currency] = append(paid[x.Currency], d.money)
		}
	}
	s.HeatShares = sharesOf(heat)
	s.HeatU95KWh, s.FuelU95KWh, s.CarbonU95Kg = s.HeatShares.U95(), sharesOf(fuel).U95(), sharesOf(carbon).U95()
	if len(carbon) == 0 {
		s.CarbonKg, s.CarbonU95Kg = math.NaN(), math.NaN()
	}
	s.Rejected = rejections(rejected)
	for currency, saved := range money {
		s.Money = append(s.Money, Money{currency, saved, sharesOf(paid[currency]).U95()})
	}
	slices.SortFunc(s.Money, func(a, b Money) int { return cmp.Compare(a.Currency, b.Currency) })
	return s
}

func spread(ds []*Summary, of func(*Summary) *Estimate) StudyMedian {
	var mean, u []float64
	known := withFigure(ds, of)
	for _, e := range known {
		mean, u = append(mean, e.Median), append(u, e.Shares().OwnU95/2)
	}
	out := StudyMedian{
		Dwellings: len(mean), Median: robust.Median(mean),
		Q1: robust.Quantile(mean, 0.25), Q3: robust.Quantile(mean, 0.75), Min: robust.Quantile(mean, 0), Max: robust.Quantile(mean, 1),
	}
	out.Lo, out.Hi = medianInterval(mean)
	lo, hi := medianOfUncertain(mean, u)
	// a shift that some of the dwellings share moves their median about as it moves their mean
	out.Shares = sharesOf(weighedAlike(known))
	out.OwnU95 = (hi - lo) / 2
	out.U95 = out.Shares.U95()
	return out
}

// withFigure returns the estimates that have an uncertainty.
func withFigure(ds []*Summary, of func(*Summary) *Estimate) []*Estimate {
	var known []*Estimate
	for _, d := range ds {
		if e := of(d); !math.IsNaN(e.U95) {
			known = append(known, e)
		}
	}
	return known
}

// weighedAlike returns the contributions to the mean of the estimates.
func weighedAlike(known []*Estimate) []contribution {
	out := make([]contribution, len(known))
	for i, e := range known {
		out[i] = contribution{1 / float64(len(known)), e.OwnU95 / 2, e.Systematic}
	}
	return out
}

// Pooled is the mean over a population of dwellings like these, by random effects,
// and how they differ.
type Pooled struct {
	pooled.Estimate         // all NaN, and no dwellings, where fewer than two have a figure
	SharedU95       float64 // expanded uncertainty, k = 2, that dwellings have in common: batches and method
	U95             float64 // of the mean, with SharedU95
}

func pool(ds []*Summary, of func(*Summary) *Estimate) Pooled { return poolOf(withFigure(ds, of)) }

func poolOf(known []*Estimate) Pooled {
	var values []pooled.Value
	for _, e := range known {
		own := e.Shares().OwnU95 / 2
		values = append(values, pooled.Value{Y: e.Median, U: max(own, leastU)})
	}
	estimate, err := pooled.Over(values)
	if err != nil {
		none := math.NaN()
		return Pooled{pooled.Estimate{Mean: none, U95: none, Tau: none, TauLo: none, TauHi: none, Lo: none, Hi: none}, none, none}
	}
	shares := sharesOf(weighedAlike(known))
	shared := math.Hypot(shares.BatchU95, shares.MethodU95)
	return Pooled{estimate, shared, math.Hypot(estimate.U95, shared)}
}

// leastU stands in for the standard uncertainty of a figure without any of its
// own: far below what any sensor reaches.
const leastU = 1e-6
