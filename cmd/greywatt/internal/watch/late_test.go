package watch

import (
	"fmt"
	"slices"
	"testing"

	"greywatt"
	"greywatt/analysis/simulate"
	"greywatt/cmd/greywatt/internal/framefile"
	"greywatt/cmd/greywatt/internal/kept"
	"greywatt/ingest/store"
)

// A year is a Watch over a year of a dwelling, from which an hour of every
// thirtieth day has not come yet.
type year struct {
	*script
	view  *shown
	log   *tally
	whole int // frames
	end   greywatt.Instant
	late  [][]greywatt.Reading
}

func watchedYear(tb testing.TB) *year {
	h := simulate.NewHouse("larch-04", 11, simulate.Options{Days: 365, IntervalS: 10, Nodes: 1})
	dir := tb.TempDir()
	st, err := store.Open(dir, store.Options{})
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { st.Close() })
	y := &year{log: &tally{Store: st}, view: new(shown)}
	begin, _ := h.Span()
	var rs, late []greywatt.Reading
	flush := func() {
		commit(tb, st, rs)
		rs = rs[:0]
	}
	for f := range h.Frames(nil) {
		y.whole++
		y.end = f.At
		switch day := f.At.Sub(begin) / 86400; {
		case int(day)%30 == 20 && day-float64(int(day)) > 0.28 && day-float64(int(day)) < 0.33:
			late = framefile.AppendReadings(late, h.Dwelling.ID, &f)
		default:
			if len(late) > 0 {
				y.late, late = append(y.late, late), nil
			}
			rs = framefile.AppendReadings(rs, h.Dwelling.ID, &f)
		}
		if len(rs) > 200_000 {
			flush()
		}
	}
	flush()
	if _, err := st.Seal(tb.Context(), y.end); err != nil {
		tb.Fatal(err)
	}
	r := kept.Open(dir, func(what string, err error) { tb.Errorf("%s: %v", what, err) })
	tb.Cleanup(func() { r.Close() })
	study := &greywatt.Study{Dwellings: []greywatt.Dwelling{h.Dwelling}}
	y.script = follow(tb, Config{Study: study, Log: y.log, View: y.view, Kept: past(r, y.log)})
	y.step(y.end.Add(settled.Seconds()))
	y.step(y.end.Add(2 * settled.Seconds()))
	return y
}

// What comes late, for a time months ago, is shown at the second look, the first
// that can tell that no more of it comes; read is what it may touch, and the newest
// days, and not the year.
func TestLateIsShownAtOnce(t *testing.T) {
	y := watchedYear(t)
	now := y.end.Add(3 * settled.Seconds())
	day := float64(y.whole) / 365
	for _, late := range []int{9, 2} {
		before := fmt.Sprint(y.view.found.Complete.Readings)
		y.log.frames = 0
		commit(t, y.log.Store, y.late[late])
		y.step(now)
		if !y.view.found.Late {
			t.Error("late readings are not noticed at the first look")
		}
		y.step(now.Add(1))
		if y.view.found.Late || fmt.Sprint(y.view.found.Complete.Readings) == before {
			t.Errorf("after two looks %s readings, as before; late %t", before, y.view.found.Late)
		}
		t.Logf("%.1f days of frames are read", float64(y.log.frames)/day)
		if days := float64(y.log.frames) / day; days > 20 {
			t.Errorf("%.0f days of frames are read for an hour that came late", days)
		}
		now = now.Add(3600)
		y.step(now)
	}
	found := text(y.view)
	fresh := new(shown)
	w := follow(t, Config{Study: y.w.cfg.Study, Log: y.log, View: fresh})
	w.step(now)
	w.step(now.Add(settled.Seconds()))
	if want := text(fresh); found != want {
		i := 0
		for found[i] == want[i] {
			i++
		}
		t.Errorf("what is shown differs from an analysis of everything:\n%.300s\nwant\n%.300s", found[i:], want[i:])
	}
}

// BenchmarkLate takes in an hour that comes late to a year that is followed, from its
// being noticed to its being shown.
func BenchmarkLate(b *testing.B) {
	y := watchedYear(b)
	now := y.end.Add(3 * settled.Seconds())
	next := 0
	y.log.frames = 0
	for b.Loop() {
		b.StopTimer()
		rs := slices.Clone(y.late[next%len(y.late)][:min(500, 50*(next/len(y.late)+1))])
		next++
		commit(b, y.log.Store, rs)
		y.at = now.Time()
		b.StartTimer()
		for range 2 {
			y.at = now.Time()
			if err := y.w.Step(b.Context()); err != nil {
				b.Fatal(err)
			}
			now = now.Add(1)
		}
		now = now.Add(3600)
	}
	b.ReportMetric(float64(y.log.frames)/float64(b.N), "frames")
}
