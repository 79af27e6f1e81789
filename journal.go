package greywatt

import (
	"cmp"
	"math"
	"slices"
	"time"
)

// A FactKind says what a fact of the journal is about.
type FactKind string

// The kinds of facts.
const (
	FactCleaned        FactKind = "cleaned"         // the drain side of the unit was cleaned
	FactRepaired       FactKind = "repaired"        // something that acts on the figures was put right; the text says what
	FactUnitReplaced   FactKind = "unit-replaced"   // another unit, with its certificate
	FactUnitMoved      FactKind = "unit-moved"      // the same unit at another place, or plumb now
	FactReconnected    FactKind = "reconnected"     // the preheated water feeds something else from then on
	FactClampReplaced  FactKind = "clamp-replaced"  // another clamp, with its description
	FactClampMoved     FactKind = "clamp-moved"     // the same clamp, taken off and put on
	FactMeterReplaced  FactKind = "meter-replaced"  // another flow meter, with its description
	FactMeterMoved     FactKind = "meter-moved"     // the same flow meter at another place
	FactHeadReplaced   FactKind = "head-replaced"   // another shower head
	FactHeaterReplaced FactKind = "heater-replaced" // another water heater, with its description
	FactOffset         FactKind = "offset"          // a clamp's offset, from a zero check
	FactValveHalfOpen  FactKind = "valve-half-open" // a valve was found half open, and opened
	FactNote           FactKind = "note"            // a remark; nothing follows from it
	FactLeftOut        FactKind = "left-out"        // a period that is not to be analysed; the text says why
	FactWithdrawn      FactKind = "withdrawn"       // another fact was wrong and counts no more
)

// FactKinds lists the kinds in the order in which documents have them.
var FactKinds = []FactKind{
	FactCleaned, FactRepaired, FactUnitReplaced, FactUnitMoved, FactReconnected, FactClampReplaced, FactClampMoved, FactMeterReplaced,
	FactMeterMoved, FactHeadReplaced, FactHeaterReplaced, FactOffset, FactValveHalfOpen, FactNote, FactLeftOut, FactWithdrawn,
}

// A Fact is an entry of the journal: something that was done to a dwelling, or
// found there, at a time. What a kind does not need is zero.
type Fact struct {
	ID       string // unique in the journal: a fact that comes twice counts once
	Dwelling string
	Kind     FactKind
	At       Instant // from when it holds
	Until    Instant // of a period left out: its end, exclusive
	By       string  // who noted it
	Via      string  // where it was noted: shell, page ...
	Noted    Instant // when it was noted; 0 where not stated
	Text     string  // remark, or reason

	Channel    Channel    // of a clamp, a meter or an offset
	Node       string     // whose sensor it is; empty: whichever is described
	OffsetK    float64    // of an offset: K to subtract from the reading from then on
	U95K       float64    // of an offset: K, expanded uncertainty (k = 2) that is left; 0: as before
	Sensor     *Sensor    // of a clamp or meter that was replaced, and where wanted of one that was moved
	Exchanger  *Exchanger // of a unit that was replaced
	Place      string     // of a unit that was moved: where to; empty: as before
	Connection Connection // of a dwelling that was reconnected
	Heater     *Heater    // of a heater that was replaced
	Of         string     // of a withdrawal: the id of the fact that was wrong

	Line int // of its table in the journal
}

// OfSensor reports whether facts of the kind are about one channel.
func (k FactKind) OfSensor() bool {
	switch k {
	case FactClampReplaced, FactClampMoved, FactMeterReplaced, FactMeterMoved, FactOffset:
		return true
	}
	return false
}

// Breaks reports whether figures from before and after a fact of the kind may
// differ for that reason alone. A new segment of the trend begins there.
func (k FactKind) Breaks() bool {
	switch k {
	case FactRepaired, FactUnitReplaced, FactUnitMoved, FactReconnected, FactValveHalfOpen:
		return true
	}
	return k.OfSensor()
}

// NewUnit reports whether a new record begins with a fact of the kind: what was
// before it says nothing about the unit as it is now.
func (k FactKind) NewUnit() bool {
	return k == FactUnitReplaced || k == FactUnitMoved || k == FactReconnected
}

// A Description is what of a dwelling may change while it is logged.
type Description struct {
	From       Instant // in force from then on
	Connection Connection
	Exchanger  Exchanger
	Heater     Heater
	Sensors    []Sensor
}

// A Break is work after which figures may differ for that reason alone.
type Break struct {
	At      Instant
	Kind    FactKind
	Channel Channel // where the kind is of a sensor
}

// A LeftOut is a period that is not to be analysed.
type LeftOut struct {
	From, To Instant // To exclusive
	Reason   string
}

// At returns the dwelling with the description that is in force at an instant:
// the study file's own before the first change, each later one from its instant
// on. The receiver is returned where nothing of it ever changes.
func (d *Dwelling) At(at Instant) *Dwelling {
	n := len(d.Versions)
	if n == 0 {
		return d
	}
	for n > 1 && d.Versions[n-1].From > at {
		n--
	}
	now, v := *d, &d.Versions[n-1]
	now.Connection, now.Exchanger, now.Heater, now.Sensors = v.Connection, v.Exchanger, v.Heater, v.Sensors
	return &now
}

// Last returns the dwelling with its newest description.
func (d *Dwelling) Last() *Dwelling { return d.At(math.MaxInt64) }

// NextChange returns the instant of the first change of the description after
// at; ok is false where there is none.
func (d *Dwelling) NextChange(at Instant) (next Instant, ok bool) {
	for i := range d.Versions {
		if from := d.Versions[i].From; i > 0 && from > at {
			return from, true
		}
	}
	return 0, false
}

// UnitSince returns the instant from which the unit that is there at an instant
// has been at its place and connected as it is; zero where the journal has none.
func (d *Dwelling) UnitSince(at Instant) (since Instant) {
	for _, b := range d.Breaks {
		if b.Kind.NewUnit() && b.At <= at {
			since = b.At
		}
	}
	return since
}

// LeftOutIn returns the first period left out that shares an instant with the
// time from from to to, both included; ok is false where none does.
func (d *Dwelling) LeftOutIn(from, to Instant) (p LeftOut, ok bool) {
	for _, p := range d.LeftOut {
		if p.From <= to && from < p.To {
			return p, true
		}
	}
	return LeftOut{}, false
}

// Standing returns those of the facts that were not withdrawn, in the order of
// the instants from which they hold. Withdrawals themselves are not among them.
func Standing(facts []Fact) []Fact {
	withdrawn := map[string]bool{}
	for _, f := range facts {
		if f.Kind == FactWithdrawn {
			withdrawn[f.Of] = true
		}
	}
	var standing []Fact
	for _, f := range facts {
		if f.Kind != FactWithdrawn && !withdrawn[f.ID] {
			standing = append(standing, f)
		}
	}
	slices.SortStableFunc(standing, func(a, b Fact) int { return cmp.Compare(a.At, b.At) })
	return standing
}

// With returns the study with the facts of its journal: each dwelling's later
// descriptions, cleanings, breaks and periods left out. The facts are in the
// journal's order; the receiver is not changed.
func (s *Study) With(facts []Fact) *Study {
	out := *s
	out.Dwellings = slices.Clone(s.Dwellings)
	for _, f := range Standing(facts) {
		for i := range out.Dwellings {
			if d := &out.Dwellings[i]; d.ID == f.Dwelling {
				d.take(&f, s.Location())
			}
		}
	}
	return &out
}

// take gives the dwelling a fact; facts come in the order of their instants.
// What the dwelling shares with others is not written to.
func (d *Dwelling) take(f *Fact, loc *time.Location) {
	switch f.Kind {
	case FactCleaned:
		t := f.At.Time().In(loc)
		day := Date{t.Year(), t.Month(), t.Day()}
		if !slices.Contains(d.Cleaned, day) {
			d.Cleaned = slices.Concat(d.Cleaned, []Date{day})
			slices.SortFunc(d.Cleaned, Date.Compare)
		}
	case FactLeftOut:
		d.LeftOut = slices.Concat(d.LeftOut, []LeftOut{{f.At, f.Until, f.Text}})
		slices.SortStableFunc(d.LeftOut, func(a, b LeftOut) int { return cmp.Compare(a.From, b.From) })
	}
	if f.Kind.Breaks() {
		d.Breaks = slices.Concat(d.Breaks, []Break{{f.At, f.Kind, f.Channel}})
	}
	if v, changed := d.Last().changed(f); changed {
		versions := slices.Clone(d.Versions)
		if n := len(versions); n > 1 && versions[n-1].From == f.At {
			versions = versions[:n-1]
		} else if n == 0 {
			versions = []Description{{math.MinInt64, d.Connection, d.Exchanger, d.Heater, d.Sensors}}
		}
		d.Versions = append(versions, v)
	}
}

// changed returns the description that holds after a fact.
func (d *Dwelling) changed(f *Fact) (Description, bool) {
	v := Description{f.At, d.Connection, d.Exchanger, d.Heater, d.Sensors}
	switch {
	case f.Connection != 0:
		v.Connection = f.Connection
	case f.Place != "":
		v.Exchanger.Place = f.Place
	case f.Exchanger != nil:
		v.Exchanger = *f.Exchanger
	case f.Heater != nil:
		v.Heater = *f.Heater
	case f.Sensor != nil:
		v.Sensors = replaced(d.Sensors, *f.Sensor)
	case f.Kind == FactOffset:
		v.Sensors = offset(d.Sensors, f)
	default:
		return v, false
	}
	return v, true
}

// replaced returns the sensors with one that stands in the place of that of its
// channel and node; of all of its channel where none is of that node.
func replaced(sensors []Sensor, s Sensor) []Sensor {
	sameNode := slices.ContainsFunc(sensors, func(o Sensor) bool { return o.Channel == s.Channel && o.Node == s.Node })
	var out []Sensor
	for _, o := range sensors {
		if o.Channel != s.Channel || sameNode && o.Node != s.Node {
			out = append(out, o)
		}
	}
	return append(out, s)
}

// offset returns the sensors with a clamp's new offset.
func offset(sensors []Sensor, f *Fact) []Sensor {
	set := func(s *Sensor) {
		s.OffsetK = f.OffsetK
		if f.U95K > 0 {
			s.U95K, s.BatchU95K = f.U95K, min(s.BatchU95K, f.U95K)
		}
	}
	out, found := slices.Clone(sensors), false
	for i := range out {
		if s := &out[i]; s.Channel == f.Channel && (f.Node == "" || s.Node == f.Node) {
			set(s)
			found = true
		}
	}
	if !found { // it was not described, or for other nodes only
		s := DefaultSensor(f.Channel)
		for _, o := range sensors {
			if o.Channel == f.Channel && o.Node == "" {
				s = o
			}
		}
		s.Node = f.Node
		set(&s)
		out = append(out, s)
	}
	return out
}
