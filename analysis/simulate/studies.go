package simulate

import (
	"fmt"
	"math"
	"time"

	"greywatt"
)

// NewFlat returns a flat in its first days, in which two things are wrong: the
// valve in the pipe around the unit was left half open after the pressure test,
// and the sensor at preheat-out is a spare whose offset nobody wrote down. On
// day 8, at noon, the valve is closed.
func NewFlat(seed uint64, days int, loc *time.Location) *Street {
	h := tallHouse("maple-3", seed, greywatt.Date{Year: 2026, Month: time.February, Day: 2}, days, loc)
	from, _ := h.Span()
	h.Faults = []Fault{{Kind: NoRecovery, Size: 0.4, To: from.Add(7.5 * daySeconds)}}
	h.Sensors[greywatt.PreheatOut].Clamp.OffsetK -= 0.6
	return newStreet("Maple Court, flat 3", loc, h)
}

// SlowUnit returns a dwelling whose unit fouls from 19 January 2026 on and is
// cleaned on 6 April. The study file does not know of the cleaning: whoever did it
// writes it down. The same seed with fewer days gives the same readings up to there.
func SlowUnit(seed uint64, days int, loc *time.Location) *Street {
	h := tallHouse("alder-7", seed, greywatt.Date{Year: 2026, Month: time.January, Day: 5}, days, loc)
	from, _ := h.Span()
	h.Faults = []Fault{{Kind: Fouling, From: from.Add(14 * daySeconds), Size: 0.55, GrowthDays: 75}}
	street := newStreet("Alder Street", loc, h)
	h.Dwelling.Cleaned = []greywatt.Date{{Year: 2026, Month: time.April, Day: 6}}
	return street
}

// tallHouse returns a dwelling with a tall unit in connection A and one node.
func tallHouse(id string, seed uint64, start greywatt.Date, days int, loc *time.Location) *House {
	tall := Units()[0].Physics
	h := NewHouse(id, seed, Options{
		Start: start, Days: days, Connection: greywatt.ConnectionA, Physics: &tall, ShowersPerDay: 2.2, Nodes: 1,
	})
	h.Timezone = loc
	return h
}

// trialFaults is what a trial's dwellings suffer from, as shares of them. They
// are invented: no survey of fitted units is known to us.
var trialFaults = []struct {
	kind  FaultKind
	share float64
}{
	{Fouling, 0.25}, {LowFromStart, 0.08}, {StepLoss, 0.05}, {SensorLoose, 0.05},
	{ParallelFlow, 0.03}, {NoRecovery, 0.03}, {ConnectionDiffers, 0.03},
}

// Trial returns a field trial from 1 January 2025 on: dwellings of all three
// connections in turn, half of them with a tall unit and half with a heavy one,
// the units of one kind a little different from each other as makers' are, with
// people, plumbing, sensors and faults of their own, links that fail for hours,
// and clamps that drift. Half of the units that foul are cleaned half way, and the
// study file says so. Nodes sample every intervalS seconds while water runs.
func Trial(seed uint64, dwellings, days int, intervalS float64, loc *time.Location) *Street {
	kinds := Units()[:2]
	certificates := make([]greywatt.Exchanger, len(kinds))
	for i := range kinds {
		certificates[i] = Certificate(&kinds[i].Physics, generator(seed+uint64(i), drawStream))
	}
	connections := []greywatt.Connection{greywatt.ConnectionA, greywatt.ConnectionB, greywatt.ConnectionC}
	houses := make([]*House, dwellings)
	for i := range houses {
		own := mix(seed) + uint64(i)
		r := generator(own, faultStream)
		kind := i / len(connections) % len(kinds)
		unit := kinds[kind].Physics
		unit.UAWK *= 1 + truncated(r, 0.02, 0.05)
		h := NewHouse(fmt.Sprintf("rowan-%0*d", len(fmt.Sprint(dwellings)), i+1), own, Options{
			Start: greywatt.Date{Year: 2025, Month: time.January, Day: 1}, Days: days,
			Connection: connections[i%len(connections)], Physics: &unit,
			IntervalS: intervalS, GapsPerWeek: 0.3, DriftKPerYear: 0.05,
		})
		h.Timezone = loc
		h.Dwelling.Exchanger = certificates[kind]
		at := r.Float64()
		for _, f := range trialFaults {
			if at -= f.share; at < 0 {
				h.suffer(chance(r, 0.5), h.randomFault(f.kind, r))
				break
			}
		}
		houses[i] = h
	}
	return newStreet("Rowan field trial", loc, houses...)
}

// suffer gives the house one fault; dirt is stretched to the length of the run.
func (h *House) suffer(cleaned bool, f Fault) {
	if f.Kind == Fouling {
		f.GrowthDays *= math.Max(1, float64(h.Days)/90)
		if cleaned {
			day := time.Date(h.Start.Year, h.Start.Month, h.Start.Day+h.Days/2, 0, 0, 0, 0, time.UTC)
			h.Dwelling.Cleaned = []greywatt.Date{{Year: day.Year(), Month: day.Month(), Day: day.Day()}}
		}
	}
	h.Faults = append(h.Faults, f)
}
