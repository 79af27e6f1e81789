package payload

import (
	"encoding/hex"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"greywatt"
	"greywatt/ingest"
)

// The packs of RFC 8428 sections 5.1 and 6, written down from memory. Most of
// them hold quantities that no exchanger has, so they are compared as resolved
// records (section 4.6), before channels come in.

// A resolved record, its time in seconds since 1970.
type resolved struct {
	name, unit  string
	time, value float64
}

// resolveAll reads a pack with the parts that Decode is made of.
func resolveAll(t *testing.T, pack []byte, now greywatt.Instant) []resolved {
	t.Helper()
	d := NewDecoder(nil)
	d.now = now
	var all []resolved
	add := func() {
		d.base.update(&d.rec)
		r := resolved{name: string(d.base.name), unit: string(d.base.unit), value: d.base.value + d.rec.number[labelValue]}
		if d.rec.given.has(labelName) {
			r.name += string(d.rec.text[labelName])
		}
		if d.rec.given.has(labelUnit) {
			r.unit = string(d.rec.text[labelUnit])
		}
		at, reason, detail := d.instant(nil)
		if reason != "" {
			t.Fatalf("record %d: %s: %s", len(all), reason, detail)
		}
		r.time = float64(at) / 1e6
		all = append(all, r)
	}
	if pack[0] != '[' {
		c := &cborReader{src: pack}
		h, err := c.head()
		for range h.arg {
			if _, err = d.cborRecord(c); err != nil {
				break
			}
			add()
		}
		if err != nil || c.off != len(pack) {
			t.Fatalf("at byte %d of %d: %v", c.off, len(pack), err)
		}
		return all
	}
	d.text.open(pack)
	for _, err := d.text.ReadToken(); d.text.PeekKind() == '{'; {
		if err != nil {
			t.Fatal(err)
		}
		err = d.jsonRecord()
		add()
	}
	return all
}

// Section 5.1.2, the second pack: current over the last six seconds.
const rfcCurrent = `[
	{"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,
	 "bu":"A","bver":5,
	 "n":"voltage","u":"V","v":120.1},
	{"n":"current","t":-5,"v":1.2},
	{"n":"current","t":-4,"v":1.3},
	{"n":"current","t":-3,"v":1.4},
	{"n":"current","t":-2,"v":1.5},
	{"n":"current","t":-1,"v":1.6},
	{"n":"current","v":1.7}
]`

// Section 6: the same pack in CBOR.
const rfcCurrentCBOR = `
	87 a7 21 78 1b 75 72 6e 3a 64 65 76 3a 6f 77 3a
	31 30 65 32 30 37 33 61 30 31 30 38 30 30 36 3a
	22 fb 41 d3 03 a1 5b 00 10 62 23 61 41 20 05 00
	67 76 6f 6c 74 61 67 65 01 61 56 02 fb 40 5e 06
	66 66 66 66 66 a3 00 67 63 75 72 72 65 6e 74 06
	24 02 fb 3f f3 33 33 33 33 33 33 a3 00 67 63 75
	72 72 65 6e 74 06 23 02 fb 3f f4 cc cc cc cc cc
	cd a3 00 67 63 75 72 72 65 6e 74 06 22 02 fb 3f
	f6 66 66 66 66 66 66 a3 00 67 63 75 72 72 65 6e
	74 06 21 02 f9 3e 00 a3 00 67 63 75 72 72 65 6e
	74 06 20 02 fb 3f f9 99 99 99 99 99 9a a3 00 67
	63 75 72 72 65 6e 74 06 00 02 fb 3f fb 33 33 33
	33 33 33`

// Section 5.1.4: what that pack resolves to.
var rfcCurrentResolved = []resolved{
	{"urn:dev:ow:10e2073a0108006:voltage", "V", 1.276020076001e+09, 120.1},
	{"urn:dev:ow:10e2073a0108006:current", "A", 1.276020071001e+09, 1.2},
	{"urn:dev:ow:10e2073a0108006:current", "A", 1.276020072001e+09, 1.3},
	{"urn:dev:ow:10e2073a0108006:current", "A", 1.276020073001e+09, 1.4},
	{"urn:dev:ow:10e2073a0108006:current", "A", 1.276020074001e+09, 1.5},
	{"urn:dev:ow:10e2073a0108006:current", "A", 1.276020075001e+09, 1.6},
	{"urn:dev:ow:10e2073a0108006:current", "A", 1.276020076001e+09, 1.7},
}

func TestRFC8428Resolved(t *testing.T) {
	cborPack, err := hex.DecodeString(strings.Join(strings.Fields(rfcCurrentCBOR), ""))
	if err != nil {
		t.Fatal(err)
	}
	for name, pack := range map[string][]byte{"JSON": []byte(rfcCurrent), "CBOR": cborPack} {
		if diff := cmp.Diff(rfcCurrentResolved, resolveAll(t, pack, now), cmp.AllowUnexported(resolved{})); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
}

// Section 5.1.3: several measurements on the move; u and no n, times after bt.
func TestRFC8428MultipleMeasurements(t *testing.T) {
	const pack = `[
		{"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
		{"u":"lon","v":24.30621},
		{"u":"lat","v":60.07965},
		{"t":60,"v":20.3},
		{"u":"lon","t":60,"v":24.30622},
		{"u":"lat","t":60,"v":60.07965},
		{"t":120,"v":20.7},
		{"u":"lon","t":120,"v":24.30623},
		{"u":"lat","t":120,"v":60.07966},
		{"u":"%EL","t":150,"v":98},
		{"t":180,"v":21.2},
		{"u":"lon","t":180,"v":24.30628},
		{"u":"lat","t":180,"v":60.07967}
	]`
	const name, bt = "urn:dev:ow:10e2073a01080063", 1320067464
	want := []resolved{
		{name, "%RH", bt, 20}, {name, "lon", bt, 24.30621}, {name, "lat", bt, 60.07965},
		{name, "%RH", bt + 60, 20.3}, {name, "lon", bt + 60, 24.30622}, {name, "lat", bt + 60, 60.07965},
		{name, "%RH", bt + 120, 20.7}, {name, "lon", bt + 120, 24.30623}, {name, "lat", bt + 120, 60.07966},
		{name, "%EL", bt + 150, 98},
		{name, "%RH", bt + 180, 21.2}, {name, "lon", bt + 180, 24.30628}, {name, "lat", bt + 180, 60.07967},
	}
	if diff := cmp.Diff(want, resolveAll(t, []byte(pack), now), cmp.AllowUnexported(resolved{})); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// Sections 5.1.1, 5.1.5 and 5.1.6, all the way to readings.
func TestRFC8428Readings(t *testing.T) {
	at := func(dwelling, node string, c greywatt.Channel, v float64) greywatt.Reading {
		return greywatt.Reading{Dwelling: dwelling, Node: node, Channel: c, At: now, Value: v}
	}
	st := &greywatt.Study{Dwellings: []greywatt.Dwelling{{ID: "larch-04", Sensors: []greywatt.Sensor{
		{Channel: greywatt.Ambient, Node: "hall", Name: "urn:dev:ow:10e2073a01080063"},
		{Channel: greywatt.ColdIn, Node: "n1", Name: "urn:dev:ow:10e2073a01080063:temp"},
		{Channel: greywatt.WasteIn, Node: "n1", Name: "2001:db8::2/temperature"},
		{Channel: greywatt.Flow, Node: "n1", Name: "urn:dev:ow:10e2073a01080063:label"},
	}}}}
	tests := []struct {
		section, pack string
		want          []greywatt.Reading
		reasons       []ingest.Reason
	}{
		{"5.1.1", `[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]`,
			[]greywatt.Reading{at("larch-04", "hall", greywatt.Ambient, 23.1)}, nil},
		{"5.1.5", `[
			{"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
			{"n":"label","u":"l/s","vs":"Machine Room"},
			{"n":"open","vb":false},
			{"n":"nfc-reader","vd":"aGkgCg"}]`,
			[]greywatt.Reading{at("larch-04", "n1", greywatt.ColdIn, 23.1)},
			[]ingest.Reason{ingest.NoNumber, ingest.UnknownChannel, ingest.UnknownChannel}},
		{"5.1.6", `[{"bn":"2001:db8::2/","n":"temperature","u":"Cel","v":27.2},{"n":"humidity","u":"%RH","v":80}]`,
			[]greywatt.Reading{at("larch-04", "n1", greywatt.WasteIn, 27.2)},
			[]ingest.Reason{ingest.UnknownChannel}},
	}
	for _, tt := range tests {
		readings, rejected := NewDecoder(NewResolver(st)).Decode(nil, nil, onTopic, []byte(tt.pack), now)
		t.Log("section", tt.section)
		wantReadings(t, readings, tt.want...)
		wantReasons(t, rejected, tt.reasons...)
	}
}

// Times on both sides of 2^28 s (section 4.5.3), in July 1978: below they count
// from now, from there on they count from 1970, too early for a reading here.
func TestRFC8428RelativeTimes(t *testing.T) {
	then := greywatt.InstantOfUnix(1<<28 + 1<<30)
	d := NewDecoder(nil)
	readings, rejected := d.Decode(nil, nil, onTopic, []byte(`[{"n":"cold-in","u":"Cel","t":-1e-6,"v":8},{"n":"cold-in","u":"Cel","t":268435455.9,"v":8},{"n":"cold-in","u":"Cel","t":268435456,"v":8}]`), then)
	if len(readings) != 1 || readings[0].At != then-1 {
		t.Errorf("readings %+v, want one, a microsecond before now", readings)
	}
	wantReasons(t, rejected, ingest.FutureTime, ingest.BadTime)
	if want := then.Add(math.Exp2(28) - 0.1); len(rejected) == 2 && !strings.Contains(rejected[0].Detail, want.String()) {
		t.Errorf("%q does not say %s", rejected[0].Detail, want)
	}
}
