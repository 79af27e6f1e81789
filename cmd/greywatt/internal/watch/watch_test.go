package watch

import (
	"context"
	"slices"
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis"
	"greywatt/analysis/simulate"
	"greywatt/cmd/greywatt/internal/framefile"
	"greywatt/ingest/store"
)

// Events that a Watch tells of while readings come in are those that the whole
// data has, each told once, soon after its end.
func TestWatch(t *testing.T) {
	const days = 6
	s := simulate.Accuracy(3, days)
	house := s.Houses[0]
	log, err := store.Open(t.TempDir(), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer log.Close()

	w := New(log, &s.Study)
	var told []analysis.Event
	look := func(now greywatt.Instant) {
		news, err := w.Look(t.Context(), now.Time())
		if err != nil {
			t.Fatal(err)
		}
		events := news.Events
		// Events that follow each other closely are told together.
		if n := len(events); n > 0 {
			if late := now.Sub(events[n-1].End); late > 600 {
				t.Errorf("%s told %.0f s after its end", events[n-1].ID, late)
			}
		}
		told = append(told, events...)
	}
	from, to := house.Span()
	begin := from.Add(3.5 * 86400) // when the program starts; before that the nodes were logged already
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
	look(to.Add(quiet.Seconds())) // nothing more comes: the rest is taken

	a := analysis.NewAnalyser(&s.Study, &s.Study.Dwellings[0])
	var want []string
	for _, e := range a.Push(all) {
		if e.End >= begin {
			want = append(want, e.ID)
		}
	}
	var got []string
	for _, e := range told {
		got = append(got, e.ID)
	}
	if len(want) < 5 || !slices.Equal(got, want) {
		t.Errorf("told of %d events %v\nwant %d %v", len(got), got, len(want), want)
	}
}

func commit(t *testing.T, log *store.Store, rs []greywatt.Reading) {
	t.Helper()
	if len(rs) == 0 {
		return
	}
	if _, err := log.Append(t.Context(), rs); err != nil {
		t.Fatal(err)
	}
}

// Late readings for a time that has passed are left to the analyses of all
// data: no event is told twice.
func TestLateReadings(t *testing.T) {
	s := simulate.Accuracy(4, 4)
	house := s.Houses[0]
	log, err := store.Open(t.TempDir(), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer log.Close()
	from, to := house.Span()
	var late, rest []greywatt.Reading
	for f := range house.Frames(nil) {
		if f.At < from.Add(86400) {
			late = framefile.AppendReadings(late, house.Dwelling.ID, &f)
		} else {
			rest = framefile.AppendReadings(rest, house.Dwelling.ID, &f)
		}
	}
	commit(t, log, rest)
	w := New(log, &s.Study)
	now := to.Time()
	for _, batch := range [][]greywatt.Reading{nil, late, nil} {
		commit(t, log, batch)
		now = now.Add(2 * time.Minute)
		news, err := w.Look(context.Background(), now)
		if err != nil || len(news.Events) > 0 {
			t.Errorf("told of %d events, %v, want none", len(news.Events), err)
		}
	}
}

// A unit that loses a quarter of its conductance while being logged raises an
// alarm once: a program that is stopped and started goes on where it was.
func TestAlarmIsToldOnce(t *testing.T) {
	s := simulate.Faulty(simulate.StepLoss, 2)
	house := s.Houses[0]
	log, err := store.Open(t.TempDir(), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer log.Close()
	var alarms []analysis.Alarm
	w := New(log, &s.Study)
	from, _ := house.Span()
	next := from.Add(86400)
	var waiting []greywatt.Reading
	for f := range house.Frames(nil) {
		if f.At >= next {
			commit(t, log, waiting)
			waiting = waiting[:0]
			if int(next.Sub(from)/86400)%10 == 0 {
				w = New(log, &s.Study) // the program starts again
			}
			news, err := w.Look(t.Context(), next.Time())
			if err != nil {
				t.Fatal(err)
			}
			alarms = append(alarms, news.Alarms...)
			next = next.Add(86400)
		}
		waiting = framefile.AppendReadings(waiting, house.Dwelling.ID, &f)
	}
	if len(alarms) != 1 || alarms[0].What != "conductance" || alarms[0].At < house.Faults[0].From {
		t.Errorf("alarms %+v for a step at %s", alarms, house.Faults[0].From)
	}
	g, err := ReadGuarded(t.Context(), log, house.Dwelling.ID)
	if err != nil || len(g.Alarms) != len(alarms) {
		t.Errorf("the log has %d alarms, told were %d (%v)", len(g.Alarms), len(alarms), err)
	}
}
