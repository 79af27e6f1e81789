package finding

import "greywatt"

// A Code names a finding.
type Code string

// The findings, and the two rows that stand for none.
const (
	Fouling              Code = "fouling"                // conductance falls day by day: hair and soap film on the waste side
	StepLoss             Code = "step-loss"              // conductance fell from one shower to the next and stayed: a unit that slipped, a valve turned
	LowFromStart         Code = "low-from-start"         // conductance below the certificate's since the first shower: slope, wrong size, a valve half closed, dirt from before the log
	ParallelFlow         Code = "parallel-flow"          // mains and waste run the same way: supply connections crossed
	WasteSensorsSwapped  Code = "waste-sensors-swapped"  // the waste side seems to warm: waste-in and waste-out have changed places
	SupplySensorsSwapped Code = "supply-sensors-swapped" // the mains side seems to cool: cold-in and preheat-out have changed places
	SensorLoose          Code = "sensor-loose"           // a clamp shows a mix of its pipe and the room
	NoRecovery           Code = "no-recovery"            // neither side changes much: a bypass, a closed valve, waste that goes elsewhere
	ConnectionDiffers    Code = "connection-differs"     // the preheated water feeds something else than the study file says
	FlowOffScale         Code = "flow-off-scale"         // a flow meter reads too much or too little by a constant factor
	SensorDrifting       Code = "sensor-drifting"        // a clamp's or meter's error changes over weeks
	SensorDead           Code = "sensor-dead"            // missing, railed or frozen for a day or more
	BypassAtTimes        Code = "bypass-at-times"        // a share of showers recovers little or nothing while the rest is as it was
	Leak                 Code = "leak"                   // water runs at rest; a row beside any other
	Healthy              Code = "healthy"                // nothing found; stands alone
	Undecided            Code = "undecided"              // too few showers, or no account that is likelier than not; stands alone
)

// A Finding is what the events of one dwelling say about its unit, its
// sensors or its piping.
type Finding struct {
	Dwelling   string
	Code       Code
	Channel    string           // the channel concerned, empty where none is
	Since      greywatt.Instant // first moment it holds for; zero where not known
	Until      greywatt.Instant // last moment, where it is over; zero: to the end of the record
	Confidence float64          // probability, 0 to 1; of undecided that of the likeliest explanation, 0 where nothing was weighed
	Evidence   string           // in numbers
	Decide     string           // what would decide, and how much of it; always there for undecided, else empty where the finding is sure
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
