package influx

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"time"

	"greywatt"
)

// Readings lie between these: after 1970, and within the server's 64 bits of
// nanoseconds.
const (
	firstInstant = greywatt.Instant(1)
	lastInstant  = greywatt.Instant(math.MaxInt64 / 1000)
)

// from begins a query over [from, to). By the book stop is not in a range, but
// a 1.8 server's ranges have it in: a nanosecond less is right for both, as
// instants are whole microseconds.
func (db *DB) from(measurement string, from, to greywatt.Instant) string {
	return fmt.Sprintf("from(bucket: %s) |> range(start: %s, stop: %s) |> filter(fn: (r) => r._measurement == %s)",
		fluxString(db.cfg.Bucket), fluxTime(from.Time()), fluxTime(to.Time().Add(-1)), fluxString(measurement))
}

// pivot makes a table's rows of points: a column a field.
const pivot = ` |> pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")`

// fluxString returns s as a literal. Whatever could mean something within it is
// written as the bytes it is.
func fluxString(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for i := range len(s) {
		switch c := s[i]; {
		case c >= 'a' && c <= 'z', c >= 'A' && c <= 'Z', c >= '0' && c <= '9', strings.IndexByte("-_.:/ ", c) >= 0:
			b.WriteByte(c)
		default:
			fmt.Fprintf(&b, `\x%02x`, c)
		}
	}
	b.WriteByte('"')
	return b.String()
}

// fluxAnyOf returns a regular expression that matches just these strings. A
// chain of comparisons would take the server time with the square of their
// number.
func fluxAnyOf(values []string) string {
	quoted := make([]string, len(values))
	for i, v := range values {
		quoted[i] = strings.ReplaceAll(regexp.QuoteMeta(v), "/", `\/`)
	}
	return "/^(?:" + strings.Join(quoted, "|") + ")$/"
}

func fluxTime(t time.Time) string { return t.Format("2006-01-02T15:04:05.000000000Z") }

// A record is one row of a query's result; it is valid until the next.
type record struct {
	columns map[string]int
	cells   []string
}

// text returns a column's text, empty where there is none.
func (r *record) text(column string) string {
	if i, ok := r.columns[column]; ok && i < len(r.cells) {
		return r.cells[i]
	}
	return ""
}

func (r *record) instant(column string) (greywatt.Instant, error) {
	t, err := time.Parse(time.RFC3339Nano, r.text(column))
	return greywatt.InstantOf(t), err
}

func (r *record) int(column string) (int64, error) {
	return strconv.ParseInt(r.text(column), 10, 64)
}

// query runs Flux and calls each with every row of every table, as they come.
func (db *DB) query(ctx context.Context, flux string, each func(*record) error) error {
	body, err := json.Marshal(map[string]any{
		"query": flux, "type": "flux",
		"dialect": map[string]any{"header": true, "annotations": []string{}},
	})
	if err != nil {
		return err
	}
	address := db.cfg.URL + "/api/v2/query?org=" + url.QueryEscape(db.cfg.Org)
	var read error
	failed := db.client.HTTPService().DoPostRequest(ctx, address, strings.NewReader(string(body)),
		func(req *http.Request) { req.Header.Set("Content-Type", "application/json") },
		func(resp *http.Response) error {
			defer resp.Body.Close()
			read = readTables(resp.Body, each)
			return nil
		})
	var own callerError
	switch {
	case failed != nil:
		return db.explain(failed)
	case read == nil:
		return nil
	case errors.As(read, &own):
		return own.err
	case ctx.Err() != nil:
		return ctx.Err()
	}
	return &Error{Server: db.String(), Err: read}
}

// A callerError is what a caller's function returned, so that the server is
// not blamed for it.
type callerError struct{ err error }

func (e callerError) Error() string { return e.err.Error() }
func (e callerError) Unwrap() error { return e.err }

// readTables reads annotated-CSV tables without annotations: for each set of
// columns a line with their names, then the rows. A failure midway comes as a
// table of its own.
func readTables(r io.Reader, each func(*record) error) error {
	in := csv.NewReader(r)
	in.FieldsPerRecord = -1
	in.ReuseRecord = true
	rec := record{columns: make(map[string]int)}
	failed := false
	for {
		cells, err := in.Read()
		switch {
		case errors.Is(err, io.EOF) && failed:
			return errors.New("the query failed and the server does not say why")
		case errors.Is(err, io.EOF):
			return nil
		case err != nil:
			return fmt.Errorf("read the answer: %w", err)
		case failed:
			return fmt.Errorf("the query failed: %s", strings.Join(cells, " "))
		case len(cells) > 1 && (cells[0] == "error" || cells[1] == "error"):
			failed = true
			continue
		case len(cells) > 1 && cells[1] == "result":
			clear(rec.columns)
			for i, name := range cells {
				rec.columns[strings.Clone(name)] = i
			}
			continue
		}
		rec.cells = cells
		if err := each(&rec); err != nil {
			return callerError{err}
		}
	}
}
