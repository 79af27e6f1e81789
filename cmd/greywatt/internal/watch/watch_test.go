package watch

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"iter"
	"slices"
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/monitor"
	"greywatt/analysis/simulate"
	"greywatt/cmd/greywatt/internal/framefile"
	"greywatt/ingest/store"
)

// A script moves a Watch's clock by hand and collects what it reports.
type script struct {
	t      testing.TB
	at     time.Time
	w      *Watch
	update Update
}

func follow(t testing.TB, cfg Config) *script {
	s := &script{t: t}
	cfg.Now = func() time.Time { return s.at }
	cfg.OnUpdate = func(n Update) {
		s.update.Events = append(s.update.Events, n.Events...)
		s.update.Alarms = append(s.update.Alarms, n.Alarms...)
	}
	s.w = New(cfg)
	return s
}

// step looks at an instant and returns what is reported then.
func (s *script) step(at greywatt.Instant) Update {
	s.t.Helper()
	s.at, s.update = at.Time(), Update{}
	if err := s.w.Step(s.t.Context()); err != nil {
		s.t.Fatal(err)
	}
	for _, f := range s.w.followers {
		if f.found.Trouble != "" {
			s.t.Fatalf("%s: %s", f.dwelling.ID, f.found.Trouble)
		}
	}
	return s.update
}

// A shown page keeps what it is shown last.
type shown struct {
	found State
	drawn greywatt.Instant // newest frame
}

func (s *shown) ShowInventory(map[string]Inventory, error) {}
func (s *shown) ShowState(_ string, f State)               { s.found = f }
func (s *shown) ShowFrames(_ string, frames []greywatt.Frame) {
	if n := len(frames); n > 0 {
		s.drawn = max(s.drawn, frames[n-1].At)
	}
}

// Events that a Watch reports while readings come in are those that the whole
// data has, each reported once, soon after its end, whether somebody is shown the
// past or not.
func TestWatch(t *testing.T) {
	for _, view := range []Viewer{nil, new(shown)} {
		testWatch(t, view)
	}
}

func testWatch(t *testing.T, view Viewer) {
	const days = 6
	s := simulate.Accuracy(3, days)
	house := s.Houses[0]
	log := openStore(t)
	w := follow(t, Config{Study: &s.Study, Log: log, Notes: log, View: view})
	var reported []event.Event
	look := func(now greywatt.Instant) {
		events := w.step(now).Events
		// Events that follow each other closely are reported together.
		if n := len(events); n > 0 {
			if late := now.Sub(events[n-1].End); late > 600 {
				t.Errorf("%s reported %.0f s after its end", events[n-1].ID, late)
			}
		}
		reported = append(reported, events...)
	}
	from, to := house.Span()
	begin := from.Add(4.5 * 86400) // when the program starts; before that the nodes were logged already
	next := begin
	var waiting []greywatt.Reading
	var all []greywatt.Frame
	for f := range house.Frames(nil) {
		all = append(all, f)
		for ; f.At >= next; next = next.Add(60) {
			commit(t, log, waiting)
			waiting = waiting[:0]
			look(next)
		}
		waiting = framefile.AppendReadings(waiting, house.Dwelling.ID, &f)
	}
	commit(t, log, waiting)
	look(to)
	look(to.Add(settled.Seconds())) // nothing more comes: the rest is taken

	a := event.NewAnalyser(&s.Study, &s.Study.Dwellings[0])
	var want []string
	var whole event.History
	for _, e := range a.Push(all) {
		whole.Add(e)
		if e.End >= begin {
			want = append(want, e.ID)
		}
	}
	var got []string
	for _, e := range reported {
		got = append(got, e.ID)
	}
	if len(want) < 5 || !slices.Equal(got, want) {
		t.Errorf("reported %d events %v\nwant %d %v", len(got), got, len(want), want)
	}
	if v, ok := view.(*shown); ok && (!v.found.Ready || v.found.Events.Len() <= len(want) || v.drawn != all[len(all)-1].At || v.found.Late) {
		t.Errorf("shown: ready %v, %d events, drawn to %s, late %v", v.found.Ready, v.found.Events.Len(), v.drawn, v.found.Late)
	}
	if v, ok := view.(*shown); ok { // to the last digit, though the analysis rested between
		for i := range min(whole.Len(), v.found.Events.Len()) {
			if got, want := fmt.Sprintf("%+v", v.found.Events.Event(i)), fmt.Sprintf("%+v", whole.Event(i)); got != want {
				t.Errorf("shown is %.400s\nwant %.400s", got, want)
			}
		}
		if f := w.w.followers[0]; f.reading.course != nil {
			t.Error("the analysis does not rest, though no water runs")
		}
	}
}

// The nodes of a dwelling need not send at the same pace: one that gathers a
// minute is waited for, and nothing of it is late.
func TestNodesThatGather(t *testing.T) {
	s := simulate.Accuracy(3, 1)
	house := s.Houses[0]
	log := openStore(t)
	view := new(shown)
	w := follow(t, Config{Study: &s.Study, Log: log, View: view})
	from, to := house.Span()
	var quick, gathered []greywatt.Reading
	last, next := from, from.Add(10)
	for f := range house.Frames(nil) {
		for ; f.At >= next; next = next.Add(10) {
			if len(quick) == 0 {
				continue
			}
			commit(t, log, quick)
			quick = quick[:0]
			if next.Sub(last) >= 60 {
				commit(t, log, gathered)
				gathered, last = gathered[:0], next
			}
			w.step(next)
			if view.found.Late {
				t.Fatalf("late at %s", next)
			}
		}
		for _, r := range framefile.AppendReadings(nil, house.Dwelling.ID, &f) {
			if r.Channel == greywatt.Flow {
				quick = append(quick, r)
			} else {
				r.Node = "gathers"
				gathered = append(gathered, r)
			}
		}
	}
	commit(t, log, append(quick, gathered...))
	w.step(to)
	w.step(to.Add(settled.Seconds()))
	if n := view.found.Events.Len(); n < 5 {
		t.Errorf("%d events of a day", n)
	}
}

// A countedLog counts the frames that are read of it.
type countedLog struct {
	*store.Store
	frames int
}

func (l *countedLog) Frames(ctx context.Context, dwelling string, from, to greywatt.Instant) iter.Seq2[[]greywatt.Frame, error] {
	return func(yield func([]greywatt.Frame, error) bool) {
		for frames, err := range l.Store.Frames(ctx, dwelling, from, to) {
			l.frames += len(frames)
			if !yield(frames, err) {
				return
			}
		}
	}
}

// lastDay returns what a house measures on its last day, and on the days before.
func lastDay(house *simulate.House) (history, last []greywatt.Frame) {
	_, to := house.Span()
	for f := range house.Frames(nil) {
		if f.At < to.Add(-86400) {
			history = append(history, f)
		} else {
			last = append(last, f)
		}
	}
	return history, last
}

// newest returns the frames of the newest days.
func newest(frames []greywatt.Frame, days float64) []greywatt.Frame {
	from := frames[len(frames)-1].At.Add(-days * 86400)
	i, _ := slices.BinarySearchFunc(frames, from, func(f greywatt.Frame, at greywatt.Instant) int { return cmp.Compare(f.At, at) })
	return frames[i:]
}

// play commits a day's frames as they come, some seconds at a time, and looks
// after each commit.
func play(t testing.TB, log *store.Store, dwelling string, day []greywatt.Frame, seconds float64, look func(greywatt.Instant)) {
	t.Helper()
	var rs []greywatt.Reading
	next := day[0].At.Add(seconds)
	for i := range day {
		if day[i].At >= next {
			commit(t, log, rs)
			rs = rs[:0]
			look(next)
			next = day[i].At.Add(seconds)
		}
		rs = framefile.AppendReadings(rs, dwelling, &day[i])
	}
	commit(t, log, rs)
	look(next)
}

// The same day makes a Watch read the same, whether three days or two weeks of
// history came before it.
func TestNewEventsReadNoHistory(t *testing.T) {
	s := simulate.Accuracy(5, 15)
	history, day := lastDay(s.Houses[0])
	id := s.Houses[0].Dwelling.ID
	read := func(days float64) (frames, events int) {
		log := &countedLog{Store: openStore(t)}
		load(t, log.Store, id, newest(history, days))
		w := follow(t, Config{Study: &s.Study, Log: log, Notes: log, View: new(shown)})
		w.step(day[0].At) // the history is read once, at the start
		log.frames = 0
		play(t, log.Store, id, day, 120, func(at greywatt.Instant) { events += len(w.step(at).Events) })
		return log.frames, events
	}
	short, n := read(3)
	long, m := read(14)
	if n < 3 || n != m || short != long {
		t.Errorf("after three days %d frames are read for %d events, after two weeks %d for %d", short, n, long, m)
	}
}

// What a Watch does for the same day after histories of different length.
func BenchmarkDay(b *testing.B) {
	s := simulate.Accuracy(5, 91)
	history, day := lastDay(s.Houses[0])
	id := s.Houses[0].Dwelling.ID
	for _, days := range []float64{7, 30, 90} {
		b.Run(fmt.Sprintf("after %.0f days", days), func(b *testing.B) {
			for b.Loop() {
				b.StopTimer()
				log := openStore(b)
				load(b, log, id, newest(history, days))
				at := day[0].At.Time()
				events, looks := 0, 0
				w := New(Config{Study: &s.Study, Log: log, Notes: log, View: new(shown), Now: func() time.Time { return at }, OnUpdate: func(n Update) { events += len(n.Events) }})
				look := func(now greywatt.Instant) {
					at = now.Time()
					looks++
					b.StartTimer()
					err := w.Step(b.Context())
					b.StopTimer()
					if err != nil {
						b.Fatal(err)
					}
				}
				if err := w.Step(b.Context()); err != nil {
					b.Fatal(err)
				}
				play(b, log, id, day, 10, look)
				b.ReportMetric(float64(events), "events")
				b.ReportMetric(float64(looks), "looks")
				b.StartTimer()
			}
		})
	}
}

// load stores a history and settles it.
func load(t testing.TB, log *store.Store, dwelling string, frames []greywatt.Frame) {
	t.Helper()
	var rs []greywatt.Reading
	for i := range frames {
		rs = framefile.AppendReadings(rs, dwelling, &frames[i])
	}
	commit(t, log, rs)
	if _, err := log.Seal(context.Background(), frames[len(frames)-1].At); err != nil {
		t.Fatal(err)
	}
}

func openStore(t testing.TB) *store.Store {
	t.Helper()
	log, err := store.Open(t.TempDir(), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := log.Close(); err != nil {
			t.Error(err)
		}
	})
	return log
}

func commit(t testing.TB, log *store.Store, rs []greywatt.Reading) {
	t.Helper()
	if len(rs) == 0 {
		return
	}
	if _, err := log.Append(t.Context(), rs); err != nil {
		t.Fatal(err)
	}
}

// Late readings for a time that has passed: no event is reported twice. Where the
// past is shown they are noticed, said, and analysed with the rest, but neither
// at once nor often.
func TestLateReadings(t *testing.T) {
	s := simulate.Accuracy(4, 4)
	house := s.Houses[0]
	from, to := house.Span()
	var late, rest []greywatt.Reading
	for f := range house.Frames(nil) {
		if f.At < from.Add(86400) {
			late = framefile.AppendReadings(late, house.Dwelling.ID, &f)
		} else {
			rest = framefile.AppendReadings(rest, house.Dwelling.ID, &f)
		}
	}
	view := new(shown)
	for _, cfg := range []Config{{}, {View: view}} {
		log := openStore(t)
		commit(t, log, rest)
		cfg.Study, cfg.Log, cfg.Notes = &s.Study, log, log
		w := follow(t, cfg)
		none := func(at greywatt.Instant) {
			t.Helper()
			if n := w.step(at).Events; len(n) > 0 {
				t.Errorf("reported %d events, want none", len(n))
			}
		}
		none(to)
		none(to.Add(120))
		before := view.found.Events.Len()
		commit(t, log, late)
		none(to.Add(121))
		if cfg.View == nil {
			none(to.Add(3600))
			continue
		}
		if !view.found.Late || view.found.Events.Len() != before {
			t.Errorf("late %v with %d events, before %d: want it noticed and not yet analysed", view.found.Late, view.found.Events.Len(), before)
		}
		w.w.followers[0].took = time.Minute
		none(to.Add(121 + againAfter.Seconds()))
		if view.found.Events.Len() != before {
			t.Error("what takes a minute is analysed again after less than a hundred of them")
		}
		none(to.Add(121 + againShare*60))
		if view.found.Late || view.found.Events.Len() <= before {
			t.Errorf("late %v with %d events, before %d: want all", view.found.Late, view.found.Events.Len(), before)
		}
	}
}

// A unit that loses a quarter of its conductance while being logged raises an
// alarm once: a program that is stopped and started goes on where it was.
func TestAlarmIsToldOnce(t *testing.T) {
	s := simulate.Faulty(simulate.StepLoss, 2)
	house := s.Houses[0]
	log := openStore(t)
	var alarms []monitor.Alarm
	w := follow(t, Config{Study: &s.Study, Log: log, Notes: log})
	from, _ := house.Span()
	next := from.Add(86400)
	var waiting []greywatt.Reading
	for f := range house.Frames(nil) {
		if f.At >= next {
			commit(t, log, waiting)
			waiting = waiting[:0]
			if int(next.Sub(from)/86400)%10 == 0 {
				w = follow(t, Config{Study: &s.Study, Log: log, Notes: log}) // the program starts again
			}
			alarms = append(alarms, w.step(next).Alarms...)
			next = next.Add(86400)
		}
		waiting = framefile.AppendReadings(waiting, house.Dwelling.ID, &f)
	}
	if len(alarms) != 1 || alarms[0].What != "conductance" || alarms[0].At < house.Faults[0].From {
		t.Errorf("alarms %+v for a step at %s", alarms, house.Faults[0].From)
	}
	g, err := ReadGuarded(t.Context(), log, house.Dwelling.ID)
	if err != nil || len(g.Alarms) != len(alarms) {
		t.Errorf("the log has %d alarms, reported were %d (%v)", len(g.Alarms), len(alarms), err)
	}
}

// A notebook that cannot be written.
type fullNotebook struct {
	*store.Store
	err error
}

func (n *fullNotebook) SetNote(ctx context.Context, dwelling, key string, value []byte) error {
	if n.err != nil {
		return n.err
	}
	return n.Store.SetNote(ctx, dwelling, key, value)
}

// What cannot be noted is not reported, and is reported once it can be.
func TestTellAfterNoting(t *testing.T) {
	s := simulate.Accuracy(3, 2)
	house := s.Houses[0]
	log := openStore(t)
	notes := &fullNotebook{Store: log}
	reported := 0
	at, to := house.Span()
	now := at.Time()
	w := New(Config{Study: &s.Study, Log: log, Notes: notes, Now: func() time.Time { return now }, OnUpdate: func(n Update) { reported += len(n.Events) }})
	step := func() {
		if err := w.Step(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	step()
	var rs []greywatt.Reading
	for f := range house.Frames(nil) {
		rs = framefile.AppendReadings(rs, house.Dwelling.ID, &f)
	}
	notes.err = errors.New("disk full")
	commit(t, log, rs)
	now = to.Time()
	step()
	if reported != 0 || w.followers[0].found.Trouble == "" {
		t.Errorf("reported %d events that were not noted; trouble %q", reported, w.followers[0].found.Trouble)
	}
	notes.err = nil
	now = now.Add(retryAfter)
	step()
	if reported < 5 || w.followers[0].found.Trouble != "" {
		t.Errorf("reported %d events once they could be noted; trouble %q", reported, w.followers[0].found.Trouble)
	}
}
