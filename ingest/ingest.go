// Package ingest is the contract of the stores of readings: the nouns that the
// embedded store, the InfluxDB server and what writes to either have in common,
// so that one can stand in for the other. Interfaces are declared by the
// packages that call them.
package ingest

import (
	"fmt"

	"greywatt"
)

// Counts says what became of appended readings.
type Counts struct {
	New       int // stored now
	Duplicate int // stored before with the same value
	Conflict  int // stored before with another value, which stays; see [Conflict]
	Rejected  int // not accepted by the server; see [RejectedRecord]. Always 0 of the embedded store.
}

// Add adds d to c.
func (c *Counts) Add(d Counts) {
	c.New += d.New
	c.Duplicate += d.Duplicate
	c.Conflict += d.Conflict
	c.Rejected += d.Rejected
}

// A Conflict is a reading that was not stored because its channel has another
// value for the same instant.
type Conflict struct {
	greywatt.Reading         // the one not stored
	Kept             float64 // the value that came first, and counts
}

// A Presence says whether a node is connected: it reported itself up, or it, or
// its broker when it fell silent, reported it down.
type Presence struct {
	Dwelling, Node string
	Up             bool
	Since          greywatt.Instant // when that was first received
}

// A NodeSummary says what is stored of one node.
type NodeSummary struct {
	Dwelling, Node   string
	Frames, Readings int64            // zero where the store does not count them
	Conflicts        int64            // readings not stored because another value came first
	First, Last      greywatt.Instant // zero without frames; First also where the store does not know it
}

// A Change is readings of one dwelling that were stored together.
type Change struct {
	Dwelling string
	Frames   []greywatt.Frame // of one node, in order of time, with just the channels that were new
}

// A CorruptError says which part of a store cannot be read. The rest can.
type CorruptError struct {
	File     string
	Dwelling string           // empty where the damage is not within one dwelling
	Node     string           // empty likewise, or where it may be any
	From, To greywatt.Instant // first and last instant of the damaged part; zero where not known
	Err      error
}

func (e *CorruptError) Error() string {
	s := e.File + ": damaged"
	if e.Dwelling != "" {
		s += ": dwelling " + e.Dwelling
	}
	if e.Node != "" {
		s += ", node " + e.Node
	}
	if e.From != 0 {
		s += fmt.Sprintf(", from %s", e.From)
	}
	if e.To != 0 {
		s += fmt.Sprintf(" to %s", e.To)
	}
	return fmt.Sprintf("%s: %v", s, e.Err)
}

func (e *CorruptError) Unwrap() error { return e.Err }

// Damaged reports whether the error stands for a part of one dwelling's data, so
// that the rest of it can be used.
func (e *CorruptError) Damaged() bool { return e.Dwelling != "" }
