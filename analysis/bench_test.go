package analysis_test

import (
	"slices"
	"testing"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/analysis/monitor"
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
		a := event.NewAnalyser(study, &study.Dwellings[0])
		for i := 0; i < len(frames); i += 4096 {
			events += len(a.Push(frames[i:min(len(frames), i+4096)]))
		}
		events += len(a.Close())
	}
	b.ReportMetric(float64(len(frames)*b.N)/b.Elapsed().Seconds(), "frames/s")
	b.ReportMetric(float64(events)/float64(b.N), "events")
}

// BenchmarkNextDay takes one more day of readings through the analysis and the
// guard, after a history of a month, a year and three years, as run does while
// it logs. Beside it, the findings of so much history: those of all events at
// once, which run works out anew after events have come, and so seldom that it
// takes a hundredth of a processor's time at most.
func BenchmarkNextDay(b *testing.B) {
	const days = 28
	h := simulate.NewHouse("bench", 7, simulate.Options{Days: days})
	study := &greywatt.Study{Dwellings: []greywatt.Dwelling{h.Dwelling}}
	dwelling := &study.Dwellings[0]
	begin, _ := h.Span()
	var of [days][]greywatt.Frame
	for f := range h.Frames(nil) {
		day := min(days-1, max(0, int(f.At.Sub(begin)/86400)))
		of[day] = append(of[day], f)
	}
	for _, past := range []struct {
		name   string
		months int
	}{{"month", 1}, {"year", 13}, {"three years", 39}} {
		a := event.NewAnalyser(study, dwelling)
		var guard monitor.Guard
		var history event.History
		day := 0
		// the same four weeks come again and again, each time later
		next := func() []event.Event {
			frames := slices.Clone(of[day%days])
			for i := range frames {
				frames[i].At = frames[i].At.Add(float64(day/days) * days * 86400)
			}
			day++
			events := a.Push(frames)
			for i := range events {
				guard.Add(study, dwelling, &events[i])
			}
			history.Add(events...)
			return events
		}
		for range past.months * days {
			next()
		}
		b.Run(past.name, func(b *testing.B) {
			events := 0
			for b.Loop() {
				events += len(next())
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(events), "ns/event")
		})
		b.Run(past.name+", findings", func(b *testing.B) {
			for b.Loop() {
				finding.Diagnose(study, dwelling, history.All(), nil)
			}
			b.ReportMetric(float64(history.Len()), "events")
		})
	}
}

// BenchmarkDiagnose reads findings and trend out of ninety days of events.
func BenchmarkDiagnose(b *testing.B) {
	study, events := eventsOf(simulate.Faulty(simulate.Fouling, 3).Houses[0])
	b.ReportAllocs()
	for b.Loop() {
		finding.Diagnose(study, &study.Dwellings[0], event.All(events), nil)
	}
}
