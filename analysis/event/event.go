package event

import "greywatt"

// A Kind says what an event is.
type Kind string

// The kinds.
const (
	Shower    Kind = "shower"     // mains flow with warm waste on the other side
	OtherDraw Kind = "other-draw" // mains flow without warm waste
	Partial   Kind = "partial"    // a gap in the data hides part of it
)

// A Span is a stretch of time, both ends inclusive.
type Span struct{ From, To greywatt.Instant }

// Seconds returns the span's length.
func (s Span) Seconds() float64 { return s.To.Sub(s.From) }

// An Event is one draw of water through the exchanger. A figure that is not
// known is NaN, and Flags says why. Every U95 is an expanded uncertainty, k = 2.
type Event struct {
	ID         string // dwelling and start; the same when the same data is analysed again
	Dwelling   string
	Connection greywatt.Connection
	Start, End greywatt.Instant // first and last instant with mains flow
	Kind       Kind

	DurationS float64 // whole span
	RunningS  float64 // time with flow
	VolumeL   float64 // mains volume

	// VolumeU95L is that of VolumeL, l: the meter's scale, the ends of flow, what
	// late waking and silence hide.
	VolumeU95L float64
	HiddenS    float64 // of RunningS, estimated: flow ran before the node woke, or while it was silent; 0 where none

	// Means over the steady parts, corrected, at the exchanger's ports.
	FlowLMin    float64
	WasteInC    float64
	WasteOutC   float64
	ColdInC     float64
	PreheatOutC float64
	SteadyS     float64
	Steady      []Span

	HeatKWh    float64 // gained by the mains water over the whole event
	HeatU95KWh float64
	// The parts of HeatU95KWh, EffectivenessU95 and RatioU95 that are independent from
	// event to event; the rest in squares is what the events of a dwelling share.
	HeatOwnU95KWh       float64
	EffectivenessOwnU95 float64
	RatioOwnU95         float64

	// EventEffectiveness is the heat gained over the whole event as a share of what
	// ideal counterflow recovery would have given over it. NaN but for showers.
	EventEffectiveness    float64
	EventEffectivenessU95 float64

	Effectiveness    float64 // heat-weighted over the steady parts, on the smaller capacity rate
	EffectivenessU95 float64
	Expected         float64 // from the rated points at the event's flows and inlet temperatures
	ExpectedU95      float64 // of the conversion from rated points to these flows and temperatures
	Ratio            float64 // measured / expected
	RatioU95         float64

	WasteFlowLMin float64 // waste side, measured or inferred
	// Balance is the waste side's heat over the mains side's. In connection A without a
	// drain meter it is that at equal flow, so that it tests the equality.
	Balance   float64
	RoomC     float64 // °C beside the unit, measured or as resting clamps show it
	HeatRatio float64 // fall of the drain over rise of the mains: their capacity rates' ratio, mains over drain, losses aside

	// RestFlowLMin is the mains flow at rest around the event, l/min, beneath what
	// opens a draw: a leak or a drip. NaN where too few readings tell.
	RestFlowLMin  float64
	RestFlowULMin float64 // standard uncertainty of it, l/min

	// TemperatureFactor is Expected over what is expected at these flows and the
	// inlet temperatures of the certificate.
	TemperatureFactor float64

	UARatio       float64 // conductance against the rated unit's at these flows and temperatures
	UARatioU95    float64
	UARatingLnU   float64 // standard uncertainty of ln UARatio from what the certificate leaves open at these flows
	UARatioRandom float64 // standard uncertainty of what differs from event to event: noise, transients

	Flags []Flag
	Parts []Part // the steady parts, in time order

	Budgets Budgets
}

// A Flag says why a figure of an event is missing or weak.
type Flag string

// A Trace is one event's corrected series, for charts and the live page, on
// one time axis that reaches from before the event to after it.
type Trace struct {
	At       []greywatt.Instant
	Port     [greywatt.NumPorts][]float64 // °C corrected, by the ports' channels; NaN in gaps
	Surface  [greywatt.NumPorts][]float64 // °C as the clamps read
	FlowLMin []float64
}
