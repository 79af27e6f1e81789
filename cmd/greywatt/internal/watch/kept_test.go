package watch

import (
	"context"
	"fmt"
	"iter"
	"slices"
	"testing"

	"greywatt"
	"greywatt/analysis/finding"
	"greywatt/analysis/health"
	"greywatt/analysis/simulate"
	"greywatt/cmd/greywatt/internal/framefile"
	"greywatt/cmd/greywatt/internal/kept"
	"greywatt/ingest/store"
)

// A tally counts the frames that are read of a log.
type tally struct {
	*store.Store
	frames int
}

func (l *tally) Frames(ctx context.Context, dwelling string, from, to greywatt.Instant) iter.Seq2[[]greywatt.Frame, error] {
	return func(yield func([]greywatt.Frame, error) bool) {
		for batch, err := range l.Store.Frames(ctx, dwelling, from, to) {
			l.frames += len(batch)
			if !yield(batch, err) {
				return
			}
		}
	}
}

// past is what the command makes of kept results.
func past(r *kept.Results, from kept.Store) Kept {
	return func(ctx context.Context, study *greywatt.Study, d *greywatt.Dwelling, until greywatt.Instant) (Past, error) {
		s, course, at, err := r.Resume(ctx, from, study, d, until)
		p := Past{Stretches: s.All(), Course: course, At: at, Damaged: len(s.Damaged)}
		if err == nil {
			if had := s.Diagnosed(); had != nil {
				p.Diagnosis = &had.Diagnosis
			}
		}
		p.Diagnosed = func(f finding.Diagnosis, h *health.Record) { s.Keep(&kept.Diagnosed{Health: *h, Diagnosis: f}) }
		return p, err
	}
}

// A Watch that begins with what an earlier one had kept shows what one shows that
// reads the log from its beginning, and so it does after readings have come late; it
// reads what is new, and what they may touch.
func TestBeginsWithWhatIsKept(t *testing.T) {
	const days = 40
	s := simulate.Accuracy(3, days)
	house := s.Houses[0]
	dir := t.TempDir()
	st, err := store.Open(dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { st.Close() })
	frames := slices.Collect(house.Frames(nil))
	put := func(frames []greywatt.Frame) {
		var rs []greywatt.Reading
		for i := range frames {
			rs = framefile.AppendReadings(rs, house.Dwelling.ID, &frames[i])
		}
		commit(t, st, rs)
	}
	day := float64(len(frames)) / days
	a, b := len(frames)/2, len(frames)/2+2000
	n := len(frames) * 8 / 10
	put(frames[:a])
	put(frames[b:n])
	if _, err := st.Seal(t.Context(), frames[n-1].At); err != nil {
		t.Fatal(err)
	}
	begin := func(keeps bool) (*script, *shown, *tally) {
		log, view := &tally{Store: st}, new(shown)
		cfg := Config{Study: &s.Study, Log: log, View: view}
		if keeps {
			r := kept.Open(dir, func(what string, err error) { t.Errorf("%s: %v", what, err) })
			t.Cleanup(func() { r.Close() })
			cfg.Kept = past(r, log)
		}
		return follow(t, cfg), view, log
	}
	compare := func(what string, got *shown, now greywatt.Instant) {
		t.Helper()
		w, want, _ := begin(false)
		w.step(now)
		w.step(now.Add(settled.Seconds()))
		if a, b := text(got), text(want); a != b {
			i := 0
			for a[i] == b[i] {
				i++
			}
			t.Errorf("%s: what is shown differs:\n%.300s\nwant\n%.300s", what, a[i:], b[i:])
		}
	}
	at := func(i int) greywatt.Instant { return frames[i-1].At.Add(settled.Seconds()) }

	w, _, _ := begin(true)
	w.step(at(n))
	w, view, log := begin(true)
	w.step(at(n))
	if !view.found.Ready || view.found.Events.Len() == 0 || len(view.found.Diagnosis.Findings) == 0 || len(view.found.Diagnosis.Trend) == 0 {
		t.Error("at a second start there are no findings at once")
	}
	w.step(at(n).Add(settled.Seconds()))
	if most := 3.5 * day; float64(log.frames) > most {
		t.Errorf("at a second start %.1f days of frames are read", float64(log.frames)/day)
	}
	compare("second start", view, at(n))

	log.frames = 0
	put(frames[a:b])
	now := at(n).Add(settled.Seconds())
	for range 200 { // minutes
		now = now.Add(60)
		w.step(now)
	}
	if view.found.Late {
		t.Error("late readings are not taken in")
	}
	if most := 12 * day; float64(log.frames) > most {
		t.Errorf("after late readings %.1f days of frames are read", float64(log.frames)/day)
	}
	t.Logf("after late readings %.1f days of frames are read", float64(log.frames)/day)
	compare("late readings", view, now)

	put(frames[n:])
	w.step(at(len(frames)))
	w.step(at(len(frames)).Add(settled.Seconds()))
	w.step(at(len(frames)).Add(2*settled.Seconds() + 3600))
	compare("new readings", view, at(len(frames)))
}

// text is what is shown; in it figures that are not known are alike.
func text(v *shown) string {
	f := &v.found
	out := fmt.Sprintf("%t %v %+v %s %d\n", f.Ready, f.Diagnosis.Findings, f.Complete, f.Latest.ID, f.Damaged)
	for e := range f.Events.All() {
		out += fmt.Sprintf("%+v\n", *e)
	}
	return out
}
