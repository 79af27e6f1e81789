package kept

import (
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"greywatt"
	"greywatt/analysis"
	"greywatt/analysis/simulate"
)

// A period gives what a fresh analysis of it gives, wherever its bounds are: within a
// shower, at a cut, before and behind all readings, in a silence; and whether it finds
// what an analysis of all keeps, or keeps the first itself.
func TestPeriods(t *testing.T) {
	h := simulate.NewHouse("larch-04", 11, simulate.Options{Days: 30, ShowersPerDay: 2, GapsPerWeek: 1, Nodes: 2})
	frames := slices.Collect(h.Frames(nil))
	half := len(frames) / 2
	frames = slices.Delete(frames, half, half+len(frames)/5) // a silence of six days
	study := &greywatt.Study{Dwellings: []greywatt.Dwelling{h.Dwelling}}
	d := &study.Dwellings[0]
	dir := t.TempDir()
	st := openStore(t, dir)
	appendFrames(t, st, d.ID, frames)
	if _, err := st.Seal(t.Context(), frames[len(frames)*2/3].At); err != nil {
		t.Fatal(err)
	}
	whole, err := analysis.Run(study, d, st.Frames(t.Context(), d.ID, 0, 0), analysis.Options{})
	if err != nil {
		t.Fatal(err)
	}
	shower := whole.Events[len(whole.Events)/4]
	other := whole.Events[len(whole.Events)*7/8]
	day := func(n float64) greywatt.Instant { return frames[0].At.Add(n * 86400) }
	cut := cutAfter(day(5))
	periods := []analysis.Period{
		{From: shower.Start.Add(60)},
		{From: shower.Start, To: other.Start},
		{From: shower.Start + 1, To: other.Start + 1},
		{To: other.Start.Add(90)},
		{From: cut},
		{From: cut, To: cut.Add(12 * 86400)},
		{From: cut - 1, To: cut.Add(12*86400) - 1},
		{From: cut + 1, To: cut.Add(12*86400) + 1},
		{From: day(-100)},
		{From: day(-100), To: day(100)},
		{To: day(-1)},
		{From: day(99)},
		{From: frames[half-1].At.Add(40_000)},
		{To: frames[half-1].At.Add(40_000)},
		{From: frames[half-1].At.Add(40_000), To: frames[half].At.Add(-90_000)},
		{From: frames[half-1].At.Add(1), To: frames[half].At.Add(13 * 86400)},
		{From: day(3), To: day(4)},
	}
	rng := rand.New(rand.NewPCG(7, 7))
	for range 20 {
		periods = append(periods, randomPeriods(rng, day(0), 30)...)
	}
	var want []string
	for _, p := range periods {
		want = append(want, fresh(t, st, study, d, analysis.Options{Period: p}))
	}
	for name, wholeFirst := range map[string]bool{"of all": true, "of periods": false} {
		r, said := opened(t, t.TempDir())
		if wholeFirst {
			same(t, r, st, study, name)
		}
		for range 2 {
			for _, i := range rng.Perm(len(periods)) {
				gives(t, r, st, study, d, analysis.Options{Period: periods[i]}, want[i], fmt.Sprintf("%s: period %d", name, i))
				if !wholeFirst && rng.IntN(4) == 0 {
					if err := r.file.Erase(d.ID); err != nil {
						t.Fatal(err)
					}
				}
			}
		}
		if len(*said) > 0 {
			t.Errorf("%s: %q", name, *said)
		}
		same(t, r, st, study, name+": at the end")
	}
}

// Of a period that was analysed, or is part of what was, some days at its bounds are
// read.
func TestOfPeriodsLittleIsRead(t *testing.T) {
	h := simulate.NewHouse("larch-04", 5, simulate.Options{Days: 40, ShowersPerDay: 2.2})
	frames := slices.Collect(h.Frames(nil))
	study := &greywatt.Study{Dwellings: []greywatt.Dwelling{h.Dwelling}}
	d := &study.Dwellings[0]
	dir := t.TempDir()
	st := openStore(t, dir)
	appendFrames(t, st, d.ID, frames)
	perDay := float64(len(frames)) / 40
	for _, wholeFirst := range []bool{true, false} {
		r, said := opened(t, t.TempDir())
		if wholeFirst {
			same(t, r, st, study, "all")
		}
		for i, p := range []analysis.Period{
			{From: frames[0].At.Add(4.3 * 86400), To: frames[0].At.Add(36.2 * 86400)},
			{From: frames[0].At.Add(4.3 * 86400)},
			{To: frames[0].At.Add(36.2 * 86400)},
		} {
			o := analysis.Options{Period: p}
			want := fresh(t, st, study, d, o)
			if !wholeFirst {
				gives(t, r, st, study, d, o, want, "the first time")
			}
			from := &counted{Store: st}
			gives(t, r, from, study, d, o, want, "again")
			// Before it two days and what is left of a stretch; behind it the rest of one, after
			// two days, or since the last state that is kept.
			days, most := float64(from.frames)/perDay, 2.5+pieceDays
			if p.From == 0 {
				most = 0
			}
			if p.To != 0 {
				most += 0.25 + 2*pieceDays
			}
			if days > most {
				t.Errorf("period %d, after all: %t: %.1f days of frames are read, want %v at most", i, wholeFirst, days, most)
			}
			t.Logf("period %d, after all: %t: %.1f days of frames", i, wholeFirst, days)
		}
		if len(*said) > 0 {
			t.Error(*said)
		}
	}
}

// Where two nodes send one channel, whose readings count depends on what was long
// before: such a period is not given what is kept of the whole record, nor the other
// way.
func TestPeriodOfAnotherState(t *testing.T) {
	h := simulate.NewHouse("larch-04", 5, simulate.Options{Days: 16, ShowersPerDay: 2, Nodes: 1})
	for i := range h.Dwelling.Sensors {
		h.Dwelling.Sensors[i].Node = ""
	}
	study := &greywatt.Study{Dwellings: []greywatt.Dwelling{h.Dwelling}}
	d := &study.Dwellings[0]
	var frames []greywatt.Frame
	begin := greywatt.Instant(0)
	for f := range h.Frames(nil) {
		if begin == 0 {
			begin = f.At
		}
		second := greywatt.Frame{Node: "second", At: f.At + 1, Value: greywatt.NoValues()}
		if day := f.At.Sub(begin) / 86400; day > 1 {
			second.Value[greywatt.WasteIn] = f.Value[greywatt.WasteIn] + 0.7
			if day < 1.5 {
				f.Value[greywatt.WasteIn] = math.NaN() // the second takes over
			}
		}
		frames = append(frames, f, second)
	}
	dir := t.TempDir()
	st := openStore(t, dir)
	appendFrames(t, st, d.ID, frames)
	p := analysis.Period{From: begin.Add(4.3 * 86400)}
	o := analysis.Options{Period: p}
	of := fresh(t, st, study, d, o)
	whole, err := analysis.Run(study, d, st.Frames(t.Context(), d.ID, 0, 0), analysis.Options{})
	if err != nil {
		t.Fatal(err)
	}
	alone, err := analysis.Run(study, d, st.Frames(t.Context(), d.ID, p.From.Add(-analysis.RunInS), 0), o)
	if err != nil {
		t.Fatal(err)
	}
	within := whole.Events[len(whole.Events)-len(alone.Events):]
	if fmt.Sprintf("%+v", within) == fmt.Sprintf("%+v", alone.Events) {
		t.Fatal("the events are alike: the test cannot fail")
	}
	r, said := opened(t, t.TempDir())
	for range 2 {
		gives(t, r, st, study, d, o, of, "the period")
		same(t, r, st, study, "all")
	}
	pieces := r.pieces(d.ID, analysis.Period{})
	for range 2 {
		gives(t, r, st, study, d, o, of, "after all")
	}
	if after := r.pieces(d.ID, analysis.Period{}); !reflect.DeepEqual(after, pieces) || len(pieces) < 5 {
		t.Errorf("the period leaves %d pieces of %d", len(after), len(pieces))
	}
	if len(*said) > 0 {
		t.Error(*said)
	}
}
