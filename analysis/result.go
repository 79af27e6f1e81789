package analysis

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

	Effectiveness    float64 // heat-weighted over the steady parts, on the smaller capacity rate
	EffectivenessU95 float64
	Expected         float64 // from the rated points at the event's flows
	ExpectedU95      float64 // of the conversion from rated points to these flows
	Ratio            float64 // measured / expected
	RatioU95         float64

	WasteFlowLMin float64 // drain side, measured or inferred
	Balance       float64 // drain heat / mains heat
	RoomC         float64 // °C beside the unit, measured or as resting clamps show it
	HeatRatio     float64 // fall of the drain over rise of the mains: their capacity rates' ratio, mains over drain, losses aside

	UARatio       float64 // conductance against the rated unit's at these flows
	UARatioU95    float64
	UARatioRandom float64 // standard uncertainty of what differs from event to event: noise, transients

	Flags []Flag
	Parts []Part // the steady parts, in time order

	budget budgets
}

// A Flag says why a figure of an event is missing or weak.
type Flag string

// A Trace is one event's corrected series, for charts and the live page, on
// one time axis that reaches from before the event to after it.
type Trace struct {
	At       []greywatt.Instant
	Port     [4][]float64 // °C corrected, indexed by the first four channels; NaN in gaps
	Surface  [4][]float64 // °C as the clamps read
	FlowLMin []float64
}

// A Code names a finding.
type Code string

// The findings, and the two rows that stand for none.
const (
	Fouling              Code = "fouling"                // conductance falls day by day: hair and soap film on the drain side
	StepLoss             Code = "step-loss"              // conductance fell from one shower to the next and stayed: a unit that slipped, a valve turned
	LowFromStart         Code = "low-from-start"         // conductance below the certificate's since the first shower: slope, wrong size, a valve half closed, dirt from before the log
	ParallelFlow         Code = "parallel-flow"          // mains and waste run the same way: supply connections crossed
	WasteSensorsSwapped  Code = "waste-sensors-swapped"  // the drain seems to warm: waste-in and waste-out have changed places
	SupplySensorsSwapped Code = "supply-sensors-swapped" // the mains seems to cool: cold-in and preheat-out have changed places
	SensorLoose          Code = "sensor-loose"           // a clamp shows a mix of its pipe and the room
	NoRecovery           Code = "no-recovery"            // neither side changes: a bypass, a closed valve, waste that goes elsewhere
	ConnectionDiffers    Code = "connection-differs"     // the preheated water feeds something else than the study file says
	FlowOffScale         Code = "flow-off-scale"         // a flow meter reads too much or too little by a constant factor
	Healthy              Code = "healthy"                // nothing found; stands alone
	Undecided            Code = "undecided"              // too few showers, or no account that is likelier than not; stands alone
)

// A Finding is what the events of one dwelling say about its unit, its
// sensors or its piping.
type Finding struct {
	Dwelling   string
	Code       Code
	Since      greywatt.Instant // first moment it holds for; zero where not known
	Confidence float64          // probability, 0 to 1
	Evidence   string           // in numbers
	Advice     string           // what to check first
	Cautions   []string         // what to mind while doing so, a sentence each
}

// A TrendPoint is one event's place in its dwelling's trend: the exchanger's
// conductance UA against that of the rated unit at the same flows, which does
// not depend on flow, season or connection.
type TrendPoint struct {
	Dwelling   string
	EventID    string
	At         greywatt.Instant
	UARatio    float64
	UARatioU95 float64
	OwnU95     float64 // the part of UARatioU95 that is independent from event to event; NaN or 0: not known
	ColdInC    float64 // °C, mean over the steady parts; NaN: not known
	Fit        float64 // the trend at this event, NaN where none is resolved
	FitLo      float64 // its 95 % interval, by the events' scatter alone
	FitHi      float64
	Segment    int  // counts up at each cleaning and each change found
	LeftOut    bool // of the trend: after a clamp came loose
}
