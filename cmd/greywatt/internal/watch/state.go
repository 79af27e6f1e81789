package watch

import (
	"time"

	"greywatt"
	"greywatt/analysis/completeness"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/analysis/monitor"
	"greywatt/ingest"
)

// Holdings are what the log has of a dwelling.
type Holdings struct {
	Readings int64 // 0 where the log does not count them
	Newest   greywatt.Instant
	Nodes    []Node
}

// A Node is a node with what it said of itself.
type Node struct {
	ingest.NodeSummary
	Heard, Up bool // Heard: it has reported its presence
	Since     greywatt.Instant
}

// Found is what the analysis made of a dwelling's log. What its slices hold does
// not change.
type Found struct {
	Ready     bool  // the log has been read to its end once
	Edition   int64 // counts up with events and findings; begins at the clock
	Whole     int64 // counts up when all is analysed again: what events are of
	Events    event.History
	Latest    *event.Event      // newest shower with a ratio to what is expected; nil without
	Diagnosis finding.Diagnosis // of the events but the newest few, for a while
	Complete  completeness.Result
	Alarms    []monitor.Alarm // oldest first
	SoFar     *event.Event    // of the water that runs, or ran until a moment ago
	Damaged   int             // parts of the log that cannot be read
	Late      bool            // readings have come that are not in it yet
	Trouble   string          // why it stands still
}

// News is what ended while the Watch looked.
type News struct {
	Events []event.Event
	Alarms []monitor.Alarm // raised by them
}

// A Viewer shows what a Watch comes to know. Hold is called by one goroutine,
// Show and Draw by another for each dwelling; none of them may wait for long.
type Viewer interface {
	// Hold is called with each look at the log: what there is of each dwelling, by
	// its id, or why the log cannot be read.
	Hold(of map[string]Holdings, err error)
	// Show is called with what was found.
	Show(dwelling string, f Found)
	// Draw is given frames as they are read, in time order but for the newest,
	// which may come more than once. It must not keep them.
	Draw(dwelling string, frames []greywatt.Frame)
}

// What an analysis was of, for Config.Took.
const (
	OfWhole    = "whole"    // the whole log of a dwelling
	OfNew      = "new"      // what is new
	OfSoFar    = "so-far"   // the water that runs
	OfFindings = "findings" // all events, for the findings
)

const (
	// lagS is how far behind the newest reading the analysis stays while more
	// come: nodes of one dwelling do not report at the same moment. For one that
	// sends packs of a minute it waits longer, packLagS at most.
	lagS     = 30.0
	packLagS = 150.0
	// settled is after how long without anything new it takes the rest.
	settled = time.Minute
	// A look at a log that answers slowly, such as a server with many nodes, takes
	// a tenth of the time at most.
	lookShare = 10
	// lookBackEvery is how often it asks whether readings came late while there
	// is no time to ask at every look.
	lookBackEvery = 10 * time.Second
	// The analysis is repeated at the earliest againAfter what came late was
	// noticed, when more of it has had time to come, and so seldom that it takes
	// a hundredth of one processor's time at most. The same goes for findings,
	// which are of all events.
	againAfter = 20 * time.Second
	againShare = 100
	anewEvery  = 24 * time.Hour
	// soFarS is how long after the last flow, s, an event may still go on: what
	// ends a session in the analysis, and a little.
	soFarS = 270.0
	// soFarLeadS is how much before the newest reading, s, the figures so far
	// are worked out from.
	soFarLeadS = 4 * 3600.0
	// retryAfter is how long it rests after the log could not be read.
	retryAfter = 30 * time.Second
	// flowing is the mains flow, l/s, from which water runs: what opens a run in
	// package draw.
	flowing = 0.8 / 60
)
