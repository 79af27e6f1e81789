package payload

import (
	"bytes"
	"math"
	"strings"
	"testing"

	"github.com/fxamacker/cbor/v2"

	"greywatt"
	"greywatt/ingest"
)

// encodeCBOR writes v with a library that has no part in the decoder.
func encodeCBOR(t testing.TB, v any) []byte {
	t.Helper()
	b, err := cbor.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestCBORNumbers(t *testing.T) {
	// Examples of RFC 8949 are from memory.
	tests := []struct {
		name  string
		value any
		want  float64
	}{
		{"integer", 21, 21},
		{"negative integer", -21, -21},
		{"half", cbor.RawMessage("\xf9\x4d\x20"), 20.5},               // 1.28125 · 2^4
		{"half, subnormal", cbor.RawMessage("\xf9\x00\x01"), 0x1p-24}, // RFC 8949 appendix A
		{"half, largest below 120", cbor.RawMessage("\xf9\x57\x7f"), 119.9375},
		{"half, negative", cbor.RawMessage("\xf9\xc4\x00"), -4}, // RFC 8949 appendix A
		{"single", float32(20.1), float64(float32(20.1))},
		{"double", 20.1, 20.1},
		{"decimal fraction", cbor.Tag{Number: 4, Content: []int{-2, 2715}}, 27.15},
		{"decimal fraction, negative", cbor.Tag{Number: 4, Content: []int{-1, -205}}, -20.5},
		{"decimal fraction, exponent above 0", cbor.Tag{Number: 4, Content: []int{1, 2}}, 20},
	}
	for _, tt := range tests {
		pack := encodeCBOR(t, []any{map[any]any{0: "cold-in", 1: "Cel", 2: tt.value}})
		readings, rejected := decode(t, onTopic, string(pack))
		wantReasons(t, rejected)
		if len(readings) != 1 || readings[0].Value != tt.want {
			t.Errorf("%s: %+v, want %v", tt.name, readings, tt.want)
		}
	}
}

// Every half float against the library's decoder.
func TestHalfFloats(t *testing.T) {
	for h := range 1 << 16 {
		var want float64
		if err := cbor.Unmarshal([]byte{0xf9, byte(h >> 8), byte(h)}, &want); err != nil {
			t.Fatal(err)
		}
		got := halfFloat(uint16(h))
		if got != want && !(math.IsNaN(got) && math.IsNaN(want)) {
			t.Fatalf("%#04x: %v, want %v", h, got, want)
		}
		if back, ok := toHalf(got); ok && back != uint16(h) {
			t.Fatalf("%#04x: %v encodes as %#04x", h, got, back)
		}
	}
}

// Each row has a good record before and after the bad one: they must count.
func TestCBORRefusesOneRecord(t *testing.T) {
	deep := any(1)
	for range maxDepth / 2 {
		deep = []any{deep}
	}
	tests := []struct {
		name   string
		record any
		reason ingest.Reason // empty: a reading, 20 Cel
	}{
		{"labels spelt out", map[string]any{"n": "waste-in", "v": 20}, ""},
		{"an unknown label, nested", map[any]any{0: "waste-in", 2: 20, "x": deep}, ""},
		{"an unknown number for a label", map[any]any{0: "waste-in", 2: 20, 99: 1, -7: 1, 9: "x"}, ""},
		{"sum and update time", map[any]any{0: "waste-in", 2: 20, 5: "x", 7: nil, -6: 4}, ""},
		{"text in chunks", cbor.RawMessage("\xbf\x00\x7f\x65waste\x63-in\xff\x02\x14\xff"), ""},
		{"label to be understood", map[any]any{0: "waste-in", 2: 20, "crit_": 1}, ingest.BadLabel},
		{"a label twice", cbor.RawMessage("\xa3\x00\x68waste-in\x02\x14\x02\x15"), ingest.BadPayload},
		{"a label twice, once spelt out", cbor.RawMessage("\xa3\x00\x68waste-in\x02\x14\x61v\x15"), ingest.BadPayload},
		{"no map", []any{0, "waste-in", 2, 20}, ingest.BadPayload},
		{"name as bytes", map[any]any{0: []byte("waste-in"), 2: 20}, ingest.BadName},
		{"NaN", map[any]any{0: "waste-in", 2: math.NaN()}, ingest.NoNumber},
		{"infinity", map[any]any{0: "waste-in", 2: math.Inf(-1)}, ingest.NoNumber},
		{"null", map[any]any{0: "waste-in", 2: nil}, ingest.NoNumber},
		{"a bignum", map[any]any{0: "waste-in", 2: cbor.Tag{Number: 2, Content: []byte{20}}}, ingest.NoNumber},
		{"a decimal fraction of a bignum", map[any]any{0: "waste-in", 2: cbor.Tag{Number: 4, Content: []any{0, cbor.Tag{Number: 2, Content: []byte{20}}}}}, ingest.NoNumber},
		{"a decimal fraction of three", map[any]any{0: "waste-in", 2: cbor.Tag{Number: 4, Content: []int{0, 1, 2}}}, ingest.NoNumber},
		{"a decimal fraction beyond float64", map[any]any{0: "waste-in", 2: cbor.Tag{Number: 4, Content: []int{400, 1}}}, ingest.NoNumber},
		{"data value", map[any]any{0: "waste-in", 8: []byte("x")}, ingest.NoNumber},
		{"text value", map[any]any{0: "waste-in", 3: "x"}, ingest.NoNumber},
		{"truth value", map[any]any{0: "waste-in", 4: false}, ingest.NoNumber},
		{"unit a number", map[any]any{0: "waste-in", 1: 5, 2: 20}, ingest.BadUnit},
		{"time a text", map[any]any{0: "waste-in", 2: 20, 6: "x"}, ingest.BadTime},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			pack := encodeCBOR(t, []any{
				map[int]any{-4: "Cel", 0: "cold-in", 2: 8}, tt.record, map[int]any{0: "preheat-out", 2: 24},
			})
			readings, rejected := decode(t, onTopic, string(pack))
			want := []greywatt.Reading{reading(greywatt.ColdIn, 0, 8), reading(greywatt.WasteIn, 0, 20), reading(greywatt.PreheatOut, 0, 24)}
			if tt.reason != "" {
				wantReasons(t, rejected, tt.reason)
				want = append(want[:1], want[2])
				if len(rejected) == 1 && !strings.HasPrefix(rejected[0].Record, "h'") {
					t.Errorf("record %q, want hexadecimal", rejected[0].Record)
				}
			} else {
				wantReasons(t, rejected)
			}
			wantReadings(t, readings, want...)
		})
	}
}

func TestCBORBreaksOff(t *testing.T) {
	good := encodeCBOR(t, map[int]any{-4: "Cel", 0: "cold-in", 2: 8})
	deep := bytes.Repeat([]byte{0x81}, 1000)
	tests := []struct {
		name string
		pack []byte
		want int // readings
	}{
		{"array longer than what is there", append([]byte{0x82}, good...), 1},
		{"array of 2^64-1", append([]byte("\x9b\xff\xff\xff\xff\xff\xff\xff\xff"), good...), 1},
		{"no end of an indefinite array", append([]byte{0x9f}, good...), 1},
		{"in the middle of a record", append([]byte{0x82}, append(good, good[:5]...)...), 1},
		{"a text longer than what is there", append([]byte{0x82}, append(good, "\xa1\x00\x7b\xff\xff\xff\xff\xff\xff\xff\xff"...)...), 1},
		{"a map of 2^64-1", append([]byte{0x82}, append(good, "\xbb\xff\xff\xff\xff\xff\xff\xff\xff\x00\x61x"...)...), 1},
		{"reserved head", append([]byte{0x82}, append(good, 0xfc)...), 1},
		{"break in a definite map", append([]byte{0x82}, append(good, 0xa1, 0xff)...), 1},
		{"odd indefinite map", append([]byte{0x82}, append(good, 0xbf, 0x00, 0xff)...), 1},
		{"too deep", append([]byte{0x82}, append(append(good, 0xa1, 0x61, 'x'), deep...)...), 1},
		{"bytes after the pack", append([]byte{0x81}, append(good, 0)...), 1},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			readings, rejected := decode(t, onTopic, string(tt.pack))
			if len(readings) != tt.want {
				t.Errorf("%d readings, want %d", len(readings), tt.want)
			}
			wantReasons(t, rejected, ingest.BadPayload)
		})
	}
}

func TestCBORIndefinite(t *testing.T) {
	pack := "\x9f" + string(encodeCBOR(t, map[int]any{-2: "larch-04/n1/", -4: "Cel", 0: "cold-in", 2: 8})) + "\xbf\x00\x68waste-in\x02\xf9\x4d\x20\xff\xff"
	readings, rejected := decode(t, onTopic, pack)
	wantReadings(t, readings, reading(greywatt.ColdIn, 0, 8), reading(greywatt.WasteIn, 0, 20.5))
	wantReasons(t, rejected)
}
