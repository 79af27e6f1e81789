package senml

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"testing"

	"github.com/fxamacker/cbor/v2"
	"github.com/google/go-cmp/cmp"

	"greywatt"
	"greywatt/ingest/payload"
)

const base = "larch-04/n1/"

// readings are what the logger is to make of frames.
func readings(frames []Frame) []greywatt.Reading {
	var all []greywatt.Reading
	for _, f := range frames {
		for c, v := range f.Value {
			if v != Absent {
				all = append(all, greywatt.Reading{
					Dwelling: "larch-04", Node: "n1", Channel: greywatt.Channel(c),
					At: greywatt.Instant(f.AtMS * 1000), Value: v.Float(),
				})
			}
		}
	}
	return all
}

// exampleFrame is the frame of the folder examples, by hand from its
// expected.csv.
var exampleFrame = Frame{
	AtMS:  1767772800000,
	Value: [greywatt.NumChannels]Micro{37_437_500, 24_187_500, 8_062_500, 23_500_000, 133_000, 20_875_000, Absent},
}

// The JSON example, which was written by hand, byte for byte.
func TestExampleJSON(t *testing.T) {
	want, err := os.ReadFile("../../../examples/frame.json")
	if err != nil {
		t.Fatal(err)
	}
	if got := JSON.Append(nil, base, []Frame{exampleFrame}); string(got) != string(want) {
		t.Errorf("\n got %s\nwant %s", got, want)
	}
}

// The CBOR example, in meaning: it writes one number in another way.
func TestExampleCBOR(t *testing.T) {
	example, err := os.ReadFile("../../../examples/frame.cbor")
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(meaning(t, example), meaning(t, CBOR.Append(nil, base, []Frame{exampleFrame}))); diff != "" {
		t.Errorf("(-example +ours)\n%s", diff)
	}
}

// meaning decodes CBOR with another library, decimal fractions as the nearest
// float64.
func meaning(t *testing.T, pack []byte) []map[int]any {
	t.Helper()
	var records []map[int]any
	if err := cbor.Unmarshal(pack, &records); err != nil {
		t.Fatal(err)
	}
	for _, r := range records {
		for label, v := range r {
			r[label] = plain(t, v)
		}
	}
	return records
}

func plain(t *testing.T, v any) any {
	switch v := v.(type) {
	case uint64:
		return float64(v)
	case int64:
		return float64(v)
	case cbor.Tag:
		parts := v.Content.([]any)
		if v.Number != 4 || len(parts) != 2 {
			t.Fatalf("tag %+v, want a decimal fraction", v)
		}
		text := strconv.FormatFloat(plain(t, parts[1]).(float64), 'f', 0, 64) + "e" + strconv.FormatFloat(plain(t, parts[0]).(float64), 'f', 0, 64)
		f, err := strconv.ParseFloat(text, 64)
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	return v
}

// What we encode, greywatt's own decoder reads as the readings that were meant,
// bit for bit, and greywatt's own encoder, given those, writes nothing that
// reads differently. Each of the two is the other's oracle.
func TestAgreesWithPayload(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 2))
	now := greywatt.Instant(1_800_000_000_000_000)
	topic := payload.Topic{Dwelling: "larch-04", Node: "n1", Kind: payload.SenML}
	origin := payload.Origin{Source: topic.In(payload.DefaultPrefix), Dwelling: "larch-04", Node: "n1"}
	decode := func(pack []byte) []greywatt.Reading {
		got, refused := payload.NewDecoder(nil).Decode(nil, nil, origin, pack, now)
		if len(refused) > 0 {
			t.Fatalf("refused: %v\n%q", refused, pack)
		}
		return got
	}
	for range 500 {
		at := 1_000_000_000_000 + r.Int64N(750_000_000_000)
		var frames []Frame
		for range 1 + r.IntN(40) {
			frames = append(frames, randomFrame(r, at))
			at += r.Int64N(10_000)
			if r.IntN(20) == 0 {
				at += r.Int64N(5_000_000_000) // after months
			}
		}
		want := readings(frames)
		for _, format := range []Format{JSON, CBOR} {
			pack := format.Append(nil, base, frames)
			if got := decode(pack); !slices.Equal(got, want) {
				t.Fatalf("%s (-meant +decoded)\n%s\n%q", format, cmp.Diff(want, got), pack)
			}
		}
		theirs, err := payload.EncodeJSON(nil, want)
		if err != nil {
			t.Fatal(err)
		}
		if got := decode(theirs); !slices.Equal(got, want) {
			t.Fatalf("their own (-meant +decoded)\n%s\n%s", cmp.Diff(want, got), theirs)
		}
	}
}

// The same holds for two libraries that know nothing of SenML, and for the two
// forms between each other (RFC 8428 section 6: the same value when converted to
// a double).
func TestFormsMeanTheSame(t *testing.T) {
	labels := map[string]int{"bn": -2, "bt": -3, "bu": -4, "n": 0, "u": 1, "v": 2, "t": 6} // RFC 8428, table 4, as its last draft has it
	r := rand.New(rand.NewPCG(3, 3))
	for range 500 {
		frames := []Frame{randomFrame(r, r.Int64N(2_000_000_000_000)), randomFrame(r, r.Int64N(2_000_000_000_000))}
		var named []map[string]any
		if err := json.Unmarshal(JSON.Append(nil, base, frames), &named); err != nil {
			t.Fatal(err)
		}
		want := make([]map[int]any, len(named))
		for i, rec := range named {
			want[i] = map[int]any{}
			for name, v := range rec {
				label, ok := labels[name]
				if !ok {
					t.Fatalf("label %q", name)
				}
				want[i][label] = v
			}
		}
		pack := CBOR.Append(nil, base, frames)
		if diff := cmp.Diff(want, meaning(t, pack)); diff != "" {
			t.Fatalf("(-JSON +CBOR)\n%s\n%x", diff, pack)
		}
	}
}

// Every binary16 that is normal is found again, and nothing between them is
// taken for one. The library's conversion is the oracle.
func TestHalf(t *testing.T) {
	for h := range 1 << 16 {
		var f float64
		if err := cbor.Unmarshal([]byte{0xf9, byte(h >> 8), byte(h)}, &f); err != nil {
			t.Fatal(err)
		}
		exponent := h >> 10 & 0x1f
		normal := exponent != 0 && exponent != 0x1f
		got, exact := halfOf(f)
		if exact != normal || exact && got != uint16(h) {
			t.Fatalf("%#04x, %v: got %#04x, %t", h, f, got, exact)
		}
		if _, exact := halfOf(math.Nextafter(f, 0)); exact && f != 0 {
			t.Fatalf("the neighbour of %v is taken for a half", f)
		}
	}
}
