package live

import (
	"cmp"
	"errors"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/cmd/greywatt/internal/watch"
	"greywatt/ingest"
	"greywatt/ingest/store"
)

// batch analyses frames at one go, as the export does.
func batch(study *greywatt.Study, frames []greywatt.Frame) ([]event.Event, finding.Diagnosis) {
	a := event.NewAnalyser(study, &study.Dwellings[0])
	events := slices.Concat(a.Push(frames), a.Close())
	return events, finding.Diagnose(study, &study.Dwellings[0], event.All(events), nil)
}

// sameFigures compares events by all that is exported of them; NaN is NaN.
func sameFigures(a, b *event.Event) bool {
	va, vb := reflect.ValueOf(*a), reflect.ValueOf(*b)
	for i := range va.NumField() {
		switch {
		case va.Type().Field(i).Name == "Budgets" || va.Field(i).Kind() == reflect.Slice:
		case va.Field(i).Kind() == reflect.Float64:
			x, y := va.Field(i).Float(), vb.Field(i).Float()
			if x != y && !(math.IsNaN(x) && math.IsNaN(y)) {
				return false
			}
		case !va.Field(i).Equal(vb.Field(i)):
			return false
		}
	}
	return true
}

// followed returns a page with an empty log, a clock to be set and what follows the log
// for the page, step by step.
func followed(t *testing.T, study *greywatt.Study) (*store.Store, *testClock, *Page, *watch.Watch) {
	t.Helper()
	log, clock := openStore(t), &testClock{}
	p := New(Config{Study: study, Log: log, Rejected: log, Now: clock.now})
	return log, clock, p, watching(p, log)
}

// What a follower has found step by step, starting in the middle, is what the
// analysis of the whole finds.
func TestFollowerFindsWhatTheWholeHas(t *testing.T) {
	study, frames := house(t, 5)
	log, clock, p, w := followed(t, study)
	d := p.dwellings[0]
	half := len(frames) / 2
	commit(t, log, d.ID, frames[:half])
	clock.set(frames[half-1].At)
	settle(t, w)
	if !d.past.Ready || d.past.Events.Len() == 0 {
		t.Fatal("nothing found in the half that was there")
	}
	// Water is seen to run, and figures so far come, while it does.
	sums := 0
	for at := half; at < len(frames); {
		next := at
		for next < len(frames) && frames[next].At.Sub(frames[at].At) < 60 {
			next++
		}
		p.spread(commit(t, log, d.ID, frames[at:next]))
		clock.set(frames[next-1].At)
		settle(t, w)
		if e := d.past.Provisional; e != nil && finite(e.Effectiveness) {
			sums++
		}
		at = next
	}
	clock.at = clock.at.Add(aWhile)
	settle(t, w) // nothing more comes: the rest is taken
	want, diagnosis := batch(study, frames)
	if len(want) < 20 || sums < 20 {
		t.Fatalf("%d events, %d figures so far: too few to tell anything", len(want), sums)
	}
	if d.past.Events.Len() != len(want) {
		t.Fatalf("%d events, want %d", d.past.Events.Len(), len(want))
	}
	for i := range want {
		if got := d.past.Events.Event(i); !sameFigures(&got, &want[i]) {
			t.Errorf("event %s differs: %+v\nwant %+v", want[i].ID, got, want[i])
		}
	}
	if !reflect.DeepEqual(d.past.Diagnosis.Findings, diagnosis.Findings) {
		t.Errorf("findings %v, want %v", d.past.Diagnosis.Findings, diagnosis.Findings)
	}
	if d.past.Complete.Share < 0.9 || d.past.Late || d.past.Trouble != "" {
		t.Errorf("completeness %v, late %v, trouble %q", d.past.Complete.Share, d.past.Late, d.past.Trouble)
	}
}

// The figures so far of a shower, once it is over, are those of the event.
func TestSoFarEndsAsTheEvent(t *testing.T) {
	study, frames := house(t, 3)
	events, _ := batch(study, frames)
	i := slices.IndexFunc(events, func(e event.Event) bool {
		return e.Kind == event.Shower && finite(e.Effectiveness) && e.DurationS > 240
	})
	if i < 0 {
		t.Fatal("no shower")
	}
	shower := events[i]
	log, clock, p, w := followed(t, study)
	d := p.dwellings[0]
	upTo := func(at greywatt.Instant) {
		n, _ := slices.BinarySearchFunc(frames, at, func(f greywatt.Frame, at greywatt.Instant) int { return cmp.Compare(f.At, at) })
		p.spread(commit(t, log, d.ID, frames[:n]))
		clock.set(at)
		settle(t, w)
		settle(t, w) // the first may have been the run over the whole
	}
	upTo(shower.Start.Add(90))
	if d.past.Provisional == nil || d.past.Provisional.ID != shower.ID {
		t.Fatalf("nothing so far in the middle of %s: %v", shower.ID, d.past.Provisional)
	}
	if part := d.soFarPart(p.clock()); !strings.Contains(part.Head, "shower") || part.Why != "" && finite(d.past.Provisional.Effectiveness) {
		t.Errorf("part %+v", part)
	}
	early := d.past.Provisional.HeatKWh
	upTo(shower.End.Add(100))
	if d.past.Provisional == nil || !(d.past.Provisional.HeatKWh > early) {
		t.Fatalf("heat did not grow: %v after %v", d.past.Provisional, early)
	}
	if math.Abs(d.past.Provisional.HeatKWh-shower.HeatKWh) > 0.02*shower.HeatKWh || math.Abs(d.past.Provisional.Effectiveness-shower.Effectiveness) > 0.01 {
		t.Errorf("so far %v kWh, %v; in the end %v kWh, %v", d.past.Provisional.HeatKWh, d.past.Provisional.Effectiveness, shower.HeatKWh, shower.Effectiveness)
	}
	if part := d.soFarPart(p.clock()); !strings.Contains(part.Why, "stopped") {
		t.Errorf("the end of the water goes unsaid: %+v", part)
	}
	upTo(shower.End.Add(400))
	if _, ok := d.past.Events.Find(shower.ID); !ok || d.past.Provisional != nil {
		t.Errorf("still so far: %v; over: %t", d.past.Provisional, ok)
	}
}

// Readings for a time that is passed are noticed, said, and analysed anew, but
// not at once and not often.
func TestLateReadings(t *testing.T) {
	study, frames := house(t, 4)
	log, clock, p, w := followed(t, study)
	d := p.dwellings[0]
	// A day in the middle is held back.
	from, to := frames[0].At.Add(1.5*86400), frames[0].At.Add(2.5*86400)
	var late, there []greywatt.Frame
	for _, f := range frames {
		if f.At >= from && f.At < to {
			late = append(late, f)
		} else {
			there = append(there, f)
		}
	}
	commit(t, log, d.ID, there)
	clock.set(frames[len(frames)-1].At)
	settle(t, w)
	clock.at = clock.at.Add(aWhile)
	settle(t, w)
	before := d.past.Events.Len()

	commit(t, log, d.ID, late)
	settle(t, w)
	if !d.past.Late || d.past.Events.Len() != before {
		t.Fatalf("late %v with %d events, before %d: want it noticed and not yet analysed", d.past.Late, d.past.Events.Len(), before)
	}
	if text := fragment("findings", d.findingsPart(p.clock())); !strings.Contains(text, "Late readings") {
		t.Errorf("the page does not say it: %s", text)
	}
	clock.at = clock.at.Add(10 * time.Minute)
	settle(t, w)
	want, _ := batch(study, frames)
	if d.past.Late || d.past.Events.Len() != len(want) {
		t.Errorf("late %v, %d events, want %d", d.past.Late, d.past.Events.Len(), len(want))
	}
}

// A damaged part is left out and said; it is not taken for late readings.
func TestDamage(t *testing.T) {
	study, frames := house(t, 2)
	st := openStore(t)
	log := &faultyLog{Store: st, damage: &ingest.CorruptError{File: "f", Dwelling: study.Dwellings[0].ID, Node: "n1", Err: errors.New("checksum")}}
	clock := &testClock{}
	p := New(Config{Study: study, Log: log, Rejected: st, Now: clock.now})
	w := watching(p, log)
	d := p.dwellings[0]
	commit(t, st, d.ID, frames)
	clock.set(frames[len(frames)-1].At)
	settle(t, w)
	if !d.past.Ready || d.past.Damaged != 1 || d.past.Events.Len() == 0 {
		t.Fatalf("ready %v, %d parts damaged, %d events", d.past.Ready, d.past.Damaged, d.past.Events.Len())
	}
	if text := fragment("findings", d.findingsPart(p.clock())); !strings.Contains(text, "1 part of the log cannot be read") {
		t.Errorf("the page does not say it: %s", text)
	}
	for range 3 {
		clock.at = clock.at.Add(aWhile)
		settle(t, w)
	}
	if d.past.Late {
		t.Error("damage is taken for late readings")
	}
}

// A log that cannot be read is said, tried again after a rest, and no page
// stands still for it.
func TestUnreadableLog(t *testing.T) {
	study, frames := house(t, 1)
	st := openStore(t)
	log := &faultyLog{Store: st, damage: errors.New("disk gone")}
	clock := &testClock{}
	p := New(Config{Study: study, Log: log, Rejected: st, Now: clock.now})
	w := watching(p, log)
	d := p.dwellings[0]
	commit(t, st, d.ID, frames)
	clock.set(frames[len(frames)-1].At)
	settle(t, w)
	if d.past.Ready || !strings.Contains(d.past.Trouble, "disk gone") {
		t.Fatalf("ready %v, trouble %q", d.past.Ready, d.past.Trouble)
	}
	if r := d.row(p.clock()); r.Finding != "The log cannot be read" || !r.Wants {
		t.Errorf("row %+v", r)
	}
	log.damage = nil
	settle(t, w)
	if d.past.Ready {
		t.Error("tried again at once")
	}
	clock.at = clock.at.Add(aWhile)
	settle(t, w)
	if !d.past.Ready || d.past.Trouble != "" {
		t.Errorf("ready %v, trouble %q", d.past.Ready, d.past.Trouble)
	}
	log.err = errors.New("no such table")
	settle(t, w)
	if n := p.notices(); len(n) != 1 || !strings.Contains(n[0], "no such table") {
		t.Errorf("notices %q", n)
	}
	log.err = nil
	settle(t, w)
	if len(p.notices()) != 0 {
		t.Errorf("notices %q after it can be read again", p.notices())
	}
}

func TestState(t *testing.T) {
	now := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	at := func(ago time.Duration) greywatt.Instant { return greywatt.InstantOf(now.Add(-ago)) }
	one := func(heard, up bool) []watch.Node { return []watch.Node{{Heard: heard, Up: up, Since: at(time.Hour)}} }
	for _, test := range []struct {
		name   string
		newest greywatt.Instant
		flow   float64
		nodes  []watch.Node
		want   state
		words  string
	}{
		{"nothing yet", 0, 0, nil, never, "No readings yet"},
		{"connected, nothing yet", 0, 0, one(true, true), never, "Up, no readings yet"},
		{"water", at(time.Second), 8, one(true, true), running, "Water runs"},
		{"water a while ago", at(2 * time.Minute), 8, one(true, true), up, "Up"},
		{"rest", at(time.Minute), 0, one(true, true), up, "Up"},
		{"gathers for an hour", at(time.Hour), 0, one(true, true), up, "Up"},
		{"up and silent", at(2 * time.Hour), 0, one(true, true), silent, "Silent for 2 h"},
		{"does not report, silent", at(20 * time.Minute), 0, one(false, false), silent, "Silent for 20 min"},
		{"does not report, sends", at(10 * time.Minute), 0, one(false, false), up, "Up"},
		{"down", at(time.Minute), 0, one(true, false), down, "Down since 12:00"},
		{"down for long", at(72 * time.Hour), 0, one(true, false), down, "Down since 12:00"},
		{"one of two", at(time.Minute), 0, append(one(true, true), one(true, false)...), partly, "1 of 2 nodes down"},
	} {
		d := newDwelling(&twoDwellings().Dwellings[1])
		d.held = watch.Inventory{Newest: test.newest, Nodes: test.nodes}
		if test.newest != 0 {
			d.present.take(d.Dwelling, &greywatt.Reading{Channel: greywatt.Flow, At: test.newest, Value: test.flow / litreMin})
		}
		c := clock{zone: time.FixedZone("", 3600), now: now.In(time.FixedZone("", 3600))}
		if got := d.stateWords(c); got.Is != test.want || got.Words != test.words {
			t.Errorf("%s: %s, %q; want %s, %q", test.name, got.Is, got.Words, test.want, test.words)
		}
	}
}
