package cli

import (
	"strings"
	"testing"
	"testing/fstest"

	"greywatt"
	"greywatt/ingest/studyfile"
)

// The worked example of the help is a study.
func TestLargeStudyHelp(t *testing.T) {
	_, example, _ := strings.Cut(largeStudyHelp, "of the table.\n\n")
	study, rest, _ := strings.Cut(example, "and beside it dwellings.csv")
	_, rest, _ = strings.Cut(rest, ":\n\n")
	table, _, _ := strings.Cut(rest, "\n\n")
	plain := func(s string) string { return strings.ReplaceAll(s, "    ", "") }
	s, err := studyfile.ReadBeside(strings.NewReader(plain(study)), fstest.MapFS{"dwellings.csv": {Data: []byte(plain(table) + "\n")}})
	if err != nil {
		t.Fatal(err)
	}
	flat, house := &s.Dwellings[0], &s.Dwellings[1]
	if flat.Connection != greywatt.ConnectionB || house.Connection != greywatt.ConnectionA || len(flat.Exchanger.Rated) != 2 {
		t.Errorf("connections %s, %s; points %v", flat.Connection, house.Connection, flat.Exchanger.Rated)
	}
	if clamp, _ := house.Sensor(greywatt.WasteIn, ""); clamp.OffsetK != -0.05 || clamp.U95K != 0.3 || clamp.Certificate != "cal-2025-117" {
		t.Errorf("waste-in %+v", clamp)
	}
}
