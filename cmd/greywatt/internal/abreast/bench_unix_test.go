//go:build unix

package abreast

import (
	"fmt"
	"syscall"
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis"
	"greywatt/analysis/simulate"
	"greywatt/cmd/greywatt/internal/framefile"
	"greywatt/ingest/store"
)

// BenchmarkYear analyses a simulated year of one dwelling from a data folder, with one
// worker and with two. Beside the elapsed time, which on a busy machine says little, it
// reports the processors' time and the part of it that no other worker can share: the
// joining, with the findings.
func BenchmarkYear(b *testing.B) {
	h := simulate.NewHouse("d", 7, simulate.Options{Days: 365})
	log, err := store.Open(b.TempDir(), store.Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer log.Close()
	var rs []greywatt.Reading
	frames := 0
	for f := range h.Frames(nil) {
		frames++
		rs = framefile.AppendReadings(rs, h.Dwelling.ID, &f)
		if len(rs) > 500_000 {
			if _, err := log.Append(b.Context(), rs); err != nil {
				b.Fatal(err)
			}
			rs = rs[:0]
		}
	}
	if _, err := log.Append(b.Context(), rs); err != nil {
		b.Fatal(err)
	}
	study := &greywatt.Study{Dwellings: []greywatt.Dwelling{h.Dwelling}}
	from, to := h.Span()
	for _, workers := range []int{1, 2} {
		b.Run(fmt.Sprint(workers), func(b *testing.B) {
			d := &study.Dwellings[0]
			var alone time.Duration
			begun := processorTime()
			for b.Loop() {
				var stretches []*analysis.Stretch
				r := runner{from: log, study: study, d: d, due: Split(from, to, workers)}
				if _, err := r.run(b.Context(), workers, func(s *analysis.Stretch) { stretches = append(stretches, s) }); err != nil {
					b.Fatal(err)
				}
				before := processorTime()
				analysis.Join(study, d, analysis.Options{}, stretches...)
				alone += processorTime() - before
			}
			b.ReportMetric(float64(frames*b.N)/b.Elapsed().Seconds(), "frames/s")
			b.ReportMetric((processorTime()-begun).Seconds()/float64(b.N), "cpu-s")
			b.ReportMetric(alone.Seconds()/float64(b.N), "alone-cpu-s")
		})
	}
}

// processorTime is what this process has had so far.
func processorTime() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		panic(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
