package payload

import (
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"greywatt"
	"greywatt/ingest"
)

var (
	now     = greywatt.InstantOfUnix(1767772800) // 2026-01-07T08:00:00Z
	onTopic = Origin{Source: "greywatt/larch-04/n1/senml", Dwelling: "larch-04", Node: "n1", OwnNames: true}
	inFile  = Origin{Source: "a.senml:1", Stored: true}
)

// study has two dwellings and, in the first, sensors that go by names of their own.
func study() *greywatt.Study {
	return &greywatt.Study{Dwellings: []greywatt.Dwelling{
		{ID: "larch-04", Sensors: []greywatt.Sensor{
			{Channel: greywatt.WasteIn, Node: "n2", Name: "urn:dev:ow:10e2073a01080063"},
			{Channel: greywatt.ColdIn, Name: "urn:dev:mac:0024befffe804ff1/temp"},
		}},
		{ID: "larch-05"},
	}}
}

func decode(t testing.TB, o Origin, pack string) ([]greywatt.Reading, []ingest.RejectedRecord) {
	t.Helper()
	return NewDecoder(NewResolver(study())).Decode(nil, nil, o, []byte(pack), now)
}

// reading of node n1 of larch-04, some seconds after now.
func reading(c greywatt.Channel, seconds, value float64) greywatt.Reading {
	return greywatt.Reading{Dwelling: "larch-04", Node: "n1", Channel: c, At: now.Add(seconds), Value: value}
}

func wantReadings(t *testing.T, got []greywatt.Reading, want ...greywatt.Reading) {
	t.Helper()
	if diff := cmp.Diff(want, append([]greywatt.Reading(nil), got...)); diff != "" {
		t.Errorf("readings (-want +got):\n%s", diff)
	}
}

func wantReasons(t *testing.T, got []ingest.RejectedRecord, want ...ingest.Reason) {
	t.Helper()
	var reasons []ingest.Reason
	for _, r := range got {
		reasons = append(reasons, r.Reason)
		if r.Detail == "" {
			t.Errorf("refusal %+v has no detail", r)
		}
	}
	if diff := cmp.Diff(want, reasons); diff != "" {
		t.Errorf("reasons (-want +got):\n%s\n%+v", diff, got)
	}
}

func TestDecodesWhatIsValid(t *testing.T) {
	tests := []struct {
		name, pack string
		want       []greywatt.Reading
	}{
		{"full name, no base", `[{"n":"larch-04/n1/waste-in","u":"Cel","t":1767772800,"v":37.5}]`,
			[]greywatt.Reading{reading(greywatt.WasteIn, 0, 37.5)}},
		{"bare channel, place from the topic", `[{"n":"waste-in","u":"Cel","t":1767772800,"v":37.5}]`,
			[]greywatt.Reading{reading(greywatt.WasteIn, 0, 37.5)}},
		{"whitespace first", " \t\r\n[ {\"n\" : \"waste-in\" ,\"u\":\"Cel\",\"t\":1767772800,\"v\":37.5} ] \n",
			[]greywatt.Reading{reading(greywatt.WasteIn, 0, 37.5)}},
		{"base fields persist and are set anew", `[
			{"bn":"larch-04/n1/","bt":1767772800,"bu":"Cel","bv":30,"n":"waste-in","v":7.5},
			{"n":"waste-out","t":1,"v":-5},
			{"bt":1767772900,"bv":0,"n":"cold-in","v":8},
			{"n":"flow","u":"l/s","t":0.5,"v":0.125},
			{"bn":"larch-04/n1/ambient","v":21}]`,
			[]greywatt.Reading{
				reading(greywatt.WasteIn, 0, 37.5), reading(greywatt.WasteOut, 1, 25),
				reading(greywatt.ColdIn, 100, 8), reading(greywatt.Flow, 100.5, 0.125),
				reading(greywatt.Ambient, 100, 21),
			}},
		{"a record of base fields only", `[{"bn":"larch-04/n1/","bt":1767772800,"bu":"Cel","bver":10},{"n":"cold-in","v":8}]`,
			[]greywatt.Reading{reading(greywatt.ColdIn, 0, 8)}},
		{"no time is now", `[{"n":"cold-in","u":"Cel","v":8}]`, []greywatt.Reading{reading(greywatt.ColdIn, 0, 8)}},
		{"relative, past and future", `[{"n":"cold-in","u":"Cel","t":-12.25,"v":8},{"n":"cold-in","u":"Cel","t":30,"v":9}]`,
			[]greywatt.Reading{reading(greywatt.ColdIn, -12.25, 8), reading(greywatt.ColdIn, 30, 9)}},
		{"relative base time", `[{"bt":-60,"bu":"Cel","n":"cold-in","v":8},{"n":"cold-in","t":60,"v":9}]`,
			[]greywatt.Reading{reading(greywatt.ColdIn, -60, 8), reading(greywatt.ColdIn, 0, 9)}},
		{"months late", `[{"n":"cold-in","u":"Cel","t":1757772800.5,"v":8}]`, []greywatt.Reading{reading(greywatt.ColdIn, -9999999.5, 8)}},
		{"exactly a day ahead", `[{"n":"cold-in","u":"Cel","t":86400,"v":8}]`, []greywatt.Reading{reading(greywatt.ColdIn, 86400, 8)}},
		{"the first second of 2000", `[{"n":"cold-in","u":"Cel","t":946684800,"v":8}]`,
			[]greywatt.Reading{{Dwelling: "larch-04", Node: "n1", Channel: greywatt.ColdIn, At: greywatt.InstantOfUnix(946684800), Value: 8}}},
		{"kelvin", `[{"bu":"K","n":"cold-in","v":281.15},{"n":"waste-in","v":310.65}]`,
			[]greywatt.Reading{reading(greywatt.ColdIn, 0, 8), reading(greywatt.WasteIn, 0, 37.5)}},
		{"cubic metres a second", `[{"bu":"m3/s","n":"flow","v":0.000133},{"n":"waste-flow","v":1.25e-4}]`,
			[]greywatt.Reading{reading(greywatt.Flow, 0, 0.133), reading(greywatt.WasteFlow, 0, 0.125)}},
		{"base value in kelvin", `[{"bu":"K","bv":273.15,"n":"cold-in","v":8}]`, []greywatt.Reading{reading(greywatt.ColdIn, 0, 8)}},
		{"sum, update time and strangers are ignored", `[{"n":"cold-in","u":"Cel","v":8,"s":"?","bs":1e9,"ut":60,"x":{"y":[1,{"z":null}]},"by":3}]`,
			[]greywatt.Reading{reading(greywatt.ColdIn, 0, 8)}},
		{"escapes", `[{"\u006e":"cold\u002din","u":"C\u0065l","v":8}]`, []greywatt.Reading{reading(greywatt.ColdIn, 0, 8)}},
		{"earlier version", `[{"bver":5,"n":"cold-in","u":"Cel","v":8}]`, []greywatt.Reading{reading(greywatt.ColdIn, 0, 8)}},
		{"bounds of what is plausible", `[{"n":"cold-in","u":"Cel","v":-30},{"n":"cold-in","u":"Cel","v":120},{"n":"flow","u":"l/s","v":-1},{"n":"flow","u":"l/s","v":5}]`,
			[]greywatt.Reading{reading(greywatt.ColdIn, 0, -30), reading(greywatt.ColdIn, 0, 120), reading(greywatt.Flow, 0, -1), reading(greywatt.Flow, 0, 5)}},
		{"a sensor's own name, its node stated", `[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]`,
			[]greywatt.Reading{{Dwelling: "larch-04", Node: "n2", Channel: greywatt.WasteIn, At: now, Value: 23.1}}},
		{"a sensor's own name, its node not stated", `[{"bn":"urn:dev:mac:0024befffe804ff1/","n":"temp","u":"Cel","v":23.1}]`,
			[]greywatt.Reading{{Dwelling: "larch-04", Node: MappedNode, Channel: greywatt.ColdIn, At: now, Value: 23.1}}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			readings, rejected := decode(t, onTopic, tt.pack)
			wantReadings(t, readings, tt.want...)
			wantReasons(t, rejected)
		})
	}
}

// Each row has a good record before and after the bad one: they must count.
func TestRefusesOneRecord(t *testing.T) {
	tests := []struct {
		name, record string
		reason       ingest.Reason
		detail       string // must be part of the refusal's
	}{
		{"label to be understood", `{"n":"waste-in","v":20,"crit_":1}`, ingest.BadLabel, `"crit_"`},
		{"a label twice", `{"n":"waste-in","v":20,"v":21}`, ingest.BadPayload, "twice in the record: v"},
		{"empty record", `{}`, ingest.BadName, "empty"},
		{"no object", `17`, ingest.BadPayload, "not an object"},
		{"no object, nested", `[{"n":"waste-in","v":20}]`, ingest.BadPayload, "not an object"},
		{"name not a text", `{"n":7,"v":20}`, ingest.BadName, "n is not a text: 7"},
		{"name with a blank", `{"n":"waste in","v":20}`, ingest.BadName, "' '"},
		{"name with a strange first character", `{"n":"-waste-in","v":20}`, ingest.BadName, "begins"},
		{"name with a letter beyond ASCII", `{"n":"wäste-in","v":20}`, ingest.BadName, "'ä'"},
		{"name too long", `{"n":"` + strings.Repeat("x", MaxName+1) + `","v":20}`, ingest.BadName, "at most 256"},
		{"name with an empty level", `{"n":"larch-04//waste-in","v":20}`, ingest.BadName, "empty"},
		{"name with two dots", `{"n":"larch-04/../waste-in","v":20}`, ingest.BadName, `".."`},
		{"unknown channel", `{"n":"waste-mid","v":20}`, ingest.UnknownChannel, "want one of waste-in, waste-out"},
		{"unknown channel, full name", `{"n":"larch-04/n1/temp","v":20}`, ingest.UnknownChannel, `"temp"`},
		{"unknown sensor", `{"n":"urn:dev:mac:0024befffe804ff2/temp","v":20}`, ingest.UnknownChannel, "study file"},
		{"another dwelling than the topic", `{"n":"larch-05/n1/waste-in","v":20}`, ingest.WrongTopic, "larch-05/n1"},
		{"another node than the topic", `{"n":"larch-04/n9/waste-in","v":20}`, ingest.WrongTopic, "larch-04/n9"},
		{"a unit that is not the channel's", `{"n":"waste-in","u":"degF","v":68}`, ingest.BadUnit, `"degF"; want Cel or K`},
		{"a flow's unit on a temperature", `{"n":"waste-in","u":"l/s","v":1}`, ingest.BadUnit, "want Cel or K"},
		{"litres a minute on the wire", `{"n":"flow","u":"l/min","v":8}`, ingest.BadUnit, "want m3/s or l/s"},
		{"unit empty", `{"n":"waste-in","u":"","v":20}`, ingest.BadUnit, "missing"},
		{"unit not a text", `{"n":"waste-in","u":null,"v":20}`, ingest.BadUnit, "null"},
		{"no value", `{"n":"waste-in"}`, ingest.NoNumber, "no v"},
		{"a sum only", `{"n":"waste-in","s":3}`, ingest.NoNumber, "no v"},
		{"null", `{"n":"waste-in","v":null}`, ingest.NoNumber, "null"},
		{"a text", `{"n":"waste-in","v":"20"}`, ingest.NoNumber, `"20"`},
		{"a text value", `{"n":"waste-in","vs":"20"}`, ingest.NoNumber, "has vs"},
		{"a truth value", `{"n":"waste-in","vb":true}`, ingest.NoNumber, "has vb"},
		{"two values", `{"n":"waste-in","v":20,"vd":"aGkgCg"}`, ingest.NoNumber, "both v and vd"},
		{"beyond float64", `{"n":"waste-in","v":1e999}`, ingest.NoNumber, "not a finite number"},
		{"NaN, as some encoders write it", `{"n":"waste-in","v":NaN}`, ingest.NoNumber, "NaN"},
		{"infinity, as some encoders write it", `{"n":"waste-in","v":-Infinity,"t":1}`, ingest.NoNumber, "-Infinity"},
		{"two decimal points", `{"n":"waste-in","v":20.1.2}`, ingest.NoNumber, "20.1.2"},
		{"a name that is no JSON", `{"n":none,"v":20}`, ingest.BadName, "none"},
		{"too hot", `{"n":"waste-in","v":850}`, ingest.AbsurdValue, "850 Cel is outside -30 to 120"},
		{"open circuit", `{"n":"waste-in","v":-127}`, ingest.AbsurdValue, "-127 Cel"},
		{"a flood", `{"n":"flow","u":"l/s","v":8}`, ingest.AbsurdValue, "8 l/s is outside -1 to 5"},
		{"time not a number", `{"n":"waste-in","v":20,"t":"08:00"}`, ingest.BadTime, `"08:00"`},
		{"time beyond float64", `{"n":"waste-in","v":20,"t":1e999}`, ingest.BadTime, "not a finite"},
		{"before 2000", `{"bt":0,"n":"waste-in","v":20,"t":946684799}`, ingest.BadTime, "before 2000"},
		{"far in the past", `{"n":"waste-in","v":20,"t":-1e300}`, ingest.BadTime, "before the calendar"},
		{"more than a day ahead", `{"n":"waste-in","v":20,"t":86401}`, ingest.FutureTime, "more than a day after now"},
		{"milliseconds", `{"n":"waste-in","v":20,"t":1767772800000}`, ingest.FutureTime, "milliseconds"},
		{"a comma missing", `{"n":"waste-in" "v":20}`, ingest.BadPayload, "at byte"},
		{"a value missing", `{"n":"waste-in","v":}`, ingest.BadPayload, "at byte"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			pack := `[{"bu":"Cel","n":"cold-in","v":8},` + tt.record + `,{"n":"preheat-out","v":24}]`
			if strings.Contains(tt.record, `"l/`) { // a unit of its own must not leak to the next
				pack = strings.Replace(pack, `"v":24`, `"u":"Cel","v":24`, 1)
			}
			readings, rejected := decode(t, onTopic, pack)
			wantReadings(t, readings, reading(greywatt.ColdIn, 0, 8), reading(greywatt.PreheatOut, 0, 24))
			wantReasons(t, rejected, tt.reason)
			if len(rejected) != 1 {
				return
			}
			r := rejected[0]
			if !strings.Contains(r.Detail, tt.detail) {
				t.Errorf("detail %q does not say %q", r.Detail, tt.detail)
			}
			if r.Source != onTopic.Source || r.Dwelling != "larch-04" || r.At != now {
				t.Errorf("refusal %+v: source, dwelling or moment is not the pack's", r)
			}
			if want := Excerpt([]byte(tt.record)); r.Record != want {
				t.Errorf("record %q, want %q", r.Record, want)
			}
		})
	}
}

func TestRefusesWhatIsNoPack(t *testing.T) {
	good := `{"n":"cold-in","u":"Cel","v":8}`
	eight := reading(greywatt.ColdIn, 0, 8)
	tests := []struct {
		name, pack string
		want       []greywatt.Reading
		reason     ingest.Reason
		detail     string
	}{
		{"nothing", ``, nil, ingest.BadPayload, "empty payload"},
		{"blanks", "  \n", nil, ingest.BadPayload, "array of records"},
		{"a text", `hello`, nil, ingest.BadPayload, "neither JSON nor CBOR"},
		{"an object", good, nil, ingest.BadPayload, "a single object"},
		{"a number after a blank", ` 12`, nil, ingest.BadPayload, "array of records"},
		{"empty pack", `[]`, nil, ingest.BadPayload, "empty pack"},
		{"empty pack in CBOR", "\x80", nil, ingest.BadPayload, "empty pack"},
		{"breaks off in a record", `[` + good + `,{"n":"waste-in","u":"Ce`, []greywatt.Reading{eight}, ingest.BadPayload, "breaks off"},
		{"breaks off after a comma", `[` + good + `,`, []greywatt.Reading{eight}, ingest.BadPayload, "breaks off"},
		{"last bracket missing", `[` + good, []greywatt.Reading{eight}, ingest.BadPayload, "breaks off"},
		{"comma between records missing", `[` + good + good + `]`, []greywatt.Reading{eight}, ingest.BadPayload, "breaks off"},
		{"text after", `[` + good + `]]`, []greywatt.Reading{eight}, ingest.BadPayload, "after the pack"},
		{"a second pack", `[` + good + `][` + good + `]`, []greywatt.Reading{eight}, ingest.BadPayload, "after the pack"},
		{"a later version", `[` + good + `,{"bver":11,"n":"cold-in","u":"Cel","v":9},` + good + `]`, nil, ingest.BadVersion, "bver"},
		{"version no number", `[{"bver":"10","n":"cold-in","u":"Cel","v":9}]`, nil, ingest.BadVersion, "bver"},
		{"version 0", `[{"bver":0,"n":"cold-in","u":"Cel","v":9}]`, nil, ingest.BadVersion, "bver"},
		{"beyond the limit", `[` + strings.Repeat(" ", MaxBytes) + good + `]`, nil, ingest.BadPayload, "at most"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			readings, rejected := decode(t, onTopic, tt.pack)
			wantReadings(t, readings, tt.want...)
			wantReasons(t, rejected, tt.reason)
			if len(rejected) == 1 && !strings.Contains(rejected[0].Detail, tt.detail) {
				t.Errorf("detail %q does not say %q", rejected[0].Detail, tt.detail)
			}
		})
	}
}

// A base field that cannot be used must never let a reading take a wrong name,
// time, unit or value.
func TestSpoiltBaseFields(t *testing.T) {
	tests := []struct {
		name, first string
		reasons     []ingest.Reason // of the first record and the one after it
	}{
		{"base time a text", `{"bt":"x","n":"cold-in","v":1}`, []ingest.Reason{ingest.BadTime, ingest.BadTime}},
		{"base time twice", `{"bt":1,"bt":2,"n":"cold-in","v":1}`, []ingest.Reason{ingest.BadPayload, ingest.BadTime}},
		{"base unit null", `{"bu":null,"n":"cold-in","v":1}`, []ingest.Reason{ingest.BadUnit, ingest.BadUnit}},
		{"base value a text", `{"bv":"1","n":"cold-in","v":1}`, []ingest.Reason{ingest.NoNumber, ingest.NoNumber}},
		{"base value NaN", `{"bv":NaN,"n":"cold-in","v":1}`, []ingest.Reason{ingest.NoNumber, ingest.NoNumber}},
		{"base value beyond float64", `{"bv":1e999,"n":"cold-in","v":1}`, []ingest.Reason{ingest.NoNumber, ingest.NoNumber}},
		{"base name a number", `{"bn":4,"n":"cold-in","v":1}`, []ingest.Reason{ingest.BadName, ingest.BadName}},
		{"base time alone and wrong", `{"bt":false}`, []ingest.Reason{ingest.BadPayload, ingest.BadTime}},
		{"base label to be understood", `{"bcrit_":1,"n":"cold-in","v":1}`, []ingest.Reason{ingest.BadLabel, ingest.BadLabel}},
		{"unreadable, with base fields", `{"bt":1767772801 "n":"cold-in","v":1}`, []ingest.Reason{ingest.BadPayload, ingest.BadName}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			anew := `{"bn":"","bt":0,"bu":"Cel","bv":0,"n":"cold-in","v":3}`
			readings, rejected := decode(t, onTopic, `[{"bu":"Cel","n":"cold-in","v":0},`+tt.first+`,{"n":"cold-in","v":2},`+anew+`]`)
			want := []greywatt.Reading{reading(greywatt.ColdIn, 0, 0), reading(greywatt.ColdIn, 0, 3)}
			reasons := tt.reasons
			if strings.Contains(tt.first, "crit_") { // cannot be set anew
				want, reasons = want[:1], append(reasons, ingest.BadLabel)
			}
			wantReadings(t, readings, want...)
			wantReasons(t, rejected, reasons...)
		})
	}
}

func TestBaseFieldsOfARefusedRecordCount(t *testing.T) {
	readings, rejected := decode(t, onTopic, `[{"bn":"larch-04/n1/","bt":1767772800,"bu":"Cel","n":"nonsense","v":1},{"n":"cold-in","v":8}]`)
	wantReadings(t, readings, reading(greywatt.ColdIn, 0, 8))
	wantReasons(t, rejected, ingest.UnknownChannel)
}

func TestOrigins(t *testing.T) {
	t.Run("a file's names may name any dwelling of the study", func(t *testing.T) {
		readings, rejected := decode(t, inFile, `[{"bu":"Cel","bt":1767772800,"n":"larch-05/n7/cold-in","v":8},{"n":"larch-06/n7/cold-in","v":8},{"n":"cold-in","v":8}]`)
		wantReadings(t, readings, greywatt.Reading{Dwelling: "larch-05", Node: "n7", Channel: greywatt.ColdIn, At: now, Value: 8})
		wantReasons(t, rejected, ingest.UnknownDwelling, ingest.BadName)
		if rejected[0].At != 0 || rejected[0].Dwelling != "larch-06" {
			t.Errorf("refusal %+v: want no moment and the dwelling it names", rejected[0])
		}
	})
	t.Run("a file has no now", func(t *testing.T) {
		readings, rejected := decode(t, inFile, `[{"bu":"Cel","n":"larch-05/n7/cold-in","v":8},{"n":"larch-05/n7/cold-in","t":-5,"v":8}]`)
		wantReadings(t, readings)
		wantReasons(t, rejected, ingest.BadTime, ingest.BadTime)
	})
	t.Run("a topic's dwelling must be in the study", func(t *testing.T) {
		o := Origin{Source: "greywatt/oak-1/n1/senml", Dwelling: "oak-1", Node: "n1"}
		readings, rejected := decode(t, o, `[{"bu":"Cel","n":"cold-in","v":8}]`)
		wantReadings(t, readings)
		wantReasons(t, rejected, ingest.UnknownDwelling)
	})
	t.Run("without a study any dwelling", func(t *testing.T) {
		readings, rejected := NewDecoder(nil).Decode(nil, nil, inFile, []byte(`[{"bu":"Cel","bt":1767772800,"n":"oak-1/n7/cold-in","v":8}]`), now)
		wantReadings(t, readings, greywatt.Reading{Dwelling: "oak-1", Node: "n7", Channel: greywatt.ColdIn, At: now, Value: 8})
		wantReasons(t, rejected)
	})
}

// One decoder serves many packs: nothing of one may reach the next.
func TestDecoderKeepsNothing(t *testing.T) {
	d := NewDecoder(nil)
	var readings []greywatt.Reading
	var rejected []ingest.RejectedRecord
	for i := range 3 {
		o := Origin{Dwelling: fmt.Sprint("d", i), Node: "n"}
		readings, rejected = d.Decode(readings, rejected, o, []byte(`[{"bu":"Cel","bt":1767772800,"bv":1,"n":"cold-in","v":7},{"n":"cold-in","v":NaN}]`), now)
		readings, rejected = d.Decode(readings, rejected, o, []byte(`[{"n":"cold-in","v":7}]`), now)
	}
	for i, r := range readings {
		if want := (greywatt.Reading{Dwelling: fmt.Sprint("d", i), Node: "n", Channel: greywatt.ColdIn, At: now, Value: 8}); r != want {
			t.Errorf("reading %d is %+v, want %+v", i, r, want)
		}
	}
	wantReasons(t, rejected, ingest.NoNumber, ingest.BadUnit, ingest.NoNumber, ingest.BadUnit, ingest.NoNumber, ingest.BadUnit)
}

func TestManyRefusalsAreCounted(t *testing.T) {
	const n = maxRejected + 500
	pack := `[{"bu":"Cel","n":"cold-in","v":8}` + strings.Repeat(`,{"n":"cold-in","v":-127}`, n) + `,{"n":"cold-in","v":9}]`
	readings, rejected := decode(t, onTopic, pack)
	wantReadings(t, readings, reading(greywatt.ColdIn, 0, 8), reading(greywatt.ColdIn, 0, 9))
	if len(rejected) != maxRejected+1 {
		t.Fatalf("%d refusals, want %d", len(rejected), maxRejected+1)
	}
	if last := rejected[maxRejected]; last.Reason != ingest.AbsurdValue || !strings.Contains(last.Detail, "and 500 more") {
		t.Errorf("the last refusal is %+v", last)
	}
}

func TestTooManyRecords(t *testing.T) {
	pack := `[{"n":"cold-in","u":"Cel","v":8}` + strings.Repeat(`,{"x":1}`, MaxRecords) + `]`
	readings, rejected := decode(t, onTopic, pack)
	wantReadings(t, readings, reading(greywatt.ColdIn, 0, 8))
	if len(rejected) != maxRejected+2 {
		t.Fatalf("%d refusals, want %d", len(rejected), maxRejected+2)
	}
	if over := rejected[maxRejected]; !strings.Contains(over.Detail, "send smaller packs") {
		t.Errorf("the refusal of the rest is %+v", over)
	}
}

func TestExcerpt(t *testing.T) {
	tests := []struct{ name, raw, want string }{
		{"short", " a ", "a"},
		{"control characters", "a\x1b[31m\nb", "a�[31m�b"},
		{"cut between characters", strings.Repeat("x", 255) + "ä" + "y", strings.Repeat("x", 255) + "..."},
		{"bytes", "\xa1\x00\x61n", "h'a100616e'"},
	}
	for _, tt := range tests {
		if got := Excerpt([]byte(tt.raw)); got != tt.want {
			t.Errorf("%s: %q, want %q", tt.name, got, tt.want)
		}
	}
}

// Without access rules a full name says whose reading it is, whatever the topic.
func TestNameOverTopic(t *testing.T) {
	o := onTopic
	o.OwnNames = false
	rs, rejected := NewDecoder(nil).Decode(nil, nil, o, []byte(`[{"n":"larch-05/n9/waste-in","u":"Cel","v":20,"t":1767772800}]`), now)
	if len(rejected) > 0 || len(rs) != 1 || rs[0].Dwelling != "larch-05" || rs[0].Node != "n9" {
		t.Errorf("readings %+v, refused %v", rs, rejected)
	}
}
