package wire

import (
	"errors"
	"math"
	"testing"
)

func TestRoundTrip(t *testing.T) {
	var w Writer
	w.Count(300)
	w.Int(-5)
	w.Byte(7)
	w.Bool(true)
	w.Float(math.NaN())
	w.Float(math.Copysign(0, -1))
	w.At(1e15)
	w.At(1e15 - 3)
	w.String("pear")
	w.Bytes([]byte{1, 2})
	const form = "test 1"
	b := w.Sealed(form)
	r, err := Open(b, form)
	if err != nil {
		t.Fatal(err)
	}
	if n := r.Count(0); n != 300 {
		t.Error(n)
	}
	if v := r.Int(); v != -5 {
		t.Error(v)
	}
	if v := r.Byte(); v != 7 {
		t.Error(v)
	}
	if !r.Bool() {
		t.Error("false")
	}
	if v := r.Float(); !math.IsNaN(v) {
		t.Error(v)
	}
	if v := r.Float(); v != 0 || !math.Signbit(v) {
		t.Error(v)
	}
	if a, b := r.At(), r.At(); a != 1e15 || b != 1e15-3 {
		t.Error(a, b)
	}
	if s := r.String(); s != "pear" {
		t.Error(s)
	}
	if b := r.Bytes(2); len(b) != 2 || b[1] != 2 {
		t.Error(b)
	}
	if err := r.End(); err != nil {
		t.Error(err)
	}
	if r.Int() != 0 || !errors.Is(r.Err(), ErrDamaged) {
		t.Error("reads on behind the end")
	}
	if _, err := Open(b, "test 2"); !errors.Is(err, ErrDamaged) {
		t.Errorf("another form: %v", err)
	}
	for bit := range 8 * len(b) {
		b[bit/8] ^= 1 << (bit % 8)
		if _, err := Open(b, form); !errors.Is(err, ErrDamaged) {
			t.Errorf("bit %d turned: %v", bit, err)
		}
		b[bit/8] ^= 1 << (bit % 8)
	}
}

// A count is refused where there are not bytes enough for what it counts, and an
// index where it is in no table.
func TestCountIsBounded(t *testing.T) {
	var w Writer
	w.Count(1000)
	w.Bytes(make([]byte, 999))
	if n := Unsealed(w.Sealed("")).Count(1); n != 1000 { // with the sum, 1003 bytes
		t.Error(n)
	}
	for _, read := range []func(r *Reader) int{
		func(r *Reader) int { return r.Count(2) },
		func(r *Reader) int { return r.Index(1000) },
		func(r *Reader) int { return len(r.Bytes(2000)) },
		func(r *Reader) int { return len(r.Bytes(-1)) },
	} {
		r := Unsealed(w.Sealed(""))
		if n := read(r); n != 0 || r.Err() == nil {
			t.Error(n, r.Err())
		}
	}
	huge := Unsealed([]byte{255, 255, 255, 255, 255, 255, 255, 255, 255, 1})
	if n := huge.Count(0); n != 0 || huge.Err() == nil {
		t.Error(n)
	}
}
