// Package greywatt is the vocabulary of the field logger and analyser: what a
// node can measure, what one reading is, and what a study says about the
// dwellings. It holds nouns and units on the standard library alone, and knows
// neither files nor storage nor physics.
//
// The exchanger has four ports, named the same everywhere: warm waste water
// enters at WasteIn and leaves at WasteOut, cold mains water enters at ColdIn
// and leaves warmer at PreheatOut.
package greywatt

import (
	"fmt"
	"iter"
	"math"
	"time"
)

// A Channel is one measured quantity of a dwelling's exchanger.
type Channel uint8

// The channels, in the order in which frames, tables and files list them.
const (
	WasteIn    Channel = iota // °C, drain pipe entering the exchanger
	WasteOut                  // °C, drain pipe leaving it
	ColdIn                    // °C, mains pipe entering it
	PreheatOut                // °C, mains pipe leaving it
	Flow                      // l/s, volume flow of the mains side at the cold inlet
	Ambient                   // °C, air beside the exchanger; optional
	WasteFlow                 // l/s, volume flow of the drain side; optional

	NumChannels = 7
)

var channelNames = [NumChannels]string{
	"waste-in", "waste-out", "cold-in", "preheat-out", "flow", "ambient", "waste-flow",
}

// String returns the channel's name on the wire, such as "waste-in".
func (c Channel) String() string {
	if int(c) < len(channelNames) {
		return channelNames[c]
	}
	return fmt.Sprintf("channel(%d)", uint8(c))
}

// IsFlow reports whether the channel is a volume flow in l/s; the others are
// temperatures in °C.
func (c Channel) IsFlow() bool { return c == Flow || c == WasteFlow }

// Optional reports whether an analysis can do without the channel.
func (c Channel) Optional() bool { return c == Ambient || c == WasteFlow }

// ParseChannel returns the channel with the given wire name.
func ParseChannel(name string) (Channel, bool) {
	for i, n := range channelNames {
		if n == name {
			return Channel(i), true
		}
	}
	return 0, false
}

// Plausible reports whether v, in the channel's stored unit, can be a reading
// of domestic water or room air: -30 °C to 120 °C, or -1 l/s to 5 l/s. The
// bounds are this project's choice: wide enough for a faulty clamp to be kept
// and diagnosed, narrow enough to refuse an open circuit (-127 °C, 850 °C).
// NaN is never plausible.
func (c Channel) Plausible(v float64) bool {
	if c.IsFlow() {
		return v >= -1 && v <= 5
	}
	return v >= -30 && v <= 120
}

// IsPort reports whether the channel is the temperature of one of the four
// ports; see [Ports].
func (c Channel) IsPort() bool { return c <= PreheatOut }

// Ports holds one T for each port of the exchanger.
type Ports[T any] struct{ WasteIn, WasteOut, ColdIn, PreheatOut T }

// NumPorts is the number of ports.
const NumPorts = 4

// Of returns the place of the port that channel c measures. It panics where c
// is not a port's temperature.
func (p *Ports[T]) Of(c Channel) *T {
	switch c {
	case WasteIn:
		return &p.WasteIn
	case WasteOut:
		return &p.WasteOut
	case ColdIn:
		return &p.ColdIn
	case PreheatOut:
		return &p.PreheatOut
	}
	panic("greywatt: " + c.String() + " is not a port's temperature")
}

// At returns the value of the port that channel c measures. It panics as
// [Ports.Of] does.
func (p Ports[T]) At(c Channel) T { return *p.Of(c) }

// All yields the ports' channels and values, in the order of the channels.
func (p Ports[T]) All() iter.Seq2[Channel, T] {
	return func(yield func(Channel, T) bool) {
		for c := WasteIn; c.IsPort(); c++ {
			if !yield(c, p.At(c)) {
				return
			}
		}
	}
}

// An Instant is a moment in UTC, in microseconds since 1970-01-01T00:00:00Z
// (leap seconds not counted). Two readings of one channel are of the same
// moment when their Instants are equal.
type Instant int64

// InstantOf converts t, dropping what is finer than a microsecond.
func InstantOf(t time.Time) Instant { return Instant(t.UnixMicro()) }

// InstantOfUnix converts Unix seconds to the nearest microsecond.
func InstantOfUnix(seconds float64) Instant { return Instant(math.Round(seconds * 1e6)) }

// Time returns the instant as a [time.Time] in UTC.
func (i Instant) Time() time.Time { return time.UnixMicro(int64(i)).UTC() }

// Add returns the instant d later, d in seconds.
func (i Instant) Add(seconds float64) Instant { return i + Instant(math.Round(seconds*1e6)) }

// Sub returns i - j in seconds.
func (i Instant) Sub(j Instant) float64 { return float64(i-j) / 1e6 }

// String returns the instant in RFC 3339, UTC.
func (i Instant) String() string { return i.Time().Format(time.RFC3339Nano) }

// A Reading is one value that a node reported: °C for temperatures, l/s for
// flows (see [Channel]), as the sensor gave it, before any correction.
type Reading struct {
	Dwelling string
	Node     string
	Channel  Channel
	At       Instant
	Value    float64
}

// Values holds one value a channel, NaN where a channel has none.
type Values [NumChannels]float64

// NoValues returns Values that are all NaN.
func NoValues() Values {
	var v Values
	for i := range v {
		v[i] = math.NaN()
	}
	return v
}

// Ports returns the values of the four ports, °C.
func (v *Values) Ports() Ports[float64] {
	return Ports[float64]{WasteIn: v[WasteIn], WasteOut: v[WasteOut], ColdIn: v[ColdIn], PreheatOut: v[PreheatOut]}
}

// A Frame is all that one node of a dwelling reported for one instant.
type Frame struct {
	At    Instant
	Node  string
	Value Values
}
