package event

import (
	"math"
	"reflect"
	"slices"
	"testing"

	"greywatt"
	"greywatt/analysis/simulate"
	"greywatt/analysis/uncert"
	"greywatt/analysis/wire"
)

// Every field of a sensor is carried over, whatever is added to the type.
func TestSensorIsCarried(t *testing.T) {
	var s greywatt.Sensor
	fill(reflect.ValueOf(&s).Elem(), new(int))
	var w wire.Writer
	putSensor(&w, &s)
	r, err := wire.Open(w.Sealed("x"), "x")
	if err != nil {
		t.Fatal(err)
	}
	if got := takeSensor(r); got != s || r.End() != nil {
		t.Errorf("got %+v, %v\nwant %+v", got, r.End(), s)
	}
}

// fill gives every field another value.
func fill(v reflect.Value, n *int) {
	*n++
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			fill(v.Field(i), n)
		}
	case reflect.String:
		v.SetString(string(rune('a' + *n)))
	case reflect.Float64:
		v.SetFloat(float64(*n) / 7)
	case reflect.Uint8:
		v.SetUint(uint64(*n))
	case reflect.Int:
		v.SetInt(int64(*n))
	default:
		panic(v.Kind())
	}
}

// Events packed and read again are the same to the last bit, budgets too, those
// whose rows are of no model as well.
func TestPack(t *testing.T) {
	h := simulate.NewHouse("d", 5, simulate.Options{Days: 6, WasteFlow: true, ShowersPerDay: 3})
	events := eventsOfHouse(h)
	odd := events[0]
	odd.Budgets.Whole = uncert.Budget{Value: math.Inf(1), U: math.Copysign(0, -1), Rows: []uncert.Row{
		{Name: "", Value: 3, U: 2, Sensitivity: math.Copysign(0, -1), Contribution: 1, Share: math.NaN()},
		{Name: "", Value: math.NaN(), U: math.NaN()},
	}}
	odd.Flags = []Flag{"some", "other", "some"}
	events = append(events, odd)
	var w wire.Writer
	Pack(&w, events)
	r := wire.Unsealed(w.Sealed("")[:w.Len()])
	got := Unpack(r, "d")
	if err := r.End(); err != nil || len(got) != len(events) {
		t.Fatalf("%d events of %d, %v", len(got), len(events), err)
	}
	rows := 0
	for i := range events {
		if !alike(reflect.ValueOf(got[i]), reflect.ValueOf(events[i])) {
			t.Errorf("%s:\n%+v\nwant\n%+v", events[i].ID, got[i], events[i])
		}
		rows += len(events[i].Budgets.Effectiveness.Rows)
	}
	if rows < 100 {
		t.Errorf("%d rows of budgets are no test", rows)
	}
	t.Logf("%d events of %d bytes each", len(events), w.Len()/len(events))
}

// alike tells values by their bits; all that are not numbers are alike, and so are
// nothing and an empty slice.
func alike(a, b reflect.Value) bool {
	switch a.Kind() {
	case reflect.Struct:
		return !slices.ContainsFunc(reflect.VisibleFields(a.Type()), func(f reflect.StructField) bool {
			return !alike(a.FieldByIndex(f.Index), b.FieldByIndex(f.Index))
		})
	case reflect.Slice:
		if a.Len() != b.Len() {
			return false
		}
		for i := range a.Len() {
			if !alike(a.Index(i), b.Index(i)) {
				return false
			}
		}
		return true
	case reflect.Float64:
		x, y := a.Float(), b.Float()
		return math.IsNaN(x) && math.IsNaN(y) || sameBits(x, y)
	case reflect.Pointer:
		return a.IsNil() && b.IsNil()
	}
	return a.Equal(b)
}
