package dataset

import (
	"iter"
	"strconv"

	"greywatt/analysis/event"
	"greywatt/analysis/finding"
)

// EventValues yields the columns of events.csv that are known of an event, with
// their names: texts and times as strings, numbers as the figures in the file.
func EventValues(e *event.Event) iter.Seq2[string, any] { return values(eventColumns, e) }

// FindingValues does the same for findings.csv.
func FindingValues(f finding.Finding) iter.Seq2[string, any] { return values(findingColumns, f) }

func values[R any](columns []column[R], r R) iter.Seq2[string, any] {
	return func(yield func(string, any) bool) {
		for i := range columns {
			c := &columns[i]
			var v any = c.cell(r)
			if v == "" {
				continue
			}
			if c.number != nil {
				v, _ = strconv.ParseFloat(v.(string), 64) // formatNumber wrote it
			}
			if !yield(c.name, v) {
				return
			}
		}
	}
}
