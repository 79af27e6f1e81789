package simulate

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"greywatt"
)

// A Street is a study and the houses it describes, in the same order. The
// study holds copies of what the houses declared when the street was made.
type Street struct {
	Study  greywatt.Study
	Houses []*House
}

func newStreet(name string, loc *time.Location, houses ...*House) *Street {
	s := &Street{Study: greywatt.Study{Name: name, Timezone: loc}, Houses: houses}
	for _, h := range houses {
		h.Timezone = loc
		s.Study.Dwellings = append(s.Study.Dwellings, h.Dwelling)
	}
	return s
}

// Accuracy returns a healthy dwelling of the given number of days for scoring
// the figures of events: clamps of u95 0.16 K, a flow sensor of u95 0.03, 1 s
// sampling, and everything else drawn from the seed.
func Accuracy(seed uint64, days int) *Street {
	return newStreet("Accuracy", time.UTC, NewHouse(fmt.Sprintf("accuracy-%d", seed), seed, Options{Days: days}))
}

// Season returns a healthy dwelling over a year in which all that is not
// fouling moves: mains water between 6 and 17 °C, flows by up to a tenth, and
// every clamp drifting by 0.1 K a year (standard deviation).
func Season(seed uint64) *Street {
	h := NewHouse(fmt.Sprintf("season-%d", seed), seed, Options{Start: greywatt.Date{Year: 2025, Month: time.January, Day: 13}, Days: 365, ShowersPerDay: 2.2, DriftKPerYear: 0.1})
	h.Climate.MainsC = SwingingMains(6, 17)
	return newStreet("Season", time.UTC, h)
}

// Faulty returns 90 days of a dwelling at 2.2 showers a day with one fault of
// the given kind, or with none. It chooses what lets the fault exist at all: a
// flow sensor off scale shows only in connection A, where both sides carry the
// same water, and then for certain only with a meter on the drain as well;
// parallel flow only in a unit that counterflow takes well above what parallel
// flow can reach.
func Faulty(kind FaultKind, seed uint64) *Street {
	r := generator(seed+mix(uint64(slices.Index(FaultKinds, kind))), faultStream)
	o := Options{Days: 90, ShowersPerDay: 2.2}
	if kind == FlowOffScale {
		o.Connection, o.WasteFlow = greywatt.ConnectionA, true
	}
	h := NewHouse(fmt.Sprintf("%s-%d", kind, seed), seed, o)
	if kind == ParallelFlow && h.Physics.Rated(ratedFlowLMin) < 0.45 {
		h.Physics.setEffectiveness(between(r, 0.47, 0.66))
		h.Dwelling.Exchanger = Certificate(&h.Physics, r)
	}
	if kind != Healthy {
		h.Faults = []Fault{h.randomFault(kind, r)}
	}
	return newStreet("Fault: "+string(kind), time.UTC, h)
}

// Cleaned returns 120 days of a dwelling whose unit fouls from the start by
// half its resistance in 60 days, and is cleaned on day 70.
func Cleaned(seed uint64) *Street {
	h := NewHouse(fmt.Sprintf("cleaned-%d", seed), seed, Options{Days: 120, ShowersPerDay: 2.2})
	h.Faults = []Fault{{Kind: Fouling, Size: 0.5, GrowthDays: 60}}
	day := time.Date(h.Start.Year, h.Start.Month, h.Start.Day+70, 0, 0, 0, 0, time.UTC)
	h.Dwelling.Cleaned = []greywatt.Date{{Year: day.Year(), Month: day.Month(), Day: day.Day()}}
	return newStreet("Cleaned", time.UTC, h)
}

func (h *House) randomFault(kind FaultKind, r *rand.Rand) Fault {
	f := Fault{Kind: kind}
	day := func(lo, hi float64) greywatt.Instant {
		from, _ := h.Span()
		return from.Add(daySeconds * between(r, lo, hi) * float64(h.Days) / 90)
	}
	switch kind {
	case Fouling:
		f.From, f.Size, f.GrowthDays = day(5, 35), between(r, 0.3, 0.6), between(r, 40, 55)
		if chance(r, 0.4) {
			f.Asymptotic, f.GrowthDays = true, between(r, 12, 25)
		}
	case StepLoss:
		f.From, f.Size = day(20, 70), between(r, 0.6, 0.85)
	case LowFromStart:
		f.Size = between(r, 0.6, 0.82)
	case SensorLoose:
		f.From, f.Size = day(20, 65), between(r, 0.3, 0.7)
		f.Channel = choose(r, greywatt.WasteIn, greywatt.WasteOut, greywatt.ColdIn, greywatt.PreheatOut)
	case NoRecovery:
		f.Size = between(r, 0.97, 1)
		if chance(r, 0.5) {
			f.From = day(20, 65)
		}
	case ConnectionDiffers:
		letters := []greywatt.Connection{greywatt.ConnectionA, greywatt.ConnectionB, greywatt.ConnectionC}
		letters = slices.DeleteFunc(letters, func(c greywatt.Connection) bool { return c == h.Dwelling.Connection })
		f.Connection = choose(r, letters...)
	case FlowOffScale:
		f.Size = choose(r, between(r, 0.6, 0.85), between(r, 1.2, 1.6))
	}
	return f
}

// Demo returns an invented street of six dwellings with all three
// connections: hazel-02's unit fouls, hazel-05's waste-in clamp comes loose
// half way, the others are well.
func Demo(seed uint64, days int, loc *time.Location) *Street {
	connections := []greywatt.Connection{'A', 'A', 'B', 'B', 'C', 'C'}
	street := make([]*House, len(connections))
	for i, c := range connections {
		o := Options{
			Start: greywatt.Date{Year: 2026, Month: time.March, Day: 2}, Days: days,
			Connection: c, ShowersPerDay: 2.2, Nodes: 1 + i%2,
		}
		h := NewHouse(fmt.Sprintf("hazel-%02d", i+1), seed+uint64(i), o)
		h.Timezone = loc
		from, _ := h.Span()
		at := func(share float64) greywatt.Instant { return from.Add(share * float64(days) * daySeconds) }
		switch i {
		case 1:
			h.Faults = []Fault{{Kind: Fouling, From: at(0.2), Size: 0.6, GrowthDays: 0.7 * float64(days)}}
		case 4:
			h.Faults = []Fault{{Kind: SensorLoose, From: at(0.5), Size: 0.5, Channel: greywatt.WasteIn}}
		}
		street[i] = h
	}
	return newStreet("Hazel Row trial", loc, street...)
}
