package abreast

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"math"
	"regexp"
	"slices"
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis"
	"greywatt/analysis/simulate"
	"greywatt/ingest"
)

// memory is a source of frames that are in memory, some of which cannot be read.
type memory struct {
	frames  []greywatt.Frame
	damaged []greywatt.Instant // of the batches that hold one of them
}

const batchLen = 300

func (m *memory) Frames(_ context.Context, _ string, from, to greywatt.Instant) iter.Seq2[[]greywatt.Frame, error] {
	return func(yield func([]greywatt.Frame, error) bool) {
		for batch := range slices.Chunk(m.frames, batchLen) {
			first, last := batch[0].At, batch[len(batch)-1].At
			batch = slices.DeleteFunc(slices.Clone(batch), func(f greywatt.Frame) bool { return f.At < from || to != 0 && f.At >= to })
			if len(batch) == 0 {
				continue
			}
			for _, at := range m.damaged {
				if at >= first && at <= last {
					batch = nil
					if !yield(nil, &ingest.CorruptError{File: "f", Dwelling: "d", Node: "n", From: first, To: last, Err: errors.New("x")}) {
						return
					}
				}
			}
			if len(batch) > 0 && !yield(batch, nil) {
				return
			}
		}
	}
}

// troubled is a record of two months, in which a clamp is frozen and silent, nobody is
// at home for ten days, and a meter says for two that water runs.
func troubled() (*greywatt.Study, *memory) {
	h := simulate.NewHouse("d", 21, simulate.Options{Days: 63, Nodes: 2, ShowersPerDay: 1, GapsPerWeek: 1})
	m := &memory{frames: slices.Collect(h.Frames(nil))}
	begin := h.Start.In(time.UTC)
	for i := range m.frames {
		f := &m.frames[i]
		v := &f.Value
		known := func(c greywatt.Channel) bool { return !math.IsNaN(v[c]) }
		switch day := f.At.Sub(begin) / 86400; {
		case day > 5 && day < 14 && known(greywatt.WasteOut):
			v[greywatt.WasteOut] = 20.5
		case day > 17 && day < 24:
			v[greywatt.ColdIn] = math.NaN()
		case day > 29 && day < 40 && known(greywatt.Flow):
			v[greywatt.Flow] = 0
		case day > 44 && day < 46 && known(greywatt.Flow):
			v[greywatt.Flow] = 0.1
		}
	}
	for _, share := range []int{7, 3, 2} {
		m.damaged = append(m.damaged, m.frames[len(m.frames)/share].At)
	}
	slices.Sort(m.damaged)
	return &greywatt.Study{Dwellings: []greywatt.Dwelling{h.Dwelling}}, m
}

var address = regexp.MustCompile("0x[0-9a-f]{6,}")

// text is a result as text: in it NaN equals NaN.
func text(r *analysis.Result) string {
	out := fmt.Sprintf("%v\n%+v\n%+v\n%+v\n%d\n", r.Damaged, r.Health, r.Diagnosis, r.Completeness, r.LeftOut)
	for e := range r.All() {
		out += fmt.Sprintf("%+v\n", *e)
	}
	return address.ReplaceAllString(out, "")
}

// Any number of parts, wherever they begin, gives the bytes of one analysis. Some of
// them have to be analysed again.
func TestPartsAreOne(t *testing.T) {
	study, m := troubled()
	d := &study.Dwellings[0]
	first, last := m.frames[0].At, m.frames[len(m.frames)-1].At
	for _, o := range []analysis.Options{{}, {Compact: true, Sums: true}} {
		one, err := analysis.Run(study, d, m.Frames(t.Context(), d.ID, 0, 0), o)
		if err != nil {
			t.Fatal(err)
		}
		want := text(&one)
		if len(one.Damaged) != 3 || len(want) < 1e5 {
			t.Fatalf("%d damaged parts, %d bytes", len(one.Damaged), len(want))
		}
		again := 0
		for _, parts := range []int{1, 2, 3, 7, 40} {
			var due []greywatt.Instant
			for i := 1; i < parts; i++ {
				due = append(due, first+(last-first)*greywatt.Instant(i)/greywatt.Instant(parts))
			}
			r := runner{from: m, study: study, d: d, due: due}
			joined := analysis.NewJoiner(study, d, o)
			damaged, err := r.run(t.Context(), 3, joined.Add)
			if err != nil {
				t.Fatal(err)
			}
			result := joined.Result()
			result.Damaged = damaged
			if text(&result) != want {
				t.Errorf("%d parts give another result", parts)
			}
			again += r.again
			t.Logf("%d parts, %d of them twice", parts, r.again)
		}
		if again == 0 || again > 25 {
			t.Errorf("%d of 53 parts analysed twice: no test, or nothing is gained", again)
		}
	}
}

// An interruption is an error, and so is a source that fails.
func TestInterrupted(t *testing.T) {
	study, m := troubled()
	d := &study.Dwellings[0]
	first, last := m.frames[0].At, m.frames[len(m.frames)-1].At
	due := []greywatt.Instant{first + (last-first)/3, first + (last-first)*2/3}
	for _, at := range []greywatt.Instant{first, due[0], due[1], last.Add(-60)} {
		ctx, interrupt := context.WithCancel(t.Context())
		_, err := Run(ctx, &interrupted{m, at, interrupt}, study, d, analysis.Options{}, due, 2)
		if !errors.Is(err, context.Canceled) {
			t.Errorf("interrupted at %s: %v", at, err)
		}
		interrupt()
		failure := errors.New("no such server")
		if _, err := Run(t.Context(), &failing{m, at, failure}, study, d, analysis.Options{}, due, 2); !errors.Is(err, failure) {
			t.Errorf("failing at %s: %v", at, err)
		}
	}
}

// interrupted ends early, without an error.
type interrupted struct {
	*memory
	at        greywatt.Instant
	interrupt func()
}

func (m *interrupted) Frames(ctx context.Context, dwelling string, from, to greywatt.Instant) iter.Seq2[[]greywatt.Frame, error] {
	return func(yield func([]greywatt.Frame, error) bool) {
		for batch, err := range m.memory.Frames(ctx, dwelling, from, to) {
			if len(batch) > 0 && batch[len(batch)-1].At >= m.at {
				m.interrupt()
				return
			}
			if !yield(batch, err) {
				return
			}
		}
	}
}

type failing struct {
	*memory
	at  greywatt.Instant
	err error
}

func (m *failing) Frames(ctx context.Context, dwelling string, from, to greywatt.Instant) iter.Seq2[[]greywatt.Frame, error] {
	return func(yield func([]greywatt.Frame, error) bool) {
		for batch, err := range m.memory.Frames(ctx, dwelling, from, to) {
			if len(batch) > 0 && batch[len(batch)-1].At >= m.at {
				yield(nil, m.err)
				return
			}
			if !yield(batch, err) {
				return
			}
		}
	}
}

func TestSplit(t *testing.T) {
	const day = 86400.0
	for _, row := range []struct {
		days    float64
		workers int
		parts   int
	}{{365, 1, 1}, {39, 2, 1}, {41, 2, 2}, {365, 2, 6}, {365, 4, 4}, {1825, 2, 30}, {61, 8, 3}} {
		due := Split(1e15, greywatt.Instant(1e15).Add(row.days*day), row.workers)
		if len(due)+1 != row.parts || !slices.IsSorted(due) {
			t.Errorf("%g days, %d workers: %d parts, want %d", row.days, row.workers, len(due)+1, row.parts)
		}
	}
}
