package payload

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/fxamacker/cbor/v2"

	"greywatt"
)

type encoder struct {
	name   string
	encode func([]byte, []greywatt.Reading) ([]byte, error)
}

var encoders = []encoder{{"JSON", EncodeJSON}, {"CBOR", encodePackCBOR}}

func TestEncodeRoundTrip(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	var readings []greywatt.Reading
	for range 10_000 {
		c := greywatt.Channel(rng.IntN(greywatt.NumChannels))
		v := rng.Float64()*100 - 20
		switch rng.IntN(4) {
		case 0:
			v = math.Trunc(v)
		case 1:
			v = math.Trunc(v*16) / 16
		case 2:
			v = math.Trunc(v*1000) / 1000
		}
		if c.IsFlow() {
			v /= 100
		}
		// Any microsecond of 2000 to 2026, in any order.
		at := earliest + greywatt.Instant(rng.Int64N(int64(now-earliest)))
		readings = append(readings, greywatt.Reading{Dwelling: "larch-04", Node: "n1", Channel: c, At: at, Value: v})
	}
	for _, e := range encoders {
		pack, err := e.encode(nil, readings)
		if err != nil {
			t.Fatal(err)
		}
		got, rejected := decode(t, onTopic, string(pack))
		wantReasons(t, rejected)
		wantReadings(t, got, readings...)
	}
}

// What is written must be understood by decoders that are not ours, and be
// what RFC 8428 says: one array, base fields in the first record only, integer
// labels in CBOR.
func TestEncodeIsReadByOthers(t *testing.T) {
	readings := []greywatt.Reading{reading(greywatt.WasteIn, 0.25, 37.5), reading(greywatt.Flow, 1.25, 0.125), reading(greywatt.ColdIn, -1, 8.1)}
	type field struct {
		BN string  `json:"bn" cbor:"-2,keyasint"`
		BT float64 `json:"bt" cbor:"-3,keyasint"`
		BU string  `json:"bu" cbor:"-4,keyasint"`
		N  string  `json:"n" cbor:"0,keyasint"`
		U  string  `json:"u" cbor:"1,keyasint"`
		V  float64 `json:"v" cbor:"2,keyasint"`
		T  float64 `json:"t" cbor:"6,keyasint"`
	}
	want := []field{
		{"larch-04/n1/", 1767772800, "Cel", "waste-in", "", 37.5, 0.25},
		{"", 0, "", "flow", "l/s", 0.125, 1.25},
		{"", 0, "", "cold-in", "", 8.1, -1},
	}
	for _, e := range encoders {
		pack, err := e.encode([]byte("before "), readings)
		if err != nil {
			t.Fatal(err)
		}
		if string(pack[:7]) != "before " {
			t.Errorf("%s does not append", e.name)
		}
		var got []field
		if e.name == "JSON" {
			err = json.Unmarshal(pack[7:], &got)
		} else {
			err = cbor.Unmarshal(pack[7:], &got)
		}
		if err != nil {
			t.Fatalf("%s: %v", e.name, err)
		}
		for i := range want {
			if i >= len(got) || got[i] != want[i] {
				t.Errorf("%s: %+v, want %+v", e.name, got, want)
				break
			}
		}
	}
}

func TestEncodeRefuses(t *testing.T) {
	ok := reading(greywatt.ColdIn, 0, 8)
	with := func(change func(*greywatt.Reading)) greywatt.Reading {
		r := ok
		change(&r)
		return r
	}
	tests := []struct {
		name     string
		readings []greywatt.Reading
	}{
		{"nothing", nil},
		{"two nodes", []greywatt.Reading{ok, with(func(r *greywatt.Reading) { r.Node = "n2" })}},
		{"two dwellings", []greywatt.Reading{ok, with(func(r *greywatt.Reading) { r.Dwelling = "larch-05" })}},
		{"NaN", []greywatt.Reading{with(func(r *greywatt.Reading) { r.Value = math.NaN() })}},
		{"infinity", []greywatt.Reading{ok, with(func(r *greywatt.Reading) { r.Value = math.Inf(1) })}},
		{"a dwelling that SenML cannot name", []greywatt.Reading{with(func(r *greywatt.Reading) { r.Dwelling = "Lärche 4" })}},
		{"a slash in the node", []greywatt.Reading{with(func(r *greywatt.Reading) { r.Node = "n/1" })}},
		{"no node", []greywatt.Reading{with(func(r *greywatt.Reading) { r.Node = "" })}},
	}
	for _, tt := range tests {
		for _, e := range encoders {
			if pack, err := e.encode(nil, tt.readings); err == nil {
				t.Errorf("%s, %s: encoded as %q", tt.name, e.name, pack)
			}
		}
	}
}
