package health_test

import (
	"testing"

	"greywatt"
	"greywatt/analysis/health"
	"greywatt/analysis/simulate"
)

// BenchmarkPush takes the frames of four weeks of one dwelling, in memory.
func BenchmarkPush(b *testing.B) {
	h := simulate.NewHouse("bench", 7, simulate.Options{Days: 28})
	var frames []greywatt.Frame
	for f := range h.Frames(nil) {
		frames = append(frames, f)
	}
	b.ReportAllocs()
	for b.Loop() {
		w := health.New(nil, &h.Dwelling)
		for i := 0; i < len(frames); i += 4096 {
			w.Push(frames[i:min(len(frames), i+4096)])
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(len(frames)*b.N), "ns/frame")
}

// BenchmarkClose sums up a year that was taken in before.
func BenchmarkClose(b *testing.B) {
	h := simulate.NewHouse("bench", 7, simulate.Options{Days: 28})
	var frames []greywatt.Frame
	for f := range h.Frames(nil) {
		frames = append(frames, f)
	}
	year := health.New(nil, &h.Dwelling)
	const month = 28 * 86400
	for range 13 {
		year.Push(frames)
		for i := range frames {
			frames[i].At = frames[i].At.Add(month)
		}
	}
	b.ReportAllocs()
	for b.Loop() {
		w := *year
		w.Close()
	}
}
