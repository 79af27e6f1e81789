package simulate

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"greywatt"
)

// A HazardKind names one of the houses that [Hazard] makes.
type HazardKind string

// The hazards.
const (
	ClampDrift      HazardKind = "clamp-drift"       // one clamp, 0.8 to 2 K, linear over the record or over its last weeks
	MeterDrift      HazardKind = "meter-drift"       // the mains meter's scale, 8 to 18 %
	WasteMeterDrift HazardKind = "waste-meter-drift" // the drain meter's scale
	BypassSometimes HazardKind = "bypass-sometimes"  // open in 15 to 45 % of the showers
	FrozenClamp     HazardKind = "frozen-clamp"      // for 3 to 15 days, or for good
	RailedClamp     HazardKind = "railed-clamp"      // at -127 or 85 °C, likewise
	MissingChannel  HazardKind = "missing-channel"   // likewise; the meter too
	RestingLeak     HazardKind = "resting-leak"      // 0.05 to 0.5 l/min, past the unit and into no drain
	ShowerDrip      HazardKind = "shower-drip"       // 0.05 to 0.3 l/min, into the shower's drain
	TapInShowers    HazardKind = "tap-in-showers"    // 4 to 15 % of the shower's flow, mains side only
	HuntingMixer    HazardKind = "hunting-mixer"     // flow by ±3 to 8 %, every 10 to 40 s
	SilentNode      HazardKind = "silent-node"       // for 1 to 3 min in the middle of showers
	LateNode        HazardKind = "late-node"         // wakes 10 to 40 s late
	UnknownOffsets  HazardKind = "unknown-offsets"   // clamps of u95 0.5 K
	ResumedShower   HazardKind = "resumed-shower"    // after a pause, with a tap running past its end
)

// HazardKinds lists the hazards.
var HazardKinds = []HazardKind{
	ClampDrift, MeterDrift, WasteMeterDrift, BypassSometimes, FrozenClamp, RailedClamp, MissingChannel, RestingLeak,
	ShowerDrip, TapInShowers, HuntingMixer, SilentNode, LateNode, UnknownOffsets, ResumedShower,
}

// HazardOptions shape a hazard's house. The zero value of a field means its default.
type HazardOptions struct {
	Connection greywatt.Connection // by the seed, in turn; not B for a tap in showers
	Model      Model               // by the seed, in turn
	Start      greywatt.Date       // 2026-01-12
	Days       int                 // 90
	Fouling    bool                // the unit fouls as well, by 15 to 35 % of its conductance
}

// Hazard returns 90 days of a dwelling with one hazard. Seeds that follow one
// another take the connections in turn, and the models every third seed.
func Hazard(kind HazardKind, seed uint64) *Street { return HazardWith(kind, seed, HazardOptions{}) }

// HazardWith is [Hazard] with options.
func HazardWith(kind HazardKind, seed uint64, o HazardOptions) *Street {
	index := slices.Index(HazardKinds, kind)
	if index < 0 {
		panic("simulate: no hazard " + string(kind))
	}
	r := generator(seed+mix(uint64(index)), hazardStream)
	h := newVaried(fmt.Sprintf("%s-%d", kind, seed), seed, r, Options{
		Start: o.Start, Days: o.Days, Connection: o.Connection, Model: o.Model,
		WasteFlow:   kind == WasteMeterDrift || kind == MeterDrift && chance(r, 0.5),
		NoZeroCheck: kind == UnknownOffsets,
	}, kind == TapInShowers)
	h.Faults = []Fault{h.hazard(kind, r)}
	if o.Fouling {
		h.Faults = append(h.Faults, h.dirt(r))
	}
	return newStreet("Hazard: "+string(kind), time.UTC, h)
}

// newVaried returns a house at about 2.2 showers a day for a study that goes
// through connections and models in turn, with the water's fall from the head in
// two houses of five cooled towards mains temperature.
func newVaried(id string, seed uint64, r *rand.Rand, o Options, notB bool) *House {
	letters := []greywatt.Connection{greywatt.ConnectionA, greywatt.ConnectionB, greywatt.ConnectionC}
	if notB {
		letters[1] = greywatt.ConnectionA
	}
	if o.Connection == 0 {
		o.Connection = letters[seed%3]
	}
	if o.Model == "" {
		o.Model = Models[seed/3%3]
	}
	if o.Days == 0 {
		o.Days = 90
	}
	if o.NoZeroCheck {
		o.TempU95K = 0.5
	}
	o.ShowersPerDay = between(r, 1.8, 2.6)
	if drop := between(r, 0.10, 0.20); chance(r, 0.4) {
		o.MainsDrop = drop
	}
	return NewHouse(id, seed, o)
}

// dirt returns fouling that takes 15 to 35 % of the conductance by the end of the
// run, from its first third on.
func (h *House) dirt(r *rand.Rand) Fault {
	loss, days := between(r, 0.15, 0.35), float64(h.Days)
	onset := between(r, 0.05, 0.33) * days
	return Fault{Kind: Fouling, From: h.on(onset), Size: loss / (1 - loss), GrowthDays: between(r, 0.6, 0.95) * (days - onset)}
}

// on returns the moment some days after the start.
func (h *House) on(day float64) greywatt.Instant {
	from, _ := h.Span()
	return from.Add(day * daySeconds)
}

func (h *House) hazard(kind HazardKind, r *rand.Rand) Fault {
	days := float64(h.Days)
	signed := func(lo, hi float64) float64 { return choose(r, -1.0, 1.0) * between(r, lo, hi) }
	clamp := choose(r, greywatt.WasteIn, greywatt.WasteOut, greywatt.ColdIn, greywatt.PreheatOut)
	// slow grows over the whole record, or over what is left from some day on
	slow := func(f Fault) Fault {
		f.Kind, f.GrowthDays = SensorDrifting, days
		if chance(r, 0.5) {
			onset := between(r, 0.3, 0.6) * days
			f.From, f.GrowthDays = h.on(onset), days-onset
		}
		return f
	}
	dead := func(f Fault) Fault {
		f.Kind, f.From = SensorDead, h.on(between(r, 0.15, 0.6)*days)
		switch {
		case chance(r, 0.6):
			f.To = f.From.Add(between(r, 3, 15) * daySeconds)
		case chance(r, 0.3):
			f.From = 0
		}
		return f
	}
	switch kind {
	case ClampDrift:
		return slow(Fault{Size: signed(0.8, 2), Channel: clamp})
	case MeterDrift:
		return slow(Fault{Size: signed(0.08, 0.18), Channel: greywatt.Flow})
	case WasteMeterDrift:
		return slow(Fault{Size: signed(0.08, 0.18), Channel: greywatt.WasteFlow})
	case BypassSometimes:
		f := Fault{Kind: BypassAtTimes, Size: between(r, 0.6, 1), Share: between(r, 0.15, 0.45)}
		if chance(r, 0.4) {
			f.From = h.on(between(r, 0.2, 0.5) * days)
		}
		return f
	case FrozenClamp:
		return dead(Fault{Death: Frozen, Channel: clamp})
	case RailedClamp:
		return dead(Fault{Death: Railed, Channel: clamp, Size: choose(r, -127.0, 85)})
	case MissingChannel:
		return dead(Fault{Death: Missing, Channel: choose(r, clamp, clamp, clamp, clamp, greywatt.Flow)})
	case RestingLeak, ShowerDrip:
		f := Fault{Kind: Leak, Size: between(r, 0.05, 0.5)}
		if kind == ShowerDrip {
			f.Size, f.Drips = between(r, 0.05, 0.3), true
		}
		if chance(r, 0.4) {
			f.From = h.on(between(r, 0.2, 0.5) * days)
		}
		if chance(r, 0.8) { // else the meter cannot see it
			h.Sensors[greywatt.Flow].Meter.CutOffLS = between(r, 0.01, 0.04) / 60
		}
		return f
	case TapInShowers:
		f := Fault{Kind: SecondTap, Size: between(r, 0.04, 0.15)}
		if chance(r, 0.4) {
			f.Share = between(r, 0.3, 0.7)
		}
		return f
	case HuntingMixer:
		return Fault{Kind: MixerHunting, Size: between(r, 0.03, 0.08), PeriodS: between(r, 10, 40)}
	case SilentNode:
		return Fault{Kind: NodeSilent, Size: 180, Share: between(r, 0.3, 1)}
	case LateNode:
		for i := range h.Nodes {
			h.Nodes[i].Wake = OnFlow
		}
		return Fault{Kind: LateWaking, Size: between(r, 15, 40)}
	case UnknownOffsets:
		return Fault{Kind: OffsetsUnknown}
	case ResumedShower:
		return Fault{Kind: ShowerResumed, Size: between(r, 0.3, 0.7)}
	}
	panic("simulate: no hazard " + string(kind))
}

// A Course is the way mains temperature goes through a half-year.
type Course string

// The courses.
const (
	Cooling Course = "cooling" // from its warmest to its coldest
	Warming Course = "warming"
)

// Courses lists the courses.
var Courses = []Course{Cooling, Warming}

// halfYearDays reaches from one extreme of mains temperature to the other.
const halfYearDays = 190

// HalfYear returns 190 days of a healthy dwelling from late summer or late
// winter on, over all connections and models in turn, in one house of three
// south of the equator.
func HalfYear(course Course, seed uint64) *Street {
	h, _ := newHalfYear(course, seed, "half-year")
	return newStreet("Half-year: "+string(course), time.UTC, h)
}

// FouledHalfYear is [HalfYear] of a unit that fouls by 15 to 35 % of its
// conductance: with the season where the water cools, against it where it warms.
func FouledHalfYear(course Course, seed uint64) *Street {
	h, r := newHalfYear(course, seed, "fouled-half-year")
	h.Faults = []Fault{h.dirt(r)}
	return newStreet("Fouled half-year: "+string(course), time.UTC, h)
}

// newHalfYear returns the house and the generator it was drawn from. A fouled
// unit and its healthy twin of the same seed differ in nothing else.
func newHalfYear(course Course, seed uint64, name string) (*House, *rand.Rand) {
	r := generator(seed+mix(uint64(len(course)+int(course[0]))), hazardStream)
	start := greywatt.Date{Year: 2025, Month: time.August, Day: 10}
	south := chance(r, 1.0/3)
	if (course == Warming) != south {
		start.Month = time.February
	}
	h := newVaried(fmt.Sprintf("%s-%s-%d", name, course, seed), seed, r, Options{Start: start, Days: halfYearDays}, false)
	lo, hi, airC, swingK := between(r, 4, 8), between(r, 14, 19), between(r, 7, 14), between(r, 16, 28)
	switch r.IntN(3) {
	case 0:
		h.Climate.MainsC, h.Climate.DiurnalK = TableMains, 1.5
	case 1:
		h.Climate.MainsC = SwingingMains(lo, hi)
	default:
		h.Climate.MainsC = MainsByAir(airC, swingK, false)
	}
	if south {
		h.Climate.MainsC = halfYearOn(h.Climate.MainsC)
		h.Climate.South = true
	}
	return h, r
}
