package analysis

import (
	"fmt"
	"reflect"
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis/simulate"
)

// Without budgets the events and the findings are the same.
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
		if heat, effectiveness, _ := y.Budgets(); len(heat.Rows)+len(effectiveness.Rows) > 0 {
			t.Fatalf("%s: a budget", y.ID)
		}
		if len(x.budget.ua.Rows) > 0 {
			showers++
			for k := range inNoise {
				if x.budget.ua.Rows[k].U != y.budget.ua.Rows[k].U {
					t.Errorf("%s: clamp %d: u %g, want %g", x.ID, k, y.budget.ua.Rows[k].U, x.budget.ua.Rows[k].U)
				}
			}
		}
		x.budget, y.budget = budgets{}, budgets{}
		if fmt.Sprintf("%+v", x) != fmt.Sprintf("%+v", y) { // NaN equals NaN in print
			t.Errorf("%s differs:\n%+v\n%+v", x.ID, x, y)
		}
	}
	if showers < 3 {
		t.Fatalf("%d showers are no test", showers)
	}
	if x, y := Diagnose(study, &h.Dwelling, a), Diagnose(study, &h.Dwelling, b); !reflect.DeepEqual(x.Findings, y.Findings) {
		t.Errorf("findings differ:\n%+v\n%+v", x.Findings, y.Findings)
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
