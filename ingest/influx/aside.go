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
)

// A Conflict is a reading that was refused because its channel has another
// value for the same instant.
type Conflict struct {
	greywatt.Reading         // the one refused
	Kept             float64 // the value that came first, and counts
}

// writeConflicts stores conflicts. Of several for one channel and instant the
// last one stays.
func (db *DB) writeConflicts(ctx context.Context, conflicts []Conflict) error {
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
func (db *DB) Conflicts(ctx context.Context, limit int) ([]Conflict, error) {
	var all []Conflict
	err := db.query(ctx, db.newest(measurementConflict, limit), func(rec *record) error {
		channel, ok := greywatt.ParseChannel(rec.text("channel"))
		if !ok {
			return fmt.Errorf("conflict of unknown channel %q", rec.text("channel"))
		}
		c := Conflict{Reading: greywatt.Reading{Dwelling: rec.text("dwelling"), Node: rec.text("node"), Channel: channel}}
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

// SetAside stores refusals and returns once the server has confirmed them. A
// refusal with the source, reason and record of an earlier one is the same one
// and changes nothing, for as long as a day lasts: its point's time is the day
// it was set aside, with a hash of these for the time of day. Two different ones
// of one day and reason share a point once in 86 400 million.
func (db *DB) SetAside(ctx context.Context, rs []greywatt.Refusal) error {
	const day = 24 * 3600 * 1_000_000
	now := greywatt.InstantOf(db.now())
	points := make([]Point, len(rs))
	for i, r := range rs {
		at := cmp.Or(r.At, now)
		sum := sha256.Sum256([]byte(r.Source + "\x00" + r.Record))
		points[i] = Point{
			Measurement: measurementSetAside,
			Tags:        []Tag{{"reason", string(r.Reason)}},
			At:          at - at%day + greywatt.Instant(binary.BigEndian.Uint64(sum[:])%day),
			Fields: []Field{
				{"source", r.Source}, {"dwelling", r.Dwelling}, {"detail", r.Detail}, {"record", r.Record}, {"at_us", int64(r.At)},
			},
		}
	}
	return db.writePoints(ctx, points)
}

// Refusals returns the newest refusals, newest first, at most limit of them.
func (db *DB) Refusals(ctx context.Context, limit int) ([]greywatt.Refusal, error) {
	var all []greywatt.Refusal
	flux := db.from(measurementSetAside, firstInstant, lastInstant) + pivot +
		fmt.Sprintf(` |> group() |> sort(columns: ["at_us"], desc: true) |> limit(n: %d)`, max(limit, 1))
	err := db.query(ctx, flux, func(rec *record) error {
		at, err := rec.int("at_us")
		all = append(all, greywatt.Refusal{
			Source: rec.text("source"), Dwelling: rec.text("dwelling"), Reason: greywatt.Reason(rec.text("reason")),
			Detail: rec.text("detail"), Record: rec.text("record"), At: greywatt.Instant(at),
		})
		return err
	})
	return all, err
}

// A RefusalCount says how many records were set aside, ever.
type RefusalCount struct {
	Dwelling string // "" where the records named none
	Reason   greywatt.Reason
	N        int64
}

// RefusalCounts returns the counts, sorted by dwelling and reason.
func (db *DB) RefusalCounts(ctx context.Context) ([]RefusalCount, error) {
	flux := db.from(measurementSetAside, firstInstant, lastInstant) +
		` |> filter(fn: (r) => r._field == "dwelling") |> duplicate(column: "_value", as: "dwelling") |> group(columns: ["reason", "dwelling"]) |> count()`
	var counts []RefusalCount
	err := db.query(ctx, flux, func(rec *record) error {
		n, err := rec.int("_value")
		counts = append(counts, RefusalCount{rec.text("dwelling"), greywatt.Reason(rec.text("reason")), n})
		return err
	})
	slices.SortFunc(counts, func(a, b RefusalCount) int {
		return cmp.Or(cmp.Compare(a.Dwelling, b.Dwelling), cmp.Compare(a.Reason, b.Reason))
	})
	return counts, err
}
