package ingest

import (
	"fmt"

	"greywatt"
)

// A RejectedRecord is a record that did not become a reading.
type RejectedRecord struct {
	Source   string           // topic, or FILE:LINE
	Dwelling string           // where the record or its topic says so, else empty
	Reason   Reason           // for counting
	Detail   string           // for the person who corrects it: what was found and what is wanted
	Record   string           // the record as it came, cut to a bounded length
	More     int64            // how many further records this one stands for, which are counted and not listed
	At       greywatt.Instant // when it was rejected; zero for files
}

// String returns the record on one line: SOURCE: reason: detail.
func (r RejectedRecord) String() string {
	return fmt.Sprintf("%s: %s: %s", r.Source, r.Reason, r.Detail)
}

// A Reason classes rejected records, so that they can be counted.
type Reason string

// The reasons for which a record is rejected.
const (
	BadPayload      Reason = "bad-payload"      // not SenML, or cut short
	BadLabel        Reason = "bad-label"        // a label ending in "_" that must be understood (RFC 8428 section 4.4)
	BadVersion      Reason = "bad-version"      // a bver above 10
	BadName         Reason = "bad-name"         // empty, or with characters that RFC 8428 section 4.5.1 forbids
	UnknownChannel  Reason = "unknown-channel"  // no such channel, no sensor of that name
	UnknownDwelling Reason = "unknown-dwelling" // not in the study
	BadUnit         Reason = "bad-unit"         // missing, or not one of the channel's units
	NoNumber        Reason = "no-number"        // no v, or not a number
	AbsurdValue     Reason = "absurd-value"     // beyond -30 to 120 °C, or -1 to 5 l/s
	BadTime         Reason = "bad-time"         // unreadable, or before 2000-01-01
	FutureTime      Reason = "future-time"      // more than a day ahead of the logger's clock
	BadColumn       Reason = "bad-column"       // a CSV line with too few or too many fields
	WrongTopic      Reason = "wrong-topic"      // the record names another dwelling or node than its topic
	ErrorCode       Reason = "error-code"       // a value that the recipe says means an error of the sensor
	BadCounter      Reason = "bad-counter"      // a counter that fell, waited too long, or came out of order: no flow
	RetainedMessage Reason = "retained-message" // a retained message without a time: when it was measured is not known
	ServerRefused   Reason = "server-refused"   // the server that is to keep the reading does not accept it
)

// A RejectedCount says how many records were rejected, ever.
type RejectedCount struct {
	Dwelling string // "" where the records named none
	Reason   Reason
	N        int64
}
