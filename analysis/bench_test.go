package analysis_test

import (
	"testing"

	"greywatt"
	"greywatt/analysis"
	"greywatt/analysis/simulate"
)

// BenchmarkAnalyse takes the frames of four weeks of one dwelling, in memory,
// through events, correction, effectiveness and uncertainty.
func BenchmarkAnalyse(b *testing.B) {
	h := simulate.NewHouse("bench", 7, simulate.Options{Days: 28})
	study := &greywatt.Study{Dwellings: []greywatt.Dwelling{h.Dwelling}}
	var frames []greywatt.Frame
	for f := range h.Frames(nil) {
		frames = append(frames, f)
	}
	b.ReportAllocs()
	events := 0
	for b.Loop() {
		a := analysis.NewAnalyser(study, &study.Dwellings[0])
		for i := 0; i < len(frames); i += 4096 {
			events += len(a.Push(frames[i:min(len(frames), i+4096)]))
		}
		events += len(a.Close())
	}
	b.ReportMetric(float64(len(frames)*b.N)/b.Elapsed().Seconds(), "frames/s")
	b.ReportMetric(float64(events)/float64(b.N), "events")
}

// BenchmarkDiagnose reads findings and trend out of ninety days of events.
func BenchmarkDiagnose(b *testing.B) {
	study, events := eventsOf(simulate.Faulty(simulate.Fouling, 3).Houses[0])
	b.ReportAllocs()
	for b.Loop() {
		analysis.Diagnose(study, &study.Dwellings[0], events)
	}
}
