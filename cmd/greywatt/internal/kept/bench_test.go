package kept

import (
	"os"
	"path/filepath"
	"slices"
	"testing"

	"greywatt"
	"greywatt/analysis"
	"greywatt/analysis/simulate"
)

// BenchmarkRun analyses eight weeks of a dwelling: without results that are kept,
// while keeping them, and from those that are there.
func BenchmarkRun(b *testing.B) {
	const days = 56
	h := simulate.NewHouse("larch-04", 5, simulate.Options{Days: days, ShowersPerDay: 2.2})
	dir := b.TempDir()
	st := openStore(b, dir)
	study := &greywatt.Study{Dwellings: []greywatt.Dwelling{h.Dwelling}}
	d := &study.Dwellings[0]
	frames := slices.Collect(h.Frames(nil))
	appendFrames(b, st, d.ID, frames)
	if _, err := st.Seal(b.Context(), frames[len(frames)-1].At); err != nil {
		b.Fatal(err)
	}
	run := func(b *testing.B, r *Results) {
		if _, err := r.Run(b.Context(), st, study, d, analysis.Options{Compact: true, Sums: true}, 1); err != nil {
			b.Fatal(err)
		}
	}
	perYear := func(b *testing.B) {
		b.ReportMetric(b.Elapsed().Seconds()/float64(b.N)/days*365, "s/year")
	}
	b.Run("fresh", func(b *testing.B) {
		for b.Loop() {
			if _, err := analysis.Run(study, d, st.Frames(b.Context(), d.ID, 0, 0), analysis.Options{Compact: true, Sums: true}); err != nil {
				b.Fatal(err)
			}
		}
		perYear(b)
	})
	was := partDays
	b.Cleanup(func() { partDays = was })
	partDays = 14
	b.Run("keeping-2", func(b *testing.B) {
		for b.Loop() {
			b.StopTimer()
			if err := os.RemoveAll(filepath.Join(dir, FileName)); err != nil {
				b.Fatal(err)
			}
			b.StartTimer()
			r, _ := opened(b, dir)
			if _, err := r.Run(b.Context(), st, study, d, analysis.Options{Compact: true, Sums: true}, 2); err != nil {
				b.Fatal(err)
			}
			r.Close()
		}
		perYear(b)
	})
	b.Run("keeping", func(b *testing.B) {
		for b.Loop() {
			b.StopTimer()
			if err := os.RemoveAll(filepath.Join(dir, FileName)); err != nil {
				b.Fatal(err)
			}
			b.StartTimer()
			r, _ := opened(b, dir)
			run(b, r)
			r.Close()
		}
		perYear(b)
	})
	b.Run("kept", func(b *testing.B) {
		for b.Loop() {
			r, _ := opened(b, dir)
			run(b, r)
			r.Close()
		}
		perYear(b)
		if info, err := os.Stat(filepath.Join(dir, FileName)); err == nil {
			b.ReportMetric(float64(info.Size())/days*365/1e6, "MB/year")
		}
	})
}
