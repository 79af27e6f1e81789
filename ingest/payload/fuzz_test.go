package payload

import (
	"encoding/json"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/fxamacker/cbor/v2"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/internal/fuzzcorpus"
)

// checkDecoded holds for any bytes: what comes out is sound, comes out again
// when it is written and read, and does not depend on bytes that follow it.
func checkDecoded(t *testing.T, data []byte, cut uint16) (rejected []ingest.RejectedRecord) {
	d := NewDecoder(NewResolver(study()))
	readings, rejected := d.Decode(nil, nil, onTopic, data, now)
	for _, r := range readings {
		if !r.Channel.Plausible(r.Value) || r.At < earliest || r.At > now+aDay {
			t.Errorf("unsound reading %+v", r)
		}
		if r.Dwelling != "larch-04" || r.Node != "n1" && r.Node != "n2" && r.Node != MappedNode {
			t.Errorf("reading of another node: %+v", r)
		}
	}
	for _, r := range rejected {
		if r.Reason == "" || r.Detail == "" || len(r.Record) > 3*maxRecord+3 || len(r.Detail) > maxDetail {
			t.Errorf("refusal without reason, detail or bounds: %+v", r)
		}
	}
	// No record that can be used is shorter than CBOR's {2: 1}, and none at all
	// than a byte, so memory is bounded by what came.
	if len(readings) > len(data)/3 || len(rejected) > len(data)+1 {
		t.Errorf("%d bytes give %d readings and %d refusals", len(data), len(readings), len(rejected))
	}

	byNode := map[string][]greywatt.Reading{}
	for _, r := range readings {
		byNode[r.Node] = append(byNode[r.Node], r)
	}
	for node, want := range byNode {
		for _, e := range encoders {
			pack, err := e.encode(nil, want)
			if err != nil {
				t.Fatalf("%s of %+v: %v", e.name, want, err)
			}
			got, rejected := d.Decode(nil, nil, Origin{Dwelling: "larch-04", Node: node}, pack, now)
			if !slices.Equal(got, want) || len(rejected) > 0 {
				t.Errorf("%s: %q gives\n%+v %+v, want\n%+v", e.name, pack, got, rejected, want)
			}
		}
	}

	again, rejectedAgain := d.Decode(nil, nil, onTopic, data, now)
	if !slices.Equal(again, readings) || !reflect.DeepEqual(rejectedAgain, rejected) {
		t.Errorf("decoded again: %+v %+v, before %+v %+v", again, rejectedAgain, readings, rejected)
	}

	if slices.ContainsFunc(rejected, func(r ingest.RejectedRecord) bool { return r.Reason == ingest.BadVersion }) {
		return rejected
	}
	part, _ := d.Decode(nil, nil, onTopic, data[:min(int(cut), len(data))], now)
	if len(part) > len(readings) || !slices.Equal(part, readings[:len(part)]) {
		t.Errorf("cut to %d bytes: %+v, whole %+v", cut, part, readings)
	}
	return rejected
}

// maxDetail bounds what a refusal may say: a name, a wrong value, and the words.
const maxDetail = 2048

// checkNeighbours puts a record, whatever it is, between two good ones, of which
// the second brings base fields of its own: both count, unless the record in
// between rules that out for the whole pack.
func checkNeighbours(t *testing.T, pack []byte) {
	readings, rejected := NewDecoder(NewResolver(study())).Decode(nil, nil, onTopic, pack, now)
	for _, r := range rejected {
		if r.Reason == ingest.BadVersion || r.Reason == ingest.BadLabel {
			return
		}
	}
	for _, want := range []greywatt.Reading{reading(greywatt.WasteIn, -1, 37.5), reading(greywatt.ColdIn, -2, 8.25)} {
		if !slices.Contains(readings, want) {
			t.Errorf("%q gives %+v without %+v; refused %+v", pack, readings, want, rejected)
		}
	}
}

func brokeOff(rejected []ingest.RejectedRecord) bool {
	return slices.ContainsFunc(rejected, func(r ingest.RejectedRecord) bool { return strings.Contains(r.Detail, "breaks off") })
}

func FuzzJSON(f *testing.F) {
	for _, seed := range []string{
		`[]`, `[{}]`, `[{"n":"cold-in","u":"Cel","v":8}]`, rfcCurrent,
		`[{"bn":"larch-04/n1/","bt":1767772800,"bu":"K","bv":273.15,"bver":10,"n":"waste-in","v":37.5},{"n":"flow","u":"m3/s","t":-0.5,"v":-272.6}]`,
		`[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1},{"bn":"urn:dev:mac:0024befffe804ff1/","n":"temp","u":"Cel","v":1}]`,
		`[{"n":"cold-in","u":"Cel","v":NaN},{"n":"cold-in","u":"Cel","v":-Infinity,"x":{"y":"}\""}},{"n":"cold-in","u":"Cel","v":8}]`,
		`[{"n":"cold-in" "v":8},{"n":"cold-in","u":"Cel","v":9}`, "\"\x91\"", `[NaN,1.2.3,{"n":"cold-in","u":"Cel","v":9}]`,
		`[{"\u006e":"cold-in","u":"C\u0065l","v":8e0,"crit_":[1,[2]]} , 3]x`,
	} {
		f.Add([]byte(seed), uint16(len(seed)/2))
	}
	for _, seed := range fuzzcorpus.Read(f) {
		f.Add([]byte(seed), uint16(len(seed)/2))
	}
	f.Fuzz(func(t *testing.T, data []byte, cut uint16) {
		rejected := checkDecoded(t, data, cut)
		// The standard library agrees on what is JSON.
		var pack []json.RawMessage
		if len(data) > 0 && (data[0] == '[' || isBlank(data[0])) && json.Unmarshal(data, &pack) == nil && pack != nil && brokeOff(rejected) {
			t.Errorf("valid JSON, yet %+v", rejected)
		}
		if json.Valid(data) {
			checkNeighbours(t, slices.Concat([]byte(`[{"bn":"larch-04/n1/","bt":1767772799,"bu":"Cel","n":"waste-in","v":37.5},`), data,
				[]byte(`,{"bn":"larch-04/n1/","bt":1767772798,"bu":"Cel","bv":0,"n":"cold-in","v":8.25}]`)))
		}
	})
}

// FuzzPlainPack holds the reader of usual packs to the general one: the same
// readings, rejected records and newest time, whatever comes.
func FuzzPlainPack(f *testing.F) {
	for _, seed := range []string{
		`[{"n":"cold-in","u":"Cel","v":8}]`, "[ {\t\"n\" : \"cold-in\" ,\"u\":\"Cel\",\"v\":-8.25e0 }\r\n]\n ",
		`[{"bn":"larch-04/n1/","bt":1767772800,"bu":"K","bv":273.15},{"n":"waste-in","v":37.5},{"n":"flow","u":"m3/s","t":-0.5,"v":-272.6}]`,
		`[{"n":"cold-in","u":"Cel","v":1e999},{"n":"cold-in","u":"Cel","v":-0.0},{"n":"x","u":"F","v":08}]`,
		`[{"n":"cold-in","u":"Cel","v":8,"v":9},{"bn":"larch-04/n1/"},{"t":5}]`, `[{"n":"cold-in","u":"Cel","v":8},]`,
		`[{"n":"cold-in","u":"Cel","v":8,"t":1767772800.123456789}]x`, `[{"n":"cold-in","u":"Cel","v":8} {"v":1}]`, `[{"bv":"a","n":1}]`,
	} {
		f.Add([]byte(seed))
	}
	plain, general := NewDecoder(NewResolver(study())), NewDecoder(NewResolver(study()))
	general.generalOnly = true
	f.Fuzz(func(t *testing.T, data []byte) {
		sameDecoded(t, plain, general, data)
	})
}

func sameDecoded(t *testing.T, plain, general *Decoder, data []byte) {
	t.Helper()
	for _, o := range []Origin{onTopic, {Stored: true, Source: "a:1"}} {
		rs, rejected := plain.Decode(nil, nil, o, data, now)
		want, wantRejected := general.Decode(nil, nil, o, data, now)
		if !slices.EqualFunc(rs, want, func(a, b greywatt.Reading) bool {
			return a == b && math.Signbit(a.Value) == math.Signbit(b.Value)
		}) || !reflect.DeepEqual(rejected, wantRejected) {
			t.Errorf("%q gives\n%+v %+v, by the general reader\n%+v %+v", data, rs, rejected, want, wantRejected)
		}
		at, relative := plain.Newest()
		wantAt, wantRelative := general.Newest()
		if at != wantAt && (at == at || wantAt == wantAt) || relative != wantRelative {
			t.Errorf("%q is of %v (%v), by the general reader of %v (%v)", data, at, relative, wantAt, wantRelative)
		}
	}
}

func FuzzCBOR(f *testing.F) {
	for _, readings := range [][]greywatt.Reading{node(7), {reading(greywatt.Flow, -0.5, 0.123456)}} {
		pack, err := encodePackCBOR(nil, readings)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(pack, uint16(len(pack)/2))
	}
	for _, seed := range []string{
		"\x80", "\x81\xa0", "\x9f\xff",
		"\x9f\xbf\x00\x67cold-in\x01\x63Cel\x02\xc4\x82\x21\x19\x0a\x9b\xff\xff",
		"\x81\xa4\x00\x7f\x65cold-\x62in\xff\x01\x63Cel\x02\xf9\x4d\x20\x61x\x9f\x01\xff",
		"\x82\xa1\x02\xf9\x7e\x00\x9b\xff\xff\xff\xff\xff\xff\xff\xff",
	} {
		f.Add([]byte(seed), uint16(len(seed)/2))
	}
	for _, seed := range fuzzcorpus.Read(f) {
		f.Add([]byte(seed), uint16(len(seed)/2))
	}
	library, err := cbor.DecOptions{MaxNestedLevels: 48, UTF8: cbor.UTF8DecodeInvalid}.DecMode()
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, data []byte, cut uint16) {
		rejected := checkDecoded(t, data, cut)
		// Another library agrees on what is well-formed.
		if len(data) > 0 && data[0] >= 0x80 && data[0] <= 0x9f && library.Wellformed(data) == nil && brokeOff(rejected) {
			t.Errorf("well-formed CBOR, yet %+v", rejected)
		}
		if library.Wellformed(data) == nil {
			checkNeighbours(t, slices.Concat(
				[]byte("\x83\xa5\x21\x6clarch-04/n1/\x22\x1a\x69\x5e\x12\x7f\x23\x63Cel\x00\x68waste-in\x02\xf9\x50\xb0"), data,
				[]byte("\xa6\x21\x6clarch-04/n1/\x22\x1a\x69\x5e\x12\x7e\x23\x63Cel\x24\x00\x00\x67cold-in\x02\xf9\x48\x20")))
		}
	})
}

func FuzzParseTopic(f *testing.F) {
	for _, seed := range []string{"greywatt/larch-04/n1/senml", "greywatt/../n1/presence", "greywatt/+/#/senml"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, topic string) {
		got, err := ParseTopic(DefaultPrefix, topic)
		if err != nil {
			return
		}
		if got.In(DefaultPrefix) != topic {
			t.Errorf("%q comes back as %q", topic, got.In(DefaultPrefix))
		}
		for _, id := range []string{got.Dwelling, got.Node} {
			if CheckID(id) != nil {
				t.Errorf("%q holds the id %q", topic, id)
			}
		}
	})
}

func FuzzParsePresence(f *testing.F) {
	for _, seed := range []string{"up", "down", "UP", "", "up\n", "\xff"} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		up, err := ParsePresence(data)
		if valid := string(data) == "up" || string(data) == "down"; valid != (err == nil) || up != (string(data) == "up") {
			t.Errorf("%q: %v, %v", data, up, err)
		}
		if err != nil && len(err.Error()) > 4*maxRecord+64 {
			t.Errorf("%d bytes of message", len(err.Error()))
		}
	})
}
