// Package ingesttest has what tests of several packages ask of a store: what it
// holds against what it should hold, and how often it committed.
package ingesttest

import (
	"context"
	"encoding/binary"
	"iter"
	"maps"
	"math"
	"os"
	"testing"

	"greywatt"
)

// A Source has dwellings' frames; zero bounds are none.
type Source interface {
	Frames(ctx context.Context, dwelling string, from, to greywatt.Instant) iter.Seq2[[]greywatt.Frame, error]
}

// Readings returns all readings of the dwellings, and fails the test where one is there
// twice.
func Readings(t testing.TB, from Source, dwellings ...string) map[greywatt.Reading]bool {
	t.Helper()
	all := make(map[greywatt.Reading]bool)
	for _, d := range dwellings {
		for frames, err := range from.Frames(t.Context(), d, 0, 0) {
			if err != nil {
				t.Fatal(err)
			}
			for _, f := range frames {
				for c, v := range f.Value {
					if math.IsNaN(v) {
						continue
					}
					r := greywatt.Reading{Dwelling: d, Node: f.Node, Channel: greywatt.Channel(c), At: f.At, Value: v}
					if all[r] {
						t.Fatalf("stored twice: %+v", r)
					}
					all[r] = true
				}
			}
		}
	}
	return all
}

// Compare fails the test where got is not want, and says how they differ.
func Compare[K comparable](t testing.TB, got, want map[K]bool) {
	t.Helper()
	if maps.Equal(got, want) {
		return
	}
	missing, extra := 0, 0
	for k := range want {
		if !got[k] {
			if missing++; missing <= 3 {
				t.Errorf("missing: %+v", k)
			}
		}
	}
	for k := range got {
		if !want[k] {
			if extra++; extra <= 3 {
				t.Errorf("not wanted: %+v", k)
			}
		}
	}
	t.Errorf("%d of %d readings are missing, %d are there that should not be", missing, len(want), extra)
}

// CommitsInLog counts the transactions in the write-ahead log of the SQLite file
// at path, since that log was last emptied. A frame
// whose header has a database size at offset 4 ends a transaction (SQLite's
// description of its file format, section 4.1).
func CommitsInLog(t testing.TB, path string) int {
	t.Helper()
	wal, err := os.ReadFile(path + "-wal")
	if err != nil {
		t.Fatal(err)
	}
	const header, frameHeader = 32, 24
	page := int(binary.BigEndian.Uint32(wal[8:]))
	commits := 0
	for at := header; at+frameHeader+page <= len(wal); at += frameHeader + page {
		if binary.BigEndian.Uint32(wal[at+4:]) != 0 {
			commits++
		}
	}
	return commits
}
