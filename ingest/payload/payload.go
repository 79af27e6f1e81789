// Package payload turns what a node publishes into readings: a topic and the
// bytes of a SenML pack (RFC 8428), JSON or CBOR, in; [greywatt.Reading] and
// [greywatt.Refusal] out. It also writes packs, for simulators and tests.
//
// It is pure: no network, no clock, no file. Whoever calls says what time it is
// and where the bytes come from.
//
// # What counts and what does not
//
// Every record that can be used becomes a reading; every other one becomes a
// rejected record with its reason, and costs its neighbours nothing. Where RFC 8428
// leaves a choice, this package reads it so:
//
//   - A version (bver) above 10 means that nothing of the pack may be used
//     (section 4.4): one rejected record, no readings.
//   - A label that ends in "_" and is not understood is an error (section 4.4)
//     of its record. One that begins with "b" is a base field (section 12.2), so
//     that it spoils the records after it in the pack too.
//   - A base field of the wrong type, or given twice in one record, spoils the
//     records that depend on it until another record sets it again. The other
//     base fields of a refused record count.
//   - A record of nothing but base fields sets them and is not a reading.
//   - s, bs and ut (sum, update time) are ignored. A record with a sum and no
//     value is not a reading. More than one of v, vs, vb, vd is refused.
//   - A pack that breaks off is one rejected record (bad-payload); the records before
//     the break count. So does trailing text after a pack.
//   - JSON that is wrong within one record's braces, such as the NaN that some
//     encoders write, costs that record only.
//
// Sources: RFC 8428 (SenML), RFC 8259 (JSON), RFC 8949 (CBOR).
package payload

import (
	"fmt"
	"maps"
	"math"
	"slices"

	"greywatt"
	"greywatt/ingest"
)

// Limits of one pack. They are this project's choice: an hour's buffer of all
// channels at 2 Hz is about 2 MB, and nothing beyond the limits is held.
const (
	MaxBytes   = 32 << 20  // bytes of one pack; more is refused unread
	MaxRecords = 1_000_000 // records of one pack; the rest is not read
	MaxName    = 256       // bytes of a resolved name

	maxDepth    = 64     // nested arrays, maps and tags in a CBOR value that is skipped
	maxRejected = 10_000 // of one pack told one by one; then only counted
	maxRecord   = 256    // bytes of a record kept in a rejected record
)

// An Origin is what is known of a payload apart from its bytes.
type Origin struct {
	Source   string // names the payload in rejected records: its topic, or FILE:LINE
	Dwelling string // for names that are bare channels; may be empty
	Node     string // likewise
	// OwnNames refuses names of another dwelling or node than these two: for topics
	// that the broker's access rules keep each node to. Otherwise a full name says
	// whose reading it is, whatever the topic.
	OwnNames bool
	// Stored says that the payload was read from a file and did not arrive just
	// now: times relative to "now" are refused, since there is no now that would be
	// the same at a second reading.
	Stored bool
	// Latest is the moment that a time may be a day ahead of; zero: now. It is for
	// packs that arrived while the logger's own clock was behind.
	Latest greywatt.Instant
	// Units gives the unit, in SenML, of records of a channel that state none, or one
	// that is not the channel's; "" or a nil function: they are rejected.
	Units func(dwelling, node string, c greywatt.Channel) string
	// Shift returns what a time that a node states, in Unix seconds, is to be taken
	// for; nil: itself. Times relative to now are not given to it.
	Shift func(dwelling, node string, seconds float64) float64
}

// A Decoder decodes packs. It remembers names and reuses its buffers, so keep
// one for each goroutine; it must not be used by two at once.
type Decoder struct {
	names nameCache

	// The pack at hand.
	origin     Origin
	now        greywatt.Instant
	base       base
	readings   []greywatt.Reading
	rejected   []ingest.RejectedRecord
	marks      struct{ readings, rejected int } // where this pack's part of them begins
	suppressed map[ingest.Reason]int
	records    int
	sequence   Sequence
	newest     float64 // Unix s, of the latest time stated; NaN: none
	relative   bool    // it was stated relative to now

	rec   record
	arena []byte // unescaped strings of the record at hand

	text        jsonReader
	generalOnly bool // for tests: every JSON pack by jsonReader
}

// NewDecoder returns a Decoder that resolves names through r; nil accepts any
// dwelling and knows no sensor names.
func NewDecoder(r *Resolver) *Decoder {
	if r == nil {
		r = NewResolver(nil)
	}
	return &Decoder{names: nameCache{resolver: r}, text: newJSONReader()}
}

// Decode appends the readings of one pack to readings and its rejected records to
// refused, and returns both. Readings are in the pack's order, °C and l/s. The
// first byte tells JSON from CBOR. Nothing returned refers to data.
//
// now is the moment at which the payload arrived, or a file is being read:
// relative times count from it, and a time more than a day ahead of it is
// refused.
func (d *Decoder) Decode(readings []greywatt.Reading, rejected []ingest.RejectedRecord, o Origin, data []byte, now greywatt.Instant) ([]greywatt.Reading, []ingest.RejectedRecord) {
	d.origin, d.now, d.records = o, now, 0
	d.readings, d.rejected = readings, rejected
	d.marks.readings, d.marks.rejected = len(readings), len(rejected)
	d.newest, d.relative, d.sequence = math.NaN(), false, Sequence{}
	d.base.clear()
	d.names.start(o)

	d.pack(data)
	if len(d.suppressed) > 0 {
		d.reportSuppressed()
	}

	readings, rejected = d.readings, d.rejected
	d.readings, d.rejected, d.rec = nil, nil, record{} // let go of data
	return readings, rejected
}

// Newest returns the latest time that a record of the last pack states, in Unix
// seconds, of records refused for their time too: what the node's clock showed
// when it closed the pack. relative says that it was stated relative to the
// moment of arrival. Where no time could be read it is NaN.
func (d *Decoder) Newest() (seconds float64, relative bool) { return d.newest, d.relative }

// A Sequence is the number of a pack among those of its node: they are counted from
// 1 on in each run, and one that is sent again has its number again.
type Sequence struct {
	Run string // the node's, another whenever it begins to count anew; may be empty
	N   uint64 // 0: the pack has none
}

// maxRun bounds a run's name, in bytes.
const maxRun = 16

// Sequence returns the last pack's number.
func (d *Decoder) Sequence() Sequence { return d.sequence }

func (d *Decoder) pack(data []byte) {
	switch {
	case len(data) == 0:
		d.rejectRest(nil, "empty payload; a SenML pack is wanted")
	case len(data) > MaxBytes:
		d.rejectRest(data, "%d bytes in one pack; send or write at most %d", len(data), MaxBytes)
	case data[0] == '[' || isBlank(data[0]):
		d.json(data)
	case data[0] >= 0x80 && data[0] <= 0x9f:
		d.cbor(data)
	case data[0] == '{':
		d.rejectRest(data, "a single object; a SenML pack is an array of records, [{...}]")
	default:
		d.rejectRest(data, "neither JSON nor CBOR: the first byte is %#02x; a SenML pack is an array of records", data[0])
	}
}

// full reports whether the pack has reached its limit of records, and says so
// once.
func (d *Decoder) full() bool {
	if d.records < MaxRecords {
		d.records++
		return false
	}
	d.rejectRest(nil, "more than %d records in one pack; the rest was not read: send smaller packs", MaxRecords)
	return true
}

// refuse sets a record aside for a reason that its name has no part in.
func (d *Decoder) reject(reason ingest.Reason, raw []byte, format string, args ...any) {
	d.appendRejected(fault{reason, d.origin.Dwelling, fmt.Sprintf(format, args...)}, raw)
}

// appendRejected rejects a record, or only counts it once there are
// very many.
func (d *Decoder) appendRejected(f fault, raw []byte) {
	if len(d.rejected)-d.marks.rejected < maxRejected {
		d.tell(f, raw)
		return
	}
	if d.suppressed == nil {
		d.suppressed = map[ingest.Reason]int{}
	}
	d.suppressed[f.reason]++
}

// refuseRest sets the pack, or what is left of it, aside.
func (d *Decoder) rejectRest(rest []byte, format string, args ...any) {
	d.tell(fault{ingest.BadPayload, d.origin.Dwelling, fmt.Sprintf(format, args...)}, rest)
}

func (d *Decoder) tell(f fault, raw []byte) {
	r := ingest.RejectedRecord{
		Source:   d.origin.Source,
		Dwelling: f.dwelling,
		Reason:   f.reason,
		Detail:   f.detail,
		Record:   Excerpt(raw),
	}
	if !d.origin.Stored {
		r.At = d.now
	}
	d.rejected = append(d.rejected, r)
}

// reportSuppressed ends a pack of which more records were rejected than are listed
// one by one.
func (d *Decoder) reportSuppressed() {
	for _, reason := range slices.Sorted(maps.Keys(d.suppressed)) {
		d.tell(fault{reason, d.origin.Dwelling, fmt.Sprintf("and %d more records of this pack for this reason", d.suppressed[reason])}, nil)
		d.rejected[len(d.rejected)-1].More = int64(d.suppressed[reason]) - 1
	}
	clear(d.suppressed)
}
