package kept

import (
	"math/rand/v2"
	"reflect"
	"testing"
	"unsafe"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// fill gives all fields below v random values, those that are not exported too.
func fill(rng *rand.Rand, v reflect.Value) {
	switch v.Kind() {
	case reflect.Bool:
		v.SetBool(rng.IntN(2) == 1)
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		v.SetInt(rng.Int64N(200) - 100)
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		v.SetUint(rng.Uint64N(200))
	case reflect.Float64:
		v.SetFloat(rng.NormFloat64())
	case reflect.String:
		v.SetString(string('a' + rune(rng.IntN(26))))
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		fill(rng, v.Elem())
	case reflect.Struct:
		for i := range v.NumField() {
			f := v.Field(i)
			fill(rng, reflect.NewAt(f.Type(), unsafe.Pointer(f.UnsafeAddr())).Elem())
		}
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 2, 2))
		fallthrough
	case reflect.Array:
		for i := range v.Len() {
			fill(rng, v.Index(i))
		}
	default:
		panic(v.Type().String() + " in a diagnosis: appendValue is to keep it too")
	}
}

// Every field of a diagnosis comes back, and damaged bytes are an error or another
// diagnosis: never a panic.
func TestLossless(t *testing.T) {
	all := cmp.Exporter(func(reflect.Type) bool { return true })
	rng := rand.New(rand.NewPCG(4, 5))
	for range 20 {
		var d, back Diagnosed
		fill(rng, reflect.ValueOf(&d).Elem())
		b, err := lossless(&d)
		if err != nil {
			t.Fatal(err)
		}
		if err := restore(b, &back); err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(d, back, all, cmpopts.EquateNaNs()); diff != "" {
			t.Fatal(diff)
		}
		for n := range b {
			if restore(b[:n], new(Diagnosed)) == nil {
				t.Fatalf("%d bytes of %d are taken for all", n, len(b))
			}
			damaged := append([]byte(nil), b...)
			damaged[n] ^= byte(1 + rng.IntN(255))
			_ = restore(damaged, new(Diagnosed))
		}
	}
	self := struct{ Next any }{}
	if _, err := lossless(&self); err == nil {
		t.Error("a value of any type is kept")
	}
}
