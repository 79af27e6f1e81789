package event

import (
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis/simulate"
)

// eventsOfHouse are the events of a simulated house.
func eventsOfHouse(h *simulate.House) []Event {
	study := &greywatt.Study{Timezone: h.Timezone, Dwellings: []greywatt.Dwelling{h.Dwelling}}
	a := NewAnalyser(study, &study.Dwellings[0])
	var events []Event
	for f := range h.Frames(nil) {
		events = append(events, a.Push([]greywatt.Frame{f})...)
	}
	return append(events, a.Close()...)
}

func TestHistory(t *testing.T) {
	for _, house := range simulate.Demo(4, 8, time.UTC).Houses[:3] {
		events := eventsOfHouse(house)
		var h History
		var before History
		for i := range events {
			h.Add(events[i])
			if i == len(events)/2 {
				before = h
			}
		}
		if h.Len() != len(events) || h.Len() < 10 || before.Len() != len(events)/2+1 {
			t.Fatalf("%d events and %d, want %d and %d", h.Len(), before.Len(), len(events), len(events)/2+1)
		}
		for i, want := range events {
			for _, from := range []*History{&h, &before} {
				if i >= from.Len() {
					continue
				}
				if k, ok := from.Find(want.ID); k != i || !ok {
					t.Fatalf("%s: at %d, want %d", want.ID, k, i)
				}
				same(t, from.Event(i), want)
			}
		}
		if _, ok := h.Find(eventID(house.Dwelling.ID, events[0].Start.Add(-1))); ok {
			t.Error("an event before the first")
		}
	}
}

// same compares all but the budgets, of which the clamps' u is kept.
func same(t *testing.T, got, want Event) {
	t.Helper()
	for k := range min(offsetRows, len(want.Budgets.UA.Rows)) {
		if g, w := got.Budgets.UA.Rows[k].U, want.Budgets.UA.Rows[k].U; g != w {
			t.Errorf("%s: clamp %d: u %g, want %g", want.ID, k, g, w)
		}
	}
	got.Budgets, want.Budgets = Budgets{}, Budgets{}
	if g, w := fmt.Sprintf("%+v", got), fmt.Sprintf("%+v", want); g != w { // in print NaN equals NaN
		t.Errorf("%s differs:\n%s\n%s", want.ID, g, w)
	}
}

// Every field, whatever is added to the types, has its place.
func TestHistoryHasAllFields(t *testing.T) {
	n := 0.0
	var e Event
	for _, p := range e.numbers() {
		n++
		*p = n / 7
	}
	if got, want := len(e.numbers()), numbersIn(reflect.TypeFor[Event]()); got != want {
		t.Errorf("%d numbers of an event are kept, it has %d", got, want)
	}
	var p Part
	if got, want := len(p.numbers()), numbersIn(reflect.TypeFor[Part]()); got != want {
		t.Errorf("%d numbers of a part are kept, it has %d", got, want)
	}
	e.Dwelling, e.Connection, e.Kind = "d", greywatt.ConnectionB, Partial
	e.Start, e.End = 1e15, 2e15
	e.ID = eventID(e.Dwelling, e.Start)
	e.Flags = []Flag{FlagReversed, FlagGap}
	e.Ratio, e.Balance = math.Inf(1), math.NaN()
	for i := range 3 {
		p := Part{Span: Span{greywatt.Instant(10 * i), greywatt.Instant(10*i + 5)}, Overlap: i == 1}
		for _, v := range p.numbers() {
			n++
			*v = -n / 7
		}
		e.Parts, e.Steady = append(e.Parts, p), append(e.Steady, p.Span)
	}
	var h History
	h.Add(e)
	same(t, h.Event(0), e)
}

// numbersIn counts the numbers of a struct, those of its arrays too.
func numbersIn(of reflect.Type) (n int) {
	for i := range of.NumField() {
		switch f := of.Field(i).Type; {
		case f.Kind() == reflect.Float64:
			n++
		case f.Kind() == reflect.Array && f.Elem().Kind() == reflect.Float64:
			n += f.Len()
		case f == reflect.TypeFor[greywatt.Ports[float64]]():
			n += numbersIn(f)
		}
	}
	return n
}

// A dwelling that was reconnected keeps the connection of each event.
func TestHistoryOfReconnected(t *testing.T) {
	var h History
	h.Add(Event{Dwelling: "a", Connection: greywatt.ConnectionA}, Event{Dwelling: "a", Connection: greywatt.ConnectionC, Start: 1}, Event{Dwelling: "a", Connection: greywatt.ConnectionA, Start: 2})
	for i, want := range []greywatt.Connection{greywatt.ConnectionA, greywatt.ConnectionC, greywatt.ConnectionA} {
		if got := h.Event(i).Connection; got != want {
			t.Errorf("event %d has connection %s, want %s", i, got, want)
		}
	}
}

// Copies stay what they were, over all blocks that fill up since.
func TestHistoryInBlocks(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	var h History
	var copies []History
	var events []Event
	for i := range 600 {
		e := New()
		e.Dwelling, e.Connection, e.Kind = "d", greywatt.ConnectionA, Shower
		e.Start = greywatt.Instant(i) * 3600e6
		e.End = e.Start.Add(float64(rng.IntN(3000)))
		e.ID = eventID("d", e.Start)
		for _, v := range e.numbers() {
			switch rng.IntN(4) {
			case 0:
				*v = float64(rng.IntN(500) - 200)
			case 1:
				*v = rng.NormFloat64()
			case 2:
				*v = e.DurationS
			}
		}
		h.Add(e)
		copies, events = append(copies, h), append(events, e)
	}
	if len(h.full) < 3 {
		t.Fatalf("%d blocks are full, want some", len(h.full))
	}
	for n, c := range copies {
		if c.Len() != n+1 {
			t.Fatalf("a copy has %d events, want %d", c.Len(), n+1)
		}
		for _, i := range []int{0, n / 2, n} {
			same(t, c.Event(i), events[i])
		}
	}
}

func TestHistoryIsOfOneDwelling(t *testing.T) {
	defer func() {
		if recover() == nil {
			t.Error("events of two dwellings went in")
		}
	}()
	var h History
	h.Add(Event{Dwelling: "a"}, Event{Dwelling: "b"})
}

// BenchmarkHistory takes in four weeks of events; its memory is what matters.
func BenchmarkHistory(b *testing.B) {
	events := eventsOfHouse(simulate.Demo(1, 28, time.UTC).Houses[0])
	b.ReportAllocs()
	var h History
	for b.Loop() {
		h = History{}
		h.Add(events...)
	}
	held := cap(h.open) + 4*cap(h.at)
	for _, block := range h.full {
		held += cap(block)
	}
	b.ReportMetric(float64(held)/float64(len(events)), "B/event")
}

// A draw of hours has hundreds of steady parts, and none is lost: counts about
// what a byte holds.
func TestHistoryOfManyParts(t *testing.T) {
	var events []Event
	for i, n := range []int{0, 1, 255, 256, 257, 375, 70_000} {
		e := New()
		e.Dwelling, e.Connection = "d", greywatt.ConnectionA
		e.Start = greywatt.Instant(i) * 86400e6
		e.End, e.ID, e.Kind = e.Start.Add(3600), eventID("d", e.Start), Shower
		for k := range n {
			span := Span{From: e.Start.Add(float64(k)), To: e.Start.Add(float64(k) + 0.5)}
			e.Parts, e.Steady = append(e.Parts, Part{Span: span, FlowLMin: float64(k)}), append(e.Steady, span)
		}
		events = append(events, e)
	}
	var h History
	h.Add(events...)
	for i, want := range events {
		got := h.Event(i)
		if len(got.Parts) != len(want.Parts) || len(got.Steady) != len(want.Steady) {
			t.Errorf("%d parts and %d spans, want %d", len(got.Parts), len(got.Steady), len(want.Parts))
			continue
		}
		same(t, got, want)
	}
}
