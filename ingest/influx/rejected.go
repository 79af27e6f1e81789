package influx

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"slices"
	"strconv"

	"greywatt"
	"greywatt/ingest"
)

// writeConflicts stores conflicts. Of several for one channel and instant the
// last one stays.
func (db *DB) writeConflicts(ctx context.Context, conflicts []ingest.Conflict) error {
	points := make([]Point, len(conflicts))
	for i, c := range conflicts {
		points[i] = Point{
			Measurement: measurementConflict,
			Tags:        []Tag{{"dwelling", c.Dwelling}, {"node", c.Node}, {"channel", c.Channel.String()}},
			At:          c.At,
			Fields:      []Field{{"kept", c.Kept}, {"refused", c.Value}},
		}
	}
	return db.writePoints(ctx, points)
}

// Conflicts returns the conflicts of the newest instants, newest first, at most
// limit of them.
func (db *DB) Conflicts(ctx context.Context, limit int) ([]ingest.Conflict, error) {
	var all []ingest.Conflict
	err := db.query(ctx, db.newest(measurementConflict, limit), func(rec *record) error {
		channel, ok := greywatt.ParseChannel(rec.text("channel"))
		if !ok {
			return fmt.Errorf("conflict of unknown channel %q", rec.text("channel"))
		}
		c := ingest.Conflict{Reading: greywatt.Reading{Dwelling: rec.text("dwelling"), Node: rec.text("node"), Channel: channel}}
		var errs [3]error
		c.At, errs[0] = rec.instant("_time")
		c.Kept, errs[1] = strconv.ParseFloat(rec.text("kept"), 64)
		c.Value, errs[2] = strconv.ParseFloat(rec.text("refused"), 64)
		all = append(all, c)
		return cmp.Or(errs[:]...)
	})
	return all, err
}

// newest is a query for the newest points of a measurement, newest first.
func (db *DB) newest(measurement string, limit int) string {
	return db.from(measurement, firstInstant, lastInstant) + pivot +
		fmt.Sprintf(` |> group() |> sort(columns: ["_time"], desc: true) |> limit(n: %d)`, max(limit, 1))
}

// AppendRejected stores rejected records and returns once the server has confirmed them. A
// refusal with the source, reason and record of an earlier one is the same one
// and changes nothing, for as long as a day lasts: its point's time is the day
// it was rejected, with a hash of these for the time of day. Two different ones
// of one day and reason share a point once in 86 400 million.
func (db *DB) AppendRejected(ctx context.Context, rs []ingest.RejectedRecord) error {
	const day = 24 * 3600 * 1_000_000
	now := greywatt.InstantOf(db.now())
	points := make([]Point, len(rs))
	for i, r := range rs {
		at := cmp.Or(r.At, now)
		sum := sha256.Sum256([]byte(r.Source + "\x00" + r.Record))
		points[i] = Point{
			Measurement: measurementRejected,
			Tags:        []Tag{{"reason", string(r.Reason)}},
			At:          at - at%day + greywatt.Instant(binary.BigEndian.Uint64(sum[:])%day),
			Fields: []Field{
				{"source", r.Source}, {"dwelling", r.Dwelling}, {"detail", r.Detail}, {"record", r.Record}, {"at_us", int64(r.At)},
			},
		}
	}
	return db.writePoints(ctx, points)
}

// Rejected returns the newest rejected records, newest first, at most limit of them.
func (db *DB) Rejected(ctx context.Context, limit int) ([]ingest.RejectedRecord, error) {
	var all []ingest.RejectedRecord
	flux := db.from(measurementRejected, firstInstant, lastInstant) + pivot +
		fmt.Sprintf(` |> group() |> sort(columns: ["at_us"], desc: true) |> limit(n: %d)`, max(limit, 1))
	err := db.query(ctx, flux, func(rec *record) error {
		at, err := rec.int("at_us")
		all = append(all, ingest.RejectedRecord{
			Source: rec.text("source"), Dwelling: rec.text("dwelling"), Reason: ingest.Reason(rec.text("reason")),
			Detail: rec.text("detail"), Record: rec.text("record"), At: greywatt.Instant(at),
		})
		return err
	})
	return all, err
}

// RejectedCounts returns the counts, sorted by dwelling and reason.
func (db *DB) RejectedCounts(ctx context.Context) ([]ingest.RejectedCount, error) {
	flux := db.from(measurementRejected, firstInstant, lastInstant) +
		` |> filter(fn: (r) => r._field == "dwelling") |> duplicate(column: "_value", as: "dwelling") |> group(columns: ["reason", "dwelling"]) |> count()`
	var counts []ingest.RejectedCount
	err := db.query(ctx, flux, func(rec *record) error {
		n, err := rec.int("_value")
		counts = append(counts, ingest.RejectedCount{Dwelling: rec.text("dwelling"), Reason: ingest.Reason(rec.text("reason")), N: n})
		return err
	})
	slices.SortFunc(counts, func(a, b ingest.RejectedCount) int {
		return cmp.Or(cmp.Compare(a.Dwelling, b.Dwelling), cmp.Compare(a.Reason, b.Reason))
	})
	return counts, err
}
