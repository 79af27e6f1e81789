package store

import (
	"bytes"
	"cmp"
	"fmt"
	"os"
	"slices"
	"strconv"
	"testing"

	"greywatt"
)

// BenchmarkWear is a day of five dwellings at the pace of their nodes: what the
// kernel sends to the disk (proc(5), write_bytes) for each reading, by readings a
// pack and for how long the logger gathers packs before it commits them. What is six
// hours old is packed every six hours, as the logger does.
func BenchmarkWear(b *testing.B) {
	var all [5][]greywatt.Frame
	for i := range all {
		all[i] = newStreet(uint64(i), 1.0/16, true).days("n1", 1)
	}
	for _, frames := range []int{1, 2, 12, 48, 240} {
		for _, delay := range []float64{0.2, 5} {
			b.Run(fmt.Sprintf("pack=%d/delay=%v", 5*frames, delay), func(b *testing.B) {
				packs := packsOf(all[:], frames)
				for b.Loop() {
					wear(b, packs, delay)
				}
			})
		}
	}
}

// A sent pack is one node's readings, on its way when the last of them was taken.
type sent struct {
	at       greywatt.Instant
	readings []greywatt.Reading
}

func packsOf(dwellings [][]greywatt.Frame, frames int) []sent {
	var packs []sent
	for i, fs := range dwellings {
		for chunk := range slices.Chunk(fs, frames) {
			packs = append(packs, sent{chunk[len(chunk)-1].At, readings("larch-"+strconv.Itoa(i), chunk)})
		}
	}
	slices.SortStableFunc(packs, func(p, q sent) int { return cmp.Compare(p.at, q.at) })
	return packs
}

func wear(b *testing.B, packs []sent, delay float64) {
	s := openTest(b, b.TempDir())
	before := writtenBytes(b)
	n, commits := 0, 0
	var sealed greywatt.Instant
	for len(packs) > 0 {
		due := packs[0].at.Add(delay)
		var group []greywatt.Reading
		for len(packs) > 0 && packs[0].at <= due {
			group = append(group, packs[0].readings...)
			packs = packs[1:]
		}
		if _, err := s.Append(b.Context(), group); err != nil {
			b.Fatal(err)
		}
		n, commits = n+len(group), commits+1
		if due >= sealed.Add(6*3600) {
			if _, err := s.Seal(b.Context(), due.Add(-6*3600)); err != nil {
				b.Fatal(err)
			}
			sealed = due
		}
	}
	if err := s.Close(); err != nil {
		b.Fatal(err)
	}
	b.ReportMetric(float64(writtenBytes(b)-before)/float64(n), "B/reading")
	b.ReportMetric(float64(commits), "commits/day")
	b.ReportMetric(float64(n), "readings/day")
	b.ReportMetric(0, "ns/op")
}

// writtenBytes is what this process has caused to be written, page by page.
func writtenBytes(b *testing.B) int64 {
	text, err := os.ReadFile("/proc/self/io")
	if err != nil {
		b.Fatal(err)
	}
	for line := range bytes.Lines(text) {
		if rest, ok := bytes.CutPrefix(line, []byte("write_bytes: ")); ok {
			n, err := strconv.ParseInt(string(bytes.TrimSpace(rest)), 10, 64)
			if err != nil {
				b.Fatal(err)
			}
			return n
		}
	}
	b.Fatal("/proc/self/io does not say what was written")
	return 0
}
