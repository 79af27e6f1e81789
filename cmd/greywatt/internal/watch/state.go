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

// An Inventory is what the log holds of a dwelling.
type Inventory struct {
	Readings int64 // 0 where the log does not count them
	Newest   greywatt.Instant
	Nodes    []Node
}

// A Node is a node with the presence that it reported.
type Node struct {
	ingest.NodeSummary
	Heard, Up bool // Heard: it has reported its presence
	Since     greywatt.Instant
}

// State is the result of analysing a dwelling's log so far. The contents of its
// slices do not change.
type State struct {
	Ready       bool  // the log has been read to its end once
	Edition     int64 // increases with events and findings; begins at the time of day
	FullRuns    int64 // increases with each analysis of the full log, from which all events come
	Events      event.History
	Latest      *event.Event      // newest shower with a ratio to what is expected; nil without
	Diagnosis   finding.Diagnosis // of the events but the newest few, for a while
	Complete    completeness.Result
	Alarms      []monitor.Alarm // oldest first
	Provisional *event.Event    // of the water that runs, or ran until a moment ago; nil without
	Damaged     int             // parts of the log that cannot be read
	Late        bool            // late readings have arrived that are not analysed yet
	Trouble     string          // why the analysis is halted
}

// An Update holds the events that ended since the last one.
type Update struct {
	Events []event.Event
	Alarms []monitor.Alarm // raised by them
}

// A Viewer shows what a Watch finds. ShowInventory is called by one goroutine,
// ShowState and ShowFrames by another for each dwelling; none of them may block
// for long.
type Viewer interface {
	// ShowInventory is called with each look at the log: what there is of each
	// dwelling, by its id, or why the log cannot be read.
	ShowInventory(of map[string]Inventory, err error)
	// ShowState is called with the state after each step of the analysis.
	ShowState(dwelling string, f State)
	// ShowFrames is given frames as they are read, in time order but for the
	// newest, which may come more than once. It must not keep them.
	ShowFrames(dwelling string, frames []greywatt.Frame)
}

// Kinds of analysis, for Config.OnAnalysis.
const (
	FullAnalysis        = "whole"    // of the full log of a dwelling
	NewAnalysis         = "new"      // of what is new
	ProvisionalAnalysis = "so-far"   // of the water that runs
	FindingsAnalysis    = "findings" // of all events, for the findings
)

const (
	// lagS is how far behind the newest reading the analysis stays while more
	// come: nodes of one dwelling do not report at the same moment. For one that
	// sends packs of a minute it waits longer, packLagS at most.
	lagS     = 30.0
	packLagS = 150.0
	// shownS is how long before the newest reading, s, frames are shown at a start.
	shownS = 1800.0
	// keepEvery is after how much of the log, s, what it gave is kept: what is kept is
	// cut to about that, and a memory card wears.
	keepEvery = 3 * 86400.0
	// giveBackEvery is how often memory is given back at the most: each time all that is
	// in use is looked at, some 20 ms of processor time for 200 dwellings.
	giveBackEvery = time.Minute
	// settled is after how long without anything new it takes the rest.
	settled = time.Minute
	// A look at a log that answers slowly, such as a server with many nodes, takes
	// a tenth of the time at most.
	lookShare = 10
	// lookBackEvery is how often it asks whether readings came late while there
	// is no time to ask at every look.
	lookBackEvery = 10 * time.Second
	// The analysis is repeated at the earliest againAfter what came late was
	// noticed, and at intervals of at least a hundred times its own duration: of a
	// backlog that keeps coming, the first shows at once. The same holds for
	// findings, which are of all events.
	againAfter = 500 * time.Millisecond
	againShare = 100
	fullEvery  = 24 * time.Hour
	// quickRun is what a full analysis takes at most that is made of what was kept:
	// the logger can spare its processors for that.
	quickRun = time.Second
	// provisionalS is how long after the last flow, s, an event may still go on: what
	// ends a session in the analysis, and a little.
	provisionalS = 270.0
	// provisionalLeadS is how much before the newest reading, s, the figures so far
	// are worked out from.
	provisionalLeadS = 4 * 3600.0
	// retryAfter is how long it rests after the log could not be read.
	retryAfter = 30 * time.Second
	// flowing is the mains flow, l/s, from which water runs: what opens a run in
	// package draw.
	flowing = 0.8 / 60
)
