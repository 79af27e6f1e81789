package event

import (
	"fmt"
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis/simulate"
)

// Without budgets the events are the same.
func TestOmitBudgets(t *testing.T) {
	h := simulate.Demo(3, 5, time.UTC).Houses[1]
	study := &greywatt.Study{Dwellings: []greywatt.Dwelling{h.Dwelling}}
	full, lean := NewAnalyser(study, &h.Dwelling), NewAnalyser(study, &h.Dwelling)
	lean.OmitBudgets()
	var a, b []Event
	for f := range h.Frames(nil) {
		one := []greywatt.Frame{f}
		a, b = append(a, full.Push(one)...), append(b, lean.Push(one)...)
	}
	a, b = append(a, full.Close()...), append(b, lean.Close()...)
	showers := 0
	for i := range a {
		x, y := a[i], b[i]
		if len(y.Budgets.Heat.Rows)+len(y.Budgets.Effectiveness.Rows) > 0 {
			t.Fatalf("%s: a budget", y.ID)
		}
		if len(x.Budgets.UA.Rows) > 0 {
			showers++
			for k := range offsetRows {
				if x.Budgets.UA.Rows[k].U != y.Budgets.UA.Rows[k].U {
					t.Errorf("%s: clamp %d: u %g, want %g", x.ID, k, y.Budgets.UA.Rows[k].U, x.Budgets.UA.Rows[k].U)
				}
			}
		}
		x.Budgets, y.Budgets = Budgets{}, Budgets{}
		if fmt.Sprintf("%+v", x) != fmt.Sprintf("%+v", y) { // NaN equals NaN in print
			t.Errorf("%s differs:\n%+v\n%+v", x.ID, x, y)
		}
	}
	if showers < 3 {
		t.Fatalf("%d showers are no test", showers)
	}
}

// Between sessions, whoever follows readings as they come holds no memory of
// one, even after a history read in bulk.
func TestMemoryIsGivenBack(t *testing.T) {
	h := simulate.Demo(3, 2, time.UTC).Houses[0]
	study := &greywatt.Study{Dwellings: []greywatt.Dwelling{h.Dwelling}}
	var frames []greywatt.Frame
	for f := range h.Frames(nil) {
		frames = append(frames, f)
	}
	a := NewAnalyser(study, &h.Dwelling)
	last := len(frames) - 1
	if len(a.Push(frames[:last])) == 0 || a.work.all == nil {
		t.Fatal("no session in two days")
	}
	a.Push(frames[last:])
	if a.work.all != nil || a.work.rating != nil {
		t.Errorf("%d numbers and the rating %v are still held", len(a.work.all), a.work.rating)
	}
	for c := range a.buf {
		if b := &a.buf[c]; cap(b.v) > 2*len(b.v)+64 {
			t.Errorf("%s: room for %d readings is held for %d", greywatt.Channel(c), cap(b.v), len(b.v))
		}
	}
}
