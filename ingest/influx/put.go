package influx

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"greywatt"
	"greywatt/ingest"
)

// maxLine bounds how much of a rejected line or of the server's words is kept,
// in bytes.
const maxLine = 1000

// Put writes rows and returns once the server has confirmed them. What it
// refuses for what it is comes back as rejected, value by value and with the
// server's reason, and all else is written. On error some of it may be written;
// writing it again does no harm.
//
// Put overwrites what the server has for the same instants. A mirror, which is
// given only what was stored first, wants that; others want [DB.Append].
func (db *DB) Put(ctx context.Context, rows []Row) (rejected []ingest.RejectedRecord, err error) {
	rows, rejected = db.checkNames(rows)
	for len(rows) > 0 {
		n := min(len(rows), db.cfg.Points)
		rejected, err = db.put(ctx, rows[:n], rejected)
		if err != nil {
			return nil, err
		}
		rows = rows[n:]
	}
	return rejected, nil
}

// checkNames returns rows without those whose names no line can hold, which it
// refuses in the server's stead.
func (db *DB) checkNames(rows []Row) (good []Row, rejected []ingest.RejectedRecord) {
	checked := make(map[string]error)
	check := func(name string) error {
		err, known := checked[name]
		if !known {
			err = checkTag(name)
			checked[name] = err
		}
		return err
	}
	for i := range rows {
		err := cmp.Or(check(rows[i].Dwelling), check(rows[i].Node))
		switch {
		case err != nil:
			if rejected == nil {
				good = slices.Clone(rows[:i])
			}
			rejected = append(rejected, db.rejectedRecord(&rows[i], err.Error()))
		case rejected != nil:
			good = append(good, rows[i])
		}
	}
	if rejected == nil {
		return rows, nil
	}
	return good, rejected
}

// put writes rows in one request, and where the server refuses some of them in
// as many as it takes to find which.
func (db *DB) put(ctx context.Context, rows []Row, rejected []ingest.RejectedRecord) ([]ingest.RejectedRecord, error) {
	var lines strings.Builder
	var line []byte
	for i := range rows {
		line = appendRow(line[:0], &rows[i])
		lines.Write(line)
	}
	err := db.send(ctx, lines.String())
	var answer *Error
	if !errors.As(err, &answer) || answer.Class != Data {
		return rejected, err
	}
	mixed := false
	for i := range rows {
		mixed = mixed || countValues(&rows[i].Value) > 1
	}
	switch n := len(rows); {
	case mixed:
		// A conflict of types is of one field, and takes the whole point with it.
		return db.putByChannel(ctx, rows, rejected)
	case n == 1 || answer.dropped() >= n:
		for i := range rows {
			rejected = append(rejected, db.rejectedRecord(&rows[i], answer.Message))
		}
		return rejected, nil
	default:
		if rejected, err = db.put(ctx, rows[:n/2], rejected); err != nil {
			return rejected, err
		}
		return db.put(ctx, rows[n/2:], rejected)
	}
}

func (db *DB) putByChannel(ctx context.Context, rows []Row, rejected []ingest.RejectedRecord) ([]ingest.RejectedRecord, error) {
	var err error
	for c := range greywatt.NumChannels {
		var part []Row
		for i := range rows {
			if v := rows[i].Value[c]; !math.IsNaN(v) {
				r := Row{rows[i].Dwelling, greywatt.Frame{At: rows[i].At, Node: rows[i].Node, Value: greywatt.NoValues()}}
				r.Value[c] = v
				part = append(part, r)
			}
		}
		if len(part) == 0 {
			continue
		}
		if rejected, err = db.put(ctx, part, rejected); err != nil {
			return rejected, err
		}
	}
	return rejected, nil
}

// rejectedRecord describes a row that the server will not have.
func (db *DB) rejectedRecord(r *Row, why string) ingest.RejectedRecord {
	return ingest.RejectedRecord{
		Source:   db.String(),
		Dwelling: r.Dwelling,
		Reason:   ingest.ServerRefused,
		Detail:   cut(why),
		Record:   cut(strings.TrimSuffix(string(appendRow(nil, r)), "\n")),
		At:       greywatt.InstantOf(db.now()),
	}
}

// writePoints writes points in as many requests as their number asks for.
// Unlike readings they are this program's own, so a rejection is an error.
func (db *DB) writePoints(ctx context.Context, points []Point) error {
	for len(points) > 0 {
		n := min(len(points), db.cfg.Points)
		var lines []byte
		for i := range points[:n] {
			var err error
			if lines, err = appendPoint(lines, &points[i]); err != nil {
				return err
			}
		}
		if err := db.send(ctx, string(lines)); err != nil {
			return fmt.Errorf("write %d points of %s: %w", n, points[0].Measurement, err)
		}
		points = points[n:]
	}
	return nil
}

// send writes lines and returns nil once the server has confirmed all of them.
func (db *DB) send(ctx context.Context, lines string) error {
	if lines == "" {
		return nil
	}
	if torn := db.torn.Load(); torn != nil {
		return torn
	}
	err := db.explain(db.write.WriteRecord(ctx, lines))
	var answer *Error
	if errors.As(err, &answer) && answer.diskFull() {
		db.torn.Store(answer)
	}
	return err
}

func countValues(v *greywatt.Values) int {
	n := 0
	for _, x := range v {
		if !math.IsNaN(x) {
			n++
		}
	}
	return n
}

// cut shortens text to a bounded length.
func cut(text string) string {
	if len(text) <= maxLine {
		return text
	}
	return strings.ToValidUTF8(text[:maxLine], "") + "…"
}
