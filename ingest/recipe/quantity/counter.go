package quantity

import "fmt"

// A CounterLaw says how a counter's values become a flow.
type CounterLaw struct {
	Litres    float64 // of each unit that is counted, above 0
	SinceLast bool    // a value is what was counted since the one before, not the total
	RollsOver float64 // the total begins again at 0 when it reaches this; 0: never
	MaxGapS   float64 // s; a longer interval gives no mean flow unless nothing ran
}

// DefaultMaxGapS is the longest interval over which a mean flow is taken, this
// project's choice: nodes report once a minute at rest, and a mean over more
// than a few minutes is no flow of any draw.
const DefaultMaxGapS = 300

// maxFlow is the flow, in l/s, above which a falling total is a new beginning
// and not a roll-over: the largest plausible reading.
const maxFlow = 5

// A Counter turns the values of one counter, in order of time, into mean flows
// since the value before. Its zero value has seen nothing.
type Counter struct {
	seen  bool
	atUs  int64
	value float64
}

// Next takes the value at an instant in µs and returns the mean flow in l/s
// since the one before. ok is false where there is none: for the first value,
// and, with a reason, where no flow can be told. The same value again gives
// neither flow nor reason.
func (c *Counter) Next(law *CounterLaw, atUs int64, v float64) (flow float64, ok bool, why string) {
	before := *c
	if before.seen && atUs <= before.atUs {
		switch {
		case atUs == before.atUs && v == before.value:
			return 0, false, ""
		case atUs == before.atUs:
			return 0, false, "the counter has two values for one instant"
		}
		return 0, false, "the counter's value is older than the one before; a flow is told from values in order of time"
	}
	*c = Counter{true, atUs, v}
	if !before.seen {
		return 0, false, ""
	}
	seconds := float64(atUs-before.atUs) / 1e6
	rise := v - before.value
	switch {
	case law.SinceLast:
		rise = v
	case rise < 0:
		over := rise + law.RollsOver
		if law.RollsOver <= 0 || over < 0 || over*law.Litres/seconds > maxFlow {
			return 0, false, fmt.Sprintf("the counter fell from %.12g to %.12g and begins anew; what ran in between is not known", before.value, v)
		}
		rise = over
	}
	maxGap := law.MaxGapS
	if maxGap == 0 {
		maxGap = DefaultMaxGapS
	}
	if rise != 0 && seconds > maxGap {
		return 0, false, fmt.Sprintf("%.4g l ran within %.0f s; that is too long for a flow (the longest interval is %.0f s)", rise*law.Litres, seconds, maxGap)
	}
	return Round(rise * law.Litres / seconds), true, ""
}
