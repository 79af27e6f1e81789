package site

import (
	"context"
	"iter"
	"reflect"
	"slices"
	"testing"

	"greywatt"
	"greywatt/analysis/commission"
	"greywatt/analysis/event"
	"greywatt/analysis/simulate"
	"greywatt/ingest"
)

// memory has the frames of one dwelling and counts those that are read.
type memory struct {
	dwelling string
	frames   []greywatt.Frame
	read     int
}

func (m *memory) Close() error                                { return nil }
func (m *memory) Dwellings(context.Context) ([]string, error) { return []string{m.dwelling}, nil }
func (m *memory) Frames(_ context.Context, _ string, from, to greywatt.Instant) iter.Seq2[[]greywatt.Frame, error] {
	return func(yield func([]greywatt.Frame, error) bool) {
		for batch := range slices.Chunk(m.frames, 4096) {
			batch = slices.DeleteFunc(slices.Clone(batch), func(f greywatt.Frame) bool {
				return from != 0 && f.At < from || to != 0 && f.At >= to
			})
			m.read += len(batch)
			if !yield(batch, nil) {
				return
			}
		}
	}
}

// catalogued is one that knows what it has without being read, as the store does.
type catalogued struct{ memory }

func (m *catalogued) Nodes(context.Context) ([]ingest.NodeSummary, error) {
	return []ingest.NodeSummary{
		{Dwelling: "another", Node: "n1", Frames: 1, First: 1, Last: 2},
		{Dwelling: m.dwelling, Node: "n1", Frames: int64(len(m.frames)), First: m.frames[0].At, Last: m.frames[len(m.frames)-1].At},
		{Dwelling: m.dwelling, Node: "never"},
	}, nil
}

// The last days of a record give the verdict that all of it gives, at a fraction of
// the reading; a server is read from the start.
func TestAnalyseRecent(t *testing.T) {
	h := simulate.NewHouse("d", 5, simulate.Options{Days: 60, ShowersPerDay: 2.2})
	held := memory{dwelling: "d", frames: slices.Collect(h.Frames(nil))}
	s := &Site{Study: &greywatt.Study{Dwellings: []greywatt.Dwelling{h.Dwelling}}}
	d := &s.Study.Dwellings[0]
	judge := func(readings ReadingStore, showers int, p Period) commission.Result {
		s.Readings, s.Period = readings, p
		r, begun, err := s.AnalyseRecent(t.Context(), d, func(events []event.Event) bool { return commission.Enough(events, showers) })
		if err != nil {
			t.Fatal(err)
		}
		return commission.Judge(s.Study, d, begun, r.Events, showers)
	}
	middle := held.frames[len(held.frames)/2].At
	for _, c := range []struct {
		name    string
		showers int
		period  Period
		most    float64 // share of the frames that may be read
	}{
		{"five", 5, Period{}, 0.2},
		{"up to the middle", 5, Period{To: middle}, 0.2},
		{"more than four days give", 20, Period{}, 0.6},
		{"more than there are", 1000, Period{}, 3},
		{"none in the period", 5, Period{From: held.frames[len(held.frames)-1].At.Add(86400)}, 0.05},
		{"before the record", 5, Period{To: held.frames[0].At.Add(-86400)}, 0},
	} {
		all, some := held, catalogued{held}
		want, got := judge(&all, c.showers, c.period), judge(&some, c.showers, c.period)
		if !reflect.DeepEqual(got.Events, want.Events) || got.Verdict != want.Verdict || got.Ratio != want.Ratio && want.Ratio == want.Ratio {
			t.Errorf("%s: %s, %v of %v, want %s, %v of %v", c.name, got.Verdict, got.Ratio, got.Events, want.Verdict, want.Ratio, want.Events)
		}
		if share := float64(some.read) / float64(len(held.frames)); share > c.most {
			t.Errorf("%s: %.2f of the frames were read", c.name, share)
		}
	}
}
