package greywatt

import (
	"cmp"
	"fmt"
	"time"
)

// A Study is what the study file says: facts about the places, not about how
// to run. Package ingest/studyfile reads one.
type Study struct {
	Name      string
	Timezone  *time.Location // for days, seasons and reports; storage is UTC
	Dwellings []Dwelling     // in the file's order, then the table's; ids unique
	Dataset   Publication    // of what others get; see [Publication.Stated]
}

// Location returns the study's time zone, UTC where it names none.
func (s *Study) Location() *time.Location {
	if s.Timezone == nil {
		return time.UTC
	}
	return s.Timezone
}

// Dwelling returns the dwelling with the given id.
func (s *Study) Dwelling(id string) (*Dwelling, bool) {
	for i := range s.Dwellings {
		if s.Dwellings[i].ID == id {
			return &s.Dwellings[i], true
		}
	}
	return nil, false
}

// A Connection says what the preheated water feeds, by the letters of the
// trade and of the energy rating standards.
type Connection byte

// The three connections.
const (
	ConnectionA Connection = 'A' // the mixer's cold side and the water heater: equal flow on both sides
	ConnectionB Connection = 'B' // the mixer's cold side only
	ConnectionC Connection = 'C' // the water heater only
)

// String returns the letter.
func (c Connection) String() string { return string(rune(c)) }

// A Dwelling has one exchanger, its heater and its sensors.
type Dwelling struct {
	ID           string
	Connection   Connection
	Group        string // arm of the study; empty where it has none
	Recruited    Date   // day on which the household joined; zero where not stated, as the three below
	Fitted       Date   // day on which the unit was fitted
	Commissioned Date   // day on which it was taken into use
	Left         Date   // last day of the dwelling in the study; what is logged later is left out
	Exchanger    Exchanger
	Heater       Heater
	Sensors      []Sensor // as declared; ask [Dwelling.Sensor]
	Cleaned      []Date   // ascending

	// From the journal, each ascending; see [Study.With].
	Versions []Description // where it changes: the first, from the beginning of time, and each later one; ask [Dwelling.At]
	Breaks   []Break
	LeftOut  []LeftOut // by their beginnings; they may overlap
}

// An Orientation is how the exchanger hangs.
type Orientation string

// The orientations.
const (
	Vertical   Orientation = "vertical"
	Horizontal Orientation = "horizontal"
)

// An Exchanger is the unit as its certificate describes it.
type Exchanger struct {
	Orientation   Orientation
	Rated         []RatedPoint // at least one, ascending in flow
	RatedColdInC  float64      // °C, cold inlet of the certificate's test
	RatedWasteInC float64      // °C, waste inlet of that test; both zero: not stated, see [Exchanger.RatedInlets]
	Serial        string       // serial number of the unit; empty where not stated
	Place         string       // where in the dwelling it is, in words; empty likewise
}

// Inlet temperatures of a certificate that does not state them: the usual
// conditions of the rating standard CSA B55.1, from memory.
const (
	DefaultRatedColdInC  = 12.0
	DefaultRatedWasteInC = 40.0
)

// RatedInlets returns the inlet temperatures of the certificate's test, °C, or
// the defaults where neither is stated.
func (x *Exchanger) RatedInlets() (coldC, wasteC float64) {
	if x.RatedColdInC == 0 && x.RatedWasteInC == 0 {
		return DefaultRatedColdInC, DefaultRatedWasteInC
	}
	return x.RatedColdInC, x.RatedWasteInC
}

// A RatedPoint is one certificate value, at equal flow on both sides.
type RatedPoint struct {
	FlowLMin      float64 // l/min, each side
	Effectiveness float64 // 0 to 1
}

// A Heater makes the hot water that recovered heat saves.
type Heater struct {
	Kind           string
	Efficiency     float64 // heat out per fuel or electricity in; above 1 for a heat pump
	CarbonKgPerKWh float64 // per kWh of fuel or electricity; NaN where not stated
	PricePerKWh    float64 // per kWh of fuel or electricity; NaN where not stated
	Currency       string

	// Expanded relative uncertainties (k = 2) of the three; 0: taken as exact.
	EfficiencyU95Relative, CarbonU95Relative, PriceU95Relative float64
	HotC                                                       float64 // °C, delivery temperature
}

// A Sensor is how one channel of one node is to be corrected. A temperature
// clamp shows, in steady conditions,
//
//	T - LossFraction·(T - T_ambient) + OffsetK
//
// and follows that with a first-order lag of ResponseS. A flow sensor's reading
// times Scale is the flow.
type Sensor struct {
	Channel      Channel
	Node         string  // empty: whichever node reports the channel
	Name         string  // resolved SenML name, where the node does not use <dwelling>/<node>/<channel>
	OffsetK      float64 // subtracted from the reading
	U95K         float64 // expanded uncertainty (k = 2) after correction, K
	ResponseS    float64 // time constant, s; 0: no lag correction
	LossFraction float64 // 0 to 0.5
	Scale        float64 // of a flow: flow = Scale · reading
	U95Relative  float64 // of a flow: expanded relative uncertainty (k = 2)

	// What sensors of one channel share over the dwellings of a study: those with
	// one Batch, made or calibrated together, have one error in common, of which
	// BatchU95K and BatchU95Relative are the expanded uncertainty (k = 2), within
	// U95K and U95Relative. The empty batch is one too: nothing said is not
	// independence.
	Batch            string
	BatchU95K        float64
	BatchU95Relative float64

	Calibrated  Date   // of the calibration that OffsetK and U95K, or Scale and U95Relative, are from; zero where not stated
	Certificate string // that calibration's reference
}

// BatchShare returns the share of the variance of the sensor's error, 0 to 1,
// that it has in common with the others of its batch.
func (s *Sensor) BatchShare() float64 {
	if s.Channel.IsFlow() {
		return share2(s.BatchU95Relative, s.U95Relative)
	}
	return share2(s.BatchU95K, s.U95K)
}

func share2(part, whole float64) float64 {
	if !(whole > 0) {
		return 0
	}
	return min(1, part*part/(whole*whole))
}

// Defaults of a sensor that the study file does not describe. The
// uncertainties are common practice for insulated clamps with paste and for
// small turbine meters in service, not values of a standard.
const (
	DefaultU95K        = 0.5
	DefaultU95Relative = 0.05
)

// DefaultSensor returns the sensor that stands in for an undeclared one.
func DefaultSensor(c Channel) Sensor {
	s := Sensor{Channel: c, Scale: 1}
	if c.IsFlow() {
		s.U95Relative, s.BatchU95Relative = DefaultU95Relative, DefaultU95Relative
	} else {
		s.U95K, s.BatchU95K = DefaultU95K, DefaultU95K
	}
	return s
}

// Sensor returns the sensor that describes what node reports on channel c: the
// one declared for that node, else the one declared for any node, else, where
// the channel is not declared at all, [DefaultSensor]. ok is false where the
// channel is declared, but for other nodes only: that node's readings are kept
// and not used.
func (d *Dwelling) Sensor(c Channel, node string) (s Sensor, ok bool) {
	declared := false
	var any *Sensor
	for i := range d.Sensors {
		if d.Sensors[i].Channel != c {
			continue
		}
		declared = true
		switch d.Sensors[i].Node {
		case node:
			return d.Sensors[i], true
		case "":
			any = &d.Sensors[i]
		}
	}
	switch {
	case any != nil:
		return *any, true
	case declared:
		return Sensor{}, false
	}
	return DefaultSensor(c), true
}

// A Date is a civil day in the study's time zone.
type Date struct {
	Year  int
	Month time.Month
	Day   int
}

// IsZero reports whether the date is not stated.
func (d Date) IsZero() bool { return d == Date{} }

// In returns the first instant of the day in loc.
func (d Date) In(loc *time.Location) Instant {
	return InstantOf(time.Date(d.Year, d.Month, d.Day, 0, 0, 0, 0, loc))
}

// Compare returns -1, 0 or +1 where the date is before, the same as or after o.
func (d Date) Compare(o Date) int {
	return cmp.Or(cmp.Compare(d.Year, o.Year), cmp.Compare(d.Month, o.Month), cmp.Compare(d.Day, o.Day))
}

// String returns the date as in 2026-01-12.
func (d Date) String() string { return fmt.Sprintf("%04d-%02d-%02d", d.Year, d.Month, d.Day) }
