package dataset

import (
	"encoding/csv"
	"io"
	"iter"
	"slices"

	"greywatt/analysis/event"
	"greywatt/analysis/finding"
)

// WriteCSV writes events as events.csv of a dataset has them: the same columns,
// names and figures, in the order in which they come. What is not known is empty.
func WriteCSV(w io.Writer, events iter.Seq[*event.Event]) error {
	return writeCSV(w, eventColumns, events)
}

// WriteTrendCSV does the same for trend.csv.
func WriteTrendCSV(w io.Writer, points []finding.TrendPoint) error {
	return writeCSV(w, trendColumns, slices.Values(points))
}

func writeCSV[R any](w io.Writer, columns []column[R], rows iter.Seq[R]) error {
	out := csv.NewWriter(w)
	cells := make([]string, len(columns))
	for i := range columns {
		cells[i] = columns[i].name
	}
	if err := out.Write(cells); err != nil {
		return err
	}
	for r := range rows {
		for i := range columns {
			cells[i] = columns[i].cell(r)
		}
		if err := out.Write(cells); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}
