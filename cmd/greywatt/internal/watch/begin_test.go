package watch

import (
	"context"
	"runtime"
	"slices"
	"testing"

	"greywatt"
	"greywatt/analysis/simulate"
	"greywatt/cmd/greywatt/internal/framefile"
	"greywatt/cmd/greywatt/internal/kept"
	"greywatt/ingest/store"
)

// At a start findings that were kept stand until the history of all dwellings is
// shown; then they are worked out again.
func TestHistoriesComeBeforeFindings(t *testing.T) {
	dir := t.TempDir()
	st, err := store.Open(dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { st.Close() })
	study := &greywatt.Study{}
	var newest greywatt.Instant
	for i, id := range []string{"larch-04", "elm-17"} {
		h := simulate.NewHouse(id, uint64(i), simulate.Options{Days: 7, ShowersPerDay: 2})
		frames := slices.Collect(h.Frames(nil))
		var rs []greywatt.Reading
		for k := range frames {
			rs = framefile.AppendReadings(rs, id, &frames[k])
		}
		commit(t, st, rs)
		study.Dwellings = append(study.Dwellings, h.Dwelling)
		newest = max(newest, frames[len(frames)-1].At)
	}
	now := newest.Add(settled.Seconds())
	begin := func() *script {
		r := kept.Open(dir, func(what string, err error) { t.Errorf("%s: %v", what, err) })
		t.Cleanup(func() { r.Close() })
		return follow(t, Config{Study: study, Log: st, View: new(shown), Kept: past(r, st)})
	}
	begin().step(now)
	w := begin()
	w.at = now.Time()
	if err := w.w.look(t.Context()); err != nil {
		t.Fatal(err)
	}
	first, second := w.w.followers[0], w.w.followers[1]
	first.report(first.work(t.Context(), first.due()))
	if !first.found.Ready || len(first.found.Diagnosis.Findings) == 0 {
		t.Fatal("the first dwelling is not shown with what was kept of it")
	}
	if first.due().findings {
		t.Error("findings are worked out again while another history is not read")
	}
	second.report(second.work(t.Context(), second.due()))
	for _, f := range w.w.followers {
		if !f.due().findings {
			t.Errorf("%s: findings that were kept are not worked out again", f.dwelling.ID)
		}
	}
}

// Full analyses have half of the processors, and all of them while they are of what
// was kept and quick.
func TestTurns(t *testing.T) {
	over, end := context.WithCancel(t.Context())
	end()
	for _, quick := range []bool{true, false} {
		w := New(Config{Study: &greywatt.Study{Dwellings: []greywatt.Dwelling{{ID: "larch-04"}}}, Log: new(store.Store), Kept: past(nil, nil)})
		w.quick.Store(quick)
		want := max(1, runtime.GOMAXPROCS(0)/2)
		if quick {
			want = runtime.GOMAXPROCS(0)
		}
		f := w.followers[0]
		var turns []chan struct{}
		for range want {
			turns = append(turns, f.turn(t.Context(), true))
		}
		for range 30 { // of two things that are ready, one is taken by chance
			if f.turn(over, true) != nil {
				t.Fatalf("quick: %t: more than %d at once", quick, want)
			}
		}
		<-turns[len(turns)-1]
		if again := f.turn(t.Context(), true); again != turns[len(turns)-1] {
			t.Errorf("quick: %t: a turn that was given back is not given again", quick)
		}
	}
}
