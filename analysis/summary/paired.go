package summary

import (
	"iter"
	"math"
	"slices"
	"time"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
)

// pairDays is how many days before and after a piece of work are compared, and
// leastPair how many events each of them must have: this project's choice. Fewer
// days have too few showers, more have another season.
const (
	pairDays  = 28
	leastPair = 6
)

// An Effect is the ratio before and after a piece of work on a dwelling.
type Effect struct {
	Dwelling      string
	Kind          greywatt.FactKind // cleaned or repaired
	At            greywatt.Instant
	Before, After Estimate
	// Difference is After less Before. What the sensors are off by is in both and
	// cancels as far as it moves both alike.
	Difference Estimate
}

// work is a piece of work with the time that belongs to neither side.
type work struct {
	kind     greywatt.FactKind
	from, to greywatt.Instant
}

// OfWork compares the events of the four weeks before and after each cleaning and
// repair of a dwelling, less where other work, or another clamp, meter or unit,
// comes between. What has fewer than six usable events on a side is left out.
func OfWork(d *greywatt.Dwelling, loc *time.Location, events iter.Seq[*event.Event], findings []finding.Finding) []Effect {
	if loc == nil {
		loc = time.UTC
	}
	var all []work
	for _, day := range d.Cleaned {
		next := day
		next.Day++
		all = append(all, work{greywatt.FactCleaned, day.In(loc), next.In(loc)})
	}
	for _, b := range d.Breaks {
		all = append(all, work{b.Kind, b.At, b.At})
	}
	slices.SortStableFunc(all, func(a, b work) int { return int(max(-1, min(1, a.from-b.from))) })
	var out []Effect
	for i, w := range all {
		if w.kind != greywatt.FactCleaned && w.kind != greywatt.FactRepaired {
			continue
		}
		from, to := w.from.Add(-pairDays*86400), w.to.Add(pairDays*86400)
		alone := true
		for k, other := range all {
			switch {
			case k == i:
			case other.to <= w.from && other.to != w.to:
				from = max(from, other.to)
			case other.from >= w.to && other.from != w.from:
				to = min(to, other.from)
			default:
				alone = false // on the same day: which of the two it was cannot be told
			}
		}
		if !alone {
			continue
		}
		before, after := ratioOf(d, events, findings, from, w.from), ratioOf(d, events, findings, w.to, to)
		if before.Events < leastPair || after.Events < leastPair {
			continue
		}
		out = append(out, Effect{d.ID, w.kind, w.from, before, after, difference(&after, &before)})
	}
	return out
}

// ratioOf returns the estimate of the ratio over the usable events of a time.
func ratioOf(d *greywatt.Dwelling, events iter.Seq[*event.Event], findings []finding.Finding, from, to greywatt.Instant) Estimate {
	var s sums
	for e := range events {
		if e.Start >= from && e.Start < to {
			s.add(d, e, findings)
		}
	}
	return newEstimate(s.ratio, s.ownRatio, s.ofRatio.systematic(d))
}

// difference returns a less b, for estimates of the same sensors.
func difference(a, b *Estimate) Estimate {
	out := Estimate{Median: a.Median - b.Median, Events: a.Events + b.Events, Lo: math.NaN(), Hi: math.NaN(), OwnU95: math.Hypot(a.OwnU95, b.OwnU95)}
	out.Systematic = slices.Clone(a.Systematic)
	for _, s := range b.Systematic {
		k := slices.IndexFunc(out.Systematic, func(x SystematicEffect) bool { return x.Input == s.Input })
		if k < 0 {
			s.Shift = -s.Shift
			out.Systematic = append(out.Systematic, s)
			continue
		}
		out.Systematic[k].Shift -= s.Shift
	}
	var v float64
	for _, s := range out.Systematic {
		v += s.Shift * s.Shift
	}
	out.SystematicU95 = 2 * math.Sqrt(v)
	out.U95 = math.Hypot(out.OwnU95, out.SystematicU95)
	return out
}

// A PairedEffect is the effect of a kind of work over the dwellings that had it.
type PairedEffect struct {
	Kind    greywatt.FactKind
	Effects int
	Pooled  Pooled // of the differences, a dwelling's mean counting once; by random effects
}

// Paired pools effects by kind, cleaned first; a kind without any is left out.
func Paired(effects []Effect) []PairedEffect {
	var out []PairedEffect
	for _, kind := range []greywatt.FactKind{greywatt.FactCleaned, greywatt.FactRepaired} {
		var order []string
		of := map[string][]*Effect{}
		n := 0
		for i := range effects {
			e := &effects[i]
			if e.Kind != kind {
				continue
			}
			n++
			if of[e.Dwelling] == nil {
				order = append(order, e.Dwelling)
			}
			of[e.Dwelling] = append(of[e.Dwelling], e)
		}
		if n == 0 {
			continue
		}
		var known []*Estimate
		for _, id := range order {
			m := meanOf(of[id])
			known = append(known, &m)
		}
		out = append(out, PairedEffect{kind, n, poolOf(known)})
	}
	return out
}

// meanOf is the mean of a dwelling's effects, its sensors' errors being common.
func meanOf(effects []*Effect) Estimate {
	n := float64(len(effects))
	out := Estimate{Lo: math.NaN(), Hi: math.NaN()}
	var own, systematic float64
	for _, e := range effects {
		d := &e.Difference
		out.Median += d.Median / n
		out.Events += d.Events
		own += d.OwnU95 * d.OwnU95 / (n * n)
		for _, s := range d.Systematic {
			k := slices.IndexFunc(out.Systematic, func(x SystematicEffect) bool { return x.Input == s.Input })
			if k < 0 {
				k = len(out.Systematic)
				empty := s
				empty.Shift = 0
				out.Systematic = append(out.Systematic, empty)
			}
			out.Systematic[k].Shift += s.Shift / n
		}
	}
	for _, s := range out.Systematic {
		systematic += s.Shift * s.Shift
	}
	out.OwnU95, out.SystematicU95 = math.Sqrt(own), 2*math.Sqrt(systematic)
	out.U95 = math.Hypot(out.OwnU95, out.SystematicU95)
	return out
}
