package dataset

import (
	"bytes"
	"slices"
	"testing"

	"greywatt/analysis/event"
)

// What is written by itself is, byte for byte, what the package's file has.
func TestCSVIsThatOfThePackage(t *testing.T) {
	events, d := contents()
	files := write(t, events, d)
	slices.SortFunc(events, func(a, b event.Event) int { return int(a.Start - b.Start) })
	var got bytes.Buffer
	if err := WriteCSV(&got, func(yield func(*event.Event) bool) {
		for i := range events {
			if !yield(&events[i]) {
				return
			}
		}
	}); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got.Bytes(), files["events.csv"]) {
		t.Errorf("events:\n%s\nwant\n%s", &got, files["events.csv"])
	}
	got.Reset()
	if err := WriteTrendCSV(&got, d.Trend); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got.Bytes(), files["trend.csv"]) {
		t.Errorf("trend:\n%s\nwant\n%s", &got, files["trend.csv"])
	}
}
