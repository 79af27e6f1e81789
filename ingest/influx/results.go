package influx

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"greywatt"
	"greywatt/ingest"
)

// Replace makes points all that there is of a measurement for a dwelling, by
// their tag dwelling: what analysing the same readings once more, with late ones
// among them, has changed. It writes the points first and then removes what is
// there besides, so that a reader misses nothing meanwhile. What is to be as it
// was is not removed and costs one write.
func (db *DB) Replace(ctx context.Context, measurement, dwelling string, points []Point) error {
	wanted := make(map[greywatt.Instant]map[string]bool)
	for i := range points {
		p := &points[i]
		if wanted[p.At] == nil {
			wanted[p.At] = make(map[string]bool)
		}
		for _, f := range p.Fields {
			if f.stored() {
				wanted[p.At][pointSeries(p.Tags, f.Key)] = true
			}
		}
	}
	old := make(map[greywatt.Instant]bool)
	flux := db.from(measurement, firstInstant, lastInstant) +
		fmt.Sprintf(" |> filter(fn: (r) => r.dwelling == %s)", fluxString(dwelling)) +
		` |> drop(columns: ["_start", "_stop", "_measurement", "_value"])`
	err := db.query(ctx, flux, func(rec *record) error {
		at, err := rec.instant("_time")
		if err != nil {
			return err
		}
		var tags []Tag
		for column := range rec.columns {
			if v := rec.text(column); v != "" && !slices.Contains([]string{"", "result", "table", "_time", "_field"}, column) {
				tags = append(tags, Tag{column, v})
			}
		}
		if !wanted[at][pointSeries(tags, rec.text("_field"))] {
			old[at] = true
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("look for earlier %s points: %w", measurement, err)
	}
	if err := db.writePoints(ctx, points); err != nil {
		return err
	}
	if len(old) == 0 {
		return nil
	}
	// A server removes whole points of an instant, not fields: what is wanted of
	// it is written once more.
	for _, at := range slices.Sorted(maps.Keys(old)) {
		if err := db.remove(ctx, measurement, at, at, Tag{"dwelling", dwelling}); err != nil {
			return err
		}
	}
	var again []Point
	for _, p := range points {
		if old[p.At] {
			again = append(again, p)
		}
	}
	return db.writePoints(ctx, again)
}

// pointSeries names a series by its tags and field.
func pointSeries(tags []Tag, field string) string {
	tags = slices.DeleteFunc(slices.Clone(tags), func(t Tag) bool { return t.Value == "" })
	slices.SortFunc(tags, func(s, t Tag) int { return cmp.Compare(s.Key, t.Key) })
	return fmt.Sprintf("%q %q", tags, field)
}

// Erase removes all that the bucket has of a dwelling: readings, conflicts,
// rejected records, presence, and the results that [Config] names, and looks whether
// anything is left. The server overwrites its files when it next compacts them,
// not at once; until then the bytes are on its disk.
func (db *DB) Erase(ctx context.Context, dwelling string) error {
	for _, m := range append([]string{measurementReading, measurementConflict, measurementPresence}, db.cfg.Results...) {
		if err := db.remove(ctx, m, firstInstant, lastInstant, Tag{"dwelling", dwelling}); err != nil {
			return err
		}
		left := 0
		flux := db.from(m, firstInstant, lastInstant) + fmt.Sprintf(" |> filter(fn: (r) => r.dwelling == %s) |> limit(n: 1)", fluxString(dwelling))
		if err := db.query(ctx, flux, func(*record) error { left++; return nil }); err != nil {
			return fmt.Errorf("look whether %s is gone: %w", dwelling, err)
		}
		if left > 0 {
			return fmt.Errorf("%s: %d series of %s are still there for %s: is a logger writing?", db, left, m, dwelling)
		}
	}
	return db.eraseRejected(ctx, dwelling)
}

// eraseRejected removes the rejected records that are a dwelling's or mention it
// as a word, in their topic for one. The dwelling is a field of theirs: any name
// may come there, and each tag value costs memory.
func (db *DB) eraseRejected(ctx context.Context, dwelling string) error {
	type place struct {
		at     greywatt.Instant
		reason string
	}
	var places []place
	err := db.query(ctx, db.from(measurementRejected, firstInstant, lastInstant)+pivot, func(rec *record) error {
		named := rec.text("dwelling") == dwelling
		for _, field := range []string{"source", "detail", "record"} {
			named = named || ingest.Mentions(rec.text(field), dwelling)
		}
		if !named {
			return nil
		}
		at, err := rec.instant("_time")
		places = append(places, place{at, rec.text("reason")})
		return err
	})
	if err != nil {
		return fmt.Errorf("look for rejected records: %w", err)
	}
	for _, p := range places {
		if err := db.remove(ctx, measurementRejected, p.at, p.at, Tag{"reason", p.reason}); err != nil {
			return err
		}
	}
	return nil
}

// remove removes the points of a measurement with a tag, from from to to, both
// inclusive.
func (db *DB) remove(ctx context.Context, measurement string, from, to greywatt.Instant, tag Tag) error {
	err := db.removeV2(ctx, measurement, from, to, tag)
	var answer *Error
	if errors.As(err, &answer) && answer.Status == http.StatusNotFound {
		// A 1.x server has no such call, but a statement.
		err = db.removeV1(ctx, measurement, from, to, tag)
	}
	if err != nil {
		return fmt.Errorf("remove from %s: %w", measurement, err)
	}
	return nil
}

func (db *DB) removeV2(ctx context.Context, measurement string, from, to greywatt.Instant, tag Tag) error {
	body, err := json.Marshal(map[string]string{
		"start": fluxTime(from.Time()), "stop": fluxTime(to.Time().Add(1)),
		"predicate": fmt.Sprintf("_measurement=%s AND %s=%s", quoted(measurement, '"'), tag.Key, quoted(tag.Value, '"')),
	})
	if err != nil {
		return err
	}
	address := db.cfg.URL + "/api/v2/delete?" + url.Values{"org": {db.cfg.Org}, "bucket": {db.cfg.Bucket}}.Encode()
	return db.post(ctx, address, "application/json", string(body), nil)
}

func (db *DB) removeV1(ctx context.Context, measurement string, from, to greywatt.Instant, tag Tag) error {
	database, _, _ := strings.Cut(db.cfg.Bucket, "/")
	form := url.Values{
		"db": {database},
		"q": {fmt.Sprintf("DELETE FROM %s WHERE %s = %s AND time >= %du AND time <= %du",
			quoted(measurement, '"'), quoted(tag.Key, '"'), quoted(tag.Value, '\''), from, to)},
	}
	return db.post(ctx, db.cfg.URL+"/query", "application/x-www-form-urlencoded", form.Encode(), func(answer io.Reader) error {
		var said struct{ Results []struct{ Error string } }
		if err := json.NewDecoder(answer).Decode(&said); err != nil {
			return fmt.Errorf("%s: answer to a deletion: %w", db, err)
		}
		for _, r := range said.Results {
			if r.Error != "" {
				return &Error{Server: db.String(), Class: Setup, Status: http.StatusOK, Message: r.Error}
			}
		}
		return nil
	})
}

// quoted puts s in quotes for a predicate or statement.
func quoted(s string, quote byte) string {
	q := string(quote)
	return q + strings.NewReplacer(`\`, `\\`, q, `\`+q).Replace(s) + q
}

// post sends a request and has read, if it is not nil, read the answer.
func (db *DB) post(ctx context.Context, address, contentType, body string, read func(io.Reader) error) error {
	var failed error
	answer := db.client.HTTPService().DoPostRequest(ctx, address, strings.NewReader(body),
		func(req *http.Request) { req.Header.Set("Content-Type", contentType) },
		func(resp *http.Response) error {
			defer resp.Body.Close()
			if read != nil {
				failed = read(resp.Body)
			}
			return nil
		})
	if answer != nil {
		return db.explain(answer)
	}
	return failed
}
