package live

import (
	"context"
	"iter"
	"slices"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"greywatt"
	"greywatt/analysis/simulate"
	"greywatt/cmd/greywatt/internal/framefile"
	"greywatt/cmd/greywatt/internal/watch"
	"greywatt/ingest"
	"greywatt/ingest/store"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// twoDwellings returns a study of two, with a study's zone.
func twoDwellings() *greywatt.Study {
	zone := time.FixedZone("local", 3600)
	unit := greywatt.Exchanger{Orientation: greywatt.Vertical, Rated: []greywatt.RatedPoint{{FlowLMin: 9.5, Effectiveness: 0.57}}}
	return &greywatt.Study{Name: "Larch Row trial", Timezone: zone, Dwellings: []greywatt.Dwelling{
		{ID: "larch-04", Connection: greywatt.ConnectionA, Exchanger: unit, Heater: greywatt.Heater{HotC: 55, Efficiency: 0.9},
			Sensors: []greywatt.Sensor{
				{Channel: greywatt.WasteIn, OffsetK: 0.5, U95K: 0.3, Scale: 1},
				{Channel: greywatt.Flow, Scale: 1.1, U95Relative: 0.03},
				{Channel: greywatt.ColdIn, Node: "n2", U95K: 0.3, Scale: 1},
			}},
		{ID: "larch-05", Connection: greywatt.ConnectionB, Exchanger: unit, Heater: greywatt.Heater{HotC: 55, Efficiency: 0.9}},
	}}
}

// simulated are houses that were simulated already, by days.
var simulated sync.Map

// A house with some days of showers, as the study has it and as it measures.
// The frames are not to be changed.
func house(t testing.TB, days int) (*greywatt.Study, []greywatt.Frame) {
	t.Helper()
	s := simulate.Accuracy(3, days)
	study := s.Study
	study.Dwellings = slices.Clone(study.Dwellings[:1])
	if frames, ok := simulated.Load(days); ok {
		return &study, frames.([]greywatt.Frame)
	}
	var frames []greywatt.Frame
	for f := range s.Houses[0].Frames(nil) {
		frames = append(frames, f)
	}
	simulated.Store(days, frames)
	return &study, frames
}

func openStore(t testing.TB) *store.Store {
	t.Helper()
	s, err := store.Open(t.TempDir(), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

// commit stores frames and returns their readings.
func commit(t testing.TB, s *store.Store, dwelling string, frames []greywatt.Frame) []greywatt.Reading {
	t.Helper()
	var rs []greywatt.Reading
	for i := range frames {
		rs = framefile.AppendReadings(rs, dwelling, &frames[i])
	}
	if _, err := s.Append(context.Background(), rs); err != nil {
		t.Fatal(err)
	}
	return rs
}

// A faulty log is a store of which a part cannot be read, or nothing.
type faultyLog struct {
	*store.Store
	err    error // of everything, unless nil
	damage error // that Frames comes upon first, unless nil
}

func (l *faultyLog) Nodes(ctx context.Context) ([]ingest.NodeSummary, error) {
	if l.err != nil {
		return nil, l.err
	}
	return l.Store.Nodes(ctx)
}

func (l *faultyLog) Frames(ctx context.Context, dwelling string, from, to greywatt.Instant) iter.Seq2[[]greywatt.Frame, error] {
	return func(yield func([]greywatt.Frame, error) bool) {
		if l.damage != nil && !yield(nil, l.damage) {
			return
		}
		l.Store.Frames(ctx, dwelling, from, to)(yield)
	}
}

// A testClock is moved by hand.
type testClock struct{ at time.Time }

func (c *testClock) now() time.Time          { return c.at }
func (c *testClock) set(at greywatt.Instant) { c.at = at.Time() }

// watching returns what follows a log for the page, which is not running.
func watching(p *Page, log watch.Log) *watch.Watch {
	return watch.New(watch.Config{Study: p.cfg.Study, Log: log, View: p, Now: p.cfg.Now, Busy: p.Busy, OnAnalysis: p.ObserveAnalysis, OnUpdate: p.CountUpdate})
}

// settle lets it do what there is to do, and the page show it.
func settle(t testing.TB, w *watch.Watch) {
	t.Helper()
	w.Step(t.Context()) // what goes wrong with the log is the page's to show
}

// aWhile is after how long without readings all that there are is analysed.
const aWhile = 2 * time.Minute
