package site

import (
	"context"
	"iter"

	"greywatt/cmd/greywatt/internal/dataset"
	"greywatt/ingest/influx"
)

// The measurements of results; their columns are those of the dataset.
const (
	MeasurementEvent   = "event"
	MeasurementFinding = "finding"
)

// WriteResults puts a dwelling's events and findings in the place of those that
// an earlier analysis left on the server. Findings stand at the newest reading.
func WriteResults(ctx context.Context, db *influx.DB, r *Result) error {
	tag := influx.Tag{Key: "dwelling", Value: r.Dwelling.ID}
	var events, findings []influx.Point
	for e := range r.All() {
		events = append(events, influx.Point{
			Measurement: MeasurementEvent, Tags: []influx.Tag{tag}, At: e.Start,
			Fields: fields(dataset.EventValues(e), "dwelling"),
		})
	}
	for _, f := range r.Diagnosis.Findings {
		if r.Completeness.Readings == 0 {
			continue // undecided, at no time at all
		}
		findings = append(findings, influx.Point{
			Measurement: MeasurementFinding, At: r.Completeness.Span.To,
			Tags:   []influx.Tag{tag, {Key: "finding", Value: string(f.Code)}},
			Fields: fields(dataset.FindingValues(f), "dwelling", "finding"),
		})
	}
	if err := db.Replace(ctx, MeasurementEvent, r.Dwelling.ID, events); err != nil {
		return err
	}
	return db.Replace(ctx, MeasurementFinding, r.Dwelling.ID, findings)
}

// fields makes fields of a row's values, but for those that are tags.
func fields(values iter.Seq2[string, any], tags ...string) []influx.Field {
	var fs []influx.Field
	for name, v := range values {
		tagged := false
		for _, t := range tags {
			tagged = tagged || t == name
		}
		if !tagged {
			fs = append(fs, influx.Field{Key: name, Value: v})
		}
	}
	return fs
}
