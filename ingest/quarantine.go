package ingest

import "greywatt"

// A Quarantined is a message that was acknowledged although records of it cannot
// be stored yet: the study, a unit or a clock is to be mended first. It is kept
// whole, as it came.
type Quarantined struct {
	ID       int64 // of the store; ascending in the order of arrival
	Topic    string
	Body     []byte
	At       greywatt.Instant // arrival, by the logger's clock
	Retained bool             // the broker had kept it: nobody knows since when
	OwnNames bool             // names of another dwelling or node than the topic's do not count

	// What does not fit, at the last attempt.
	Dwelling, Node string // of the first such record, as far as it or the topic says so
	Reason         Reason // of that one
	Records        int64  // how many there are
}

// Size is what the message counts for against the quarantine's quota, in bytes.
func (q *Quarantined) Size() int64 { return QuarantinedSize(len(q.Topic), len(q.Body)) }

// QuarantinedSize is the size of a message of a topic and a body of so many bytes.
func QuarantinedSize(topic, body int) int64 {
	const row = 120 // what the store adds, about
	return int64(row + topic + body)
}

// A QuarantineCount says what is in the quarantine of one node for one reason.
type QuarantineCount struct {
	Dwelling, Node string // "" where not known
	Reason         Reason
	Messages       int64
	Records        int64 // that do not fit
	Bytes          int64
	First, Last    greywatt.Instant // arrivals
}
