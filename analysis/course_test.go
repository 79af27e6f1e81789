package analysis_test

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"regexp"
	"slices"
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis"
	"greywatt/analysis/simulate"
	"greywatt/analysis/wire"
)

// A record is a dwelling with frames.
type record struct {
	study    *greywatt.Study
	dwelling *greywatt.Dwelling
	frames   []greywatt.Frame
	apart    int // of twelve states, how many may not agree after the run-in
}

func recordOf(h *simulate.House, frames []greywatt.Frame, facts ...greywatt.Fact) record {
	for i := range facts {
		facts[i].ID, facts[i].Dwelling = fmt.Sprint(i), h.Dwelling.ID
	}
	study := (&greywatt.Study{Timezone: h.Timezone, Dwellings: []greywatt.Dwelling{h.Dwelling}}).With(facts)
	return record{study: study, dwelling: &study.Dwellings[0], frames: frames}
}

// records are dwellings in good order and in all kinds of bad, of which much is
// carried over.
func records() map[string]record {
	const days = 17
	house := func(seed uint64, o simulate.Options) (*simulate.House, []greywatt.Frame, func(day float64) greywatt.Instant) {
		o.Days = days
		h := simulate.NewHouse("d", seed, o)
		begin := h.Start.In(time.UTC)
		return h, slices.Collect(h.Frames(nil)), func(day float64) greywatt.Instant { return begin.Add(day * 86400) }
	}
	within := func(frames []greywatt.Frame, from, to greywatt.Instant, do func(i int, f *greywatt.Frame)) {
		for i := range frames {
			if f := &frames[i]; f.At >= from && f.At < to {
				do(i, f)
			}
		}
	}
	out := map[string]record{}

	h, frames, _ := house(3, simulate.Options{Nodes: 2, GapsPerWeek: 4})
	out["gaps"] = recordOf(h, frames)

	h, frames, _ = house(4, simulate.Options{Nodes: 1, NoAmbient: true, WasteFlow: true})
	out["no ambient"] = recordOf(h, frames)

	h, frames, at := house(5, simulate.Options{Nodes: 2, ShowersPerDay: 1})
	clamp := sensorOf(h, greywatt.WasteIn)
	clamp.OffsetK += 0.4
	unit := h.Dwelling.Exchanger
	out["journal"] = recordOf(h, frames,
		greywatt.Fact{Kind: greywatt.FactClampReplaced, At: at(4.3), Channel: greywatt.WasteIn, Sensor: &clamp},
		greywatt.Fact{Kind: greywatt.FactUnitReplaced, At: at(9.25), Exchanger: &unit},
		greywatt.Fact{Kind: greywatt.FactLeftOut, At: at(11), Until: at(12.5), Text: "x"})

	h, frames, at = house(6, simulate.Options{Nodes: 2})
	stray := 0
	within(frames, at(2), at(5), func(_ int, f *greywatt.Frame) { f.Value[greywatt.ColdIn] = math.NaN() })
	within(frames, at(6.4), at(10), func(_ int, f *greywatt.Frame) {
		if v := &f.Value[greywatt.WasteOut]; *v == *v {
			*v = 21.25
		}
	})
	within(frames, at(8), at(9.3), func(_ int, f *greywatt.Frame) {
		if v := &f.Value[greywatt.PreheatOut]; *v == *v {
			*v = 85
		}
	})
	within(frames, at(11.2), at(12), func(_ int, f *greywatt.Frame) { f.Node = "other" })
	within(frames, at(13), at(13.01), func(_ int, f *greywatt.Frame) { f.Node = fmt.Sprint("stray-", stray); stray++ })
	within(frames, at(14.1), at(14.6), func(_ int, f *greywatt.Frame) {
		if v := &f.Value[greywatt.Flow]; *v == *v {
			*v = 0.05
		}
	})
	within(frames, at(15.2), at(15.25), func(_ int, f *greywatt.Frame) { f.At = f.At.Add(7200) })
	out["damage"] = recordOf(h, frames)

	// nobody at home, and then the nodes are off too
	h, frames, at = house(7, simulate.Options{Nodes: 1, NoAmbient: true})
	rest := rand.New(rand.NewPCG(1, 1))
	within(frames, at(4), at(10), func(_ int, f *greywatt.Frame) {
		for c := range f.Value {
			if v := &f.Value[c]; *v == *v {
				*v = 0
				if greywatt.Channel(c) != greywatt.Flow {
					*v = 18 + math.Round(rest.NormFloat64())/16
				}
			}
		}
	})
	frames = slices.DeleteFunc(frames, func(f greywatt.Frame) bool { return f.At >= at(8) && f.At < at(12) })
	r := recordOf(h, frames)
	r.apart = 2 // where all of the run-in, and more, has no frames
	out["absence"] = r
	return out
}

// run is what Run gives of a record, as text: in it NaN equals NaN.
func (r *record) run(t *testing.T, o analysis.Options) string {
	t.Helper()
	from, to := o.Period.Around()
	result, err := analysis.Run(r.study, r.dwelling, batches(r.frames, from, to, 0, nil), o)
	if err != nil {
		t.Fatal(err)
	}
	return text(&result)
}

func text(r *analysis.Result) string {
	out := fmt.Sprintf("%+v\n%+v\n%+v\n%d\n", r.Health, r.Diagnosis, r.Completeness, r.LeftOut)
	for e := range r.All() {
		out += fmt.Sprintf("%+v\n", *e)
	}
	return address.ReplaceAllString(out, "")
}

var address = regexp.MustCompile("0x[0-9a-f]{6,}")

// However a record is cut at rest, each stretch analysed by itself from the state
// before it, kept as bytes and read again, together they give the result of one run.
func TestStretchesJoin(t *testing.T) {
	for name, r := range records() {
		t.Run(name, func(t *testing.T) {
			rnd := rand.New(rand.NewPCG(8, uint64(len(name))))
			want := r.run(t, analysis.Options{})
			compact := r.run(t, analysis.Options{Compact: true, Sums: true})
			first, last := r.frames[0].At, r.frames[len(r.frames)-1].At
			for range 4 {
				due := make([]greywatt.Instant, 1+rnd.IntN(30))
				for i := range due {
					due[i] = first + greywatt.Instant(rnd.Int64N(int64(last-first)))
				}
				slices.Sort(due)
				stretches, bytesOf := r.stretches(t, rnd, due)
				joined := analysis.Join(r.study, r.dwelling, analysis.Options{}, stretches...)
				if got := text(&joined); got != want {
					t.Fatalf("%d stretches differ from one run%s", len(stretches), firstDifference(got, want))
				}
				joined = analysis.Join(r.study, r.dwelling, analysis.Options{Compact: true, Sums: true}, stretches...)
				if got := text(&joined); got != compact {
					t.Fatalf("compact: %d stretches differ from one run%s", len(stretches), firstDifference(got, compact))
				}
				t.Logf("%d stretches of %d bytes, %d events", len(stretches), bytesOf, len(joined.Events)+joined.History.Len())
			}
		})
	}
}

// stretches cuts the record at the first rests from the instants due on. Each stretch
// is of a course of its own, given its frames in pieces.
func (r *record) stretches(t *testing.T, rnd *rand.Rand, due []greywatt.Instant) (out []*analysis.Stretch, size int) {
	t.Helper()
	c := analysis.NewCourse(r.study, r.dwelling)
	keep := func() {
		taken := c.Take()
		b := taken.Marshal()
		size += len(b)
		s, err := analysis.UnmarshalStretch(r.dwelling, b)
		if err != nil {
			t.Fatal(err)
		}
		if again := s.Marshal(); !bytes.Equal(again, b) {
			t.Fatal("a stretch read again gives other bytes")
		}
		out = append(out, &s)
	}
	left := r.frames
	for len(left) > 0 {
		piece := left[:min(len(left), 1+rnd.IntN(600))]
		left = left[len(piece):]
		for len(piece) > 0 && len(due) > 0 {
			rested := false
			if piece, rested = c.PushUntil(due[0], piece); !rested {
				break
			}
			keep()
			state := c.State()
			var err error
			if c, err = analysis.ResumeCourse(r.study, r.dwelling, state); err != nil {
				t.Fatal(err)
			}
			if again := c.State(); !bytes.Equal(again, state) {
				t.Fatal("a course that was resumed has another state")
			}
			due = due[1:]
		}
		c.Push(piece)
	}
	c.Close()
	keep()
	return out, size
}

func firstDifference(got, want string) string {
	n := min(len(got), len(want))
	i := 0
	for i < n && got[i] == want[i] {
		i++
	}
	from := max(0, i-200)
	return fmt.Sprintf(":\n%q\nwant\n%q", got[from:min(len(got), i+200)], want[from:min(len(want), i+200)])
}

// Courses that began at different times come to be in the same state, within the
// run-in where nothing lasts longer.
func TestStatesAgree(t *testing.T) {
	for name, r := range records() {
		t.Run(name, func(t *testing.T) {
			rnd := rand.New(rand.NewPCG(9, 1))
			first, last := r.frames[0].At, r.frames[len(r.frames)-1].At
			agreed, of, most := 0, 0, 0
			for range 12 {
				due := first.Add(analysis.RunInS) + greywatt.Instant(rnd.Int64N(int64(last.Add(-analysis.RunInS)-first)))
				begin, _ := slices.BinarySearchFunc(r.frames, due.Add(-analysis.RunInS), func(f greywatt.Frame, t greywatt.Instant) int { return int(f.At - t) })
				all, late := analysis.NewCourse(r.study, r.dwelling), analysis.NewCourse(r.study, r.dwelling)
				_, a := all.PushUntil(due, r.frames)
				_, b := late.PushUntil(due, r.frames[begin:])
				if !a || !b {
					continue
				}
				of++
				most = max(most, len(all.State()))
				if bytes.Equal(all.State(), late.State()) {
					agreed++
				}
			}
			t.Logf("%d of %d agree; %d bytes at most", agreed, of, most)
			if of < 8 || agreed < of-r.apart {
				t.Errorf("%d of %d states agree", agreed, of)
			}
		})
	}
}

// Damaged bytes are an error, whatever they are.
func TestDamagedStates(t *testing.T) {
	r := records()["gaps"]
	c := analysis.NewCourse(r.study, r.dwelling)
	if _, rested := c.PushUntil(r.frames[0].At.Add(3*86400), r.frames); !rested {
		t.Fatal("no rest")
	}
	s := c.Take()
	rnd := rand.New(rand.NewPCG(2, 2))
	for _, good := range [][]byte{c.State(), s.Marshal()} {
		for range 3000 {
			b := slices.Clone(good)
			switch rnd.IntN(3) {
			case 0:
				b = b[:rnd.IntN(len(b))]
			case 1:
				b[rnd.IntN(len(b))] ^= 1 << rnd.IntN(8)
			case 2:
				b = append(b, byte(rnd.IntN(256)))
			}
			_, ofCourse := analysis.ResumeCourse(r.study, r.dwelling, b)
			_, ofStretch := analysis.UnmarshalStretch(r.dwelling, b)
			if !errors.Is(ofCourse, wire.ErrDamaged) || !errors.Is(ofStretch, wire.ErrDamaged) {
				t.Fatalf("%v, %v", ofCourse, ofStretch)
			}
		}
	}
}
