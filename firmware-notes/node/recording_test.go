package main

import (
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"greywatt"
	"greywatt/ingest/ingesttest"
)

// A sensor shows the last line that is not later, the last one once.
func TestRecording(t *testing.T) {
	const text = `note,time,waste_in_c,flow_l_min
x,2026-01-07T08:00:00Z,21.5,0
,2026-01-07T08:00:10.5Z,,9
,1767772812,37.4375,9
`
	r, err := openRecording("pipe.csv", strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	if want := time.Date(2026, 1, 7, 8, 0, 0, 0, time.UTC); !r.start.Equal(want) {
		t.Errorf("begins at %v, want %v", r.start, want)
	}
	for _, tt := range []struct {
		at      float64 // s
		wasteIn float64
		flowLS  float64
	}{
		{0, 21.5, 0}, {1, 21.5, 0}, {10, 21.5, 0}, {11, math.NaN(), 0.15}, {12, 37.4375, 0.15},
	} {
		v, err := r.read(time.Duration(tt.at * float64(time.Second)))
		if err != nil {
			t.Fatalf("at %v s: %v", tt.at, err)
		}
		if got := v[greywatt.WasteIn]; got != tt.wasteIn && !(math.IsNaN(got) && math.IsNaN(tt.wasteIn)) || v[greywatt.Flow] != tt.flowLS {
			t.Errorf("at %v s: %v", tt.at, v)
		}
	}
	if _, err := r.read(13 * time.Second); !errors.Is(err, io.EOF) {
		t.Errorf("after the last line: %v, want EOF", err)
	}
}

func TestRecordingFaults(t *testing.T) {
	tests := []struct{ name, text, want string }{
		{"empty", "", "header"},
		{"no time", "waste_in_c\n1\n", "no column time"},
		{"no line", "time,waste_in_c\n", "no line after the header"},
		{"time", "time\nyesterday\n", `pipe.csv:2: time "yesterday": want RFC 3339`},
		{"number", "time,flow_l_min\n0,0\n1,lots\n", `pipe.csv:3: flow_l_min: want a number, got "lots"`},
		{"order", "time,flow_l_min\n5,0\n4,0\n", "pipe.csv:3: 4 is earlier"},
		{"fields", "time,flow_l_min\n5,0\n6\n", "record on line 3: wrong number of fields"},
	}
	for _, tt := range tests {
		r, err := openRecording("pipe.csv", strings.NewReader(tt.text))
		for at := time.Duration(0); err == nil && at < time.Minute; at += time.Second {
			_, err = r.read(at)
		}
		if err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: %v, want %q", tt.name, err, tt.want)
		}
	}
}

// A recording goes through the node to the store with its own times.
func TestReplay(t *testing.T) {
	l := newLogger(t)
	l.start(t)
	path := filepath.Join(t.TempDir(), "pipe.csv")
	text := "time,waste_in_c,waste_out_c,cold_in_c,preheat_out_c,flow_l_min\n" +
		"2026-03-29T00:59:58Z,37.4375,24.25,8.0625,23.5,9\n" +
		"2026-03-29T01:00:00Z,37.5,24.1875,8,23.5,9\n" +
		"2026-03-29T01:00:01Z,37.4375,24.25,8.0625,23.5625,9.12\n"
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	n := begin(t, l, t.TempDir(), "--replay", path, "--speed", "0")
	n.wait(t)
	want := make(map[greywatt.Reading]bool)
	start := greywatt.InstantOf(time.Date(2026, 3, 29, 0, 59, 58, 0, time.UTC))
	for second, row := range [][5]float64{
		{37.4375, 24.25, 8.0625, 23.5, 0.15},
		{37.4375, 24.25, 8.0625, 23.5, 0.15}, // what the sensors still show
		{37.5, 24.1875, 8, 23.5, 0.15},
		{37.4375, 24.25, 8.0625, 23.5625, 0.152},
	} {
		for c, v := range row {
			want[greywatt.Reading{Dwelling: "larch-04", Node: "n1", Channel: greywatt.Channel(c), At: start.Add(float64(second)), Value: v}] = true
		}
	}
	ingesttest.Compare(t, l.stored(t, "larch-04"), want)
}
