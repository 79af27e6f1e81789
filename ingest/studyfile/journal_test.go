package studyfile_test

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"greywatt"
	"greywatt/ingest/studyfile"
)

const journalStudy = `study.timezone = "Europe/Dublin"
[[dwelling]]
id = "larch-04"
connection = "A"
commissioned = 2026-01-12
exchanger.rated = [ { flow_l_min = 9.5, effectiveness = 0.57 } ]
[[dwelling]]
id = "larch-05"
connection = "B"
exchanger.rated = [ { flow_l_min = 9.5, effectiveness = 0.57 } ]
`

func studyOf(t *testing.T, text string) *greywatt.Study {
	t.Helper()
	s, err := studyfile.Read(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// Every kind of fact as somebody writes it by hand. Ireland keeps UTC+1 in summer.
const everyKind = `
[[fact]]
id = "a"
dwelling = "larch-04"
kind = "cleaned"
at = 2026-06-02
by = "fitter"

[[fact]]
id = "b"
dwelling = "larch-04"
kind = "clamp-replaced"
at = 2026-06-03T10:00:00
[fact.sensor]
channel = "waste-in"
node = "n1"
u95_k = 0.2
response_s = 12

[[fact]]
id = "c"
dwelling = "larch-04"
kind = "offset"
at = 2026-06-04T10:00:00+02:00
channel = "cold-in"
offset_k = -0.15

[[fact]]
id = "d"
dwelling = "larch-04"
kind = "unit-replaced"
at = 2026-06-05
exchanger = { rated = [ { flow_l_min = 12, effectiveness = 0.5 }, { flow_l_min = 7, effectiveness = 0.6 } ], rated_cold_in_c = 10 }

[[fact]]
id = "e"
dwelling = "larch-05"
kind = "left-out"
at = 2026-06-01
until = 2026-06-03
text = "works in the house"

[[fact]]
id = "f"
dwelling = "larch-05"
kind = "meter-moved"
at = 2026-06-01
channel = "flow"

[[fact]]
id = "g"
dwelling = "larch-05"
kind = "heater-replaced"
at = 2026-06-01
heater = { kind = "heat pump", efficiency = 2.8, hot_c = 50 }

[[fact]]
id = "h"
dwelling = "larch-05"
kind = "withdrawn"
at = 2026-06-09
of = "f"
text = "was larch-06"

[[fact]]
id = "i"
dwelling = "larch-05"
kind = "unit-moved"
at = 2026-06-10
place = "loft"

[[fact]]
id = "j"
dwelling = "larch-05"
kind = "reconnected"
at = 2026-06-11
connection = "C"

[[fact]]
id = "k"
dwelling = "larch-05"
kind = "unit-replaced"
at = 2026-06-12
exchanger = { rated = [ { flow_l_min = 9, effectiveness = 0.5 } ], serial = "S 17", place = "below the bathroom" }
`

func at(text string) greywatt.Instant {
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		panic(err)
	}
	return greywatt.InstantOf(t)
}

func TestReadJournal(t *testing.T) {
	study := studyOf(t, journalStudy)
	facts, err := studyfile.ReadJournal([]byte(everyKind), study)
	if err != nil {
		t.Fatal(err)
	}
	clamp := greywatt.Sensor{Channel: greywatt.WasteIn, Node: "n1", U95K: 0.2, BatchU95K: 0.2, ResponseS: 12, Scale: 1}
	want := []greywatt.Fact{
		{ID: "a", Dwelling: "larch-04", Kind: "cleaned", At: at("2026-06-01T23:00:00Z"), By: "fitter", Line: 2},
		{ID: "b", Dwelling: "larch-04", Kind: "clamp-replaced", At: at("2026-06-03T09:00:00Z"), Node: "n1", Sensor: &clamp, Line: 9},
		{ID: "c", Dwelling: "larch-04", Kind: "offset", At: at("2026-06-04T08:00:00Z"), Channel: greywatt.ColdIn, OffsetK: -0.15, Line: 20},
		{ID: "d", Dwelling: "larch-04", Kind: "unit-replaced", At: at("2026-06-04T23:00:00Z"), Line: 28, Exchanger: &greywatt.Exchanger{
			Orientation: greywatt.Vertical, Rated: []greywatt.RatedPoint{{FlowLMin: 7, Effectiveness: 0.6}, {FlowLMin: 12, Effectiveness: 0.5}}, RatedColdInC: 10, RatedWasteInC: 40}},
		{ID: "e", Dwelling: "larch-05", Kind: "left-out", At: at("2026-05-31T23:00:00Z"), Until: at("2026-06-03T23:00:00Z"), Text: "works in the house", Line: 35},
		{ID: "f", Dwelling: "larch-05", Kind: "meter-moved", At: at("2026-05-31T23:00:00Z"), Channel: greywatt.Flow, Line: 43},
		{ID: "g", Dwelling: "larch-05", Kind: "heater-replaced", At: at("2026-05-31T23:00:00Z"), Line: 50,
			Heater: &greywatt.Heater{Kind: "heat pump", Efficiency: 2.8, CarbonKgPerKWh: math.NaN(), PricePerKWh: math.NaN(), Currency: "EUR", HotC: 50}},
		{ID: "h", Dwelling: "larch-05", Kind: "withdrawn", At: at("2026-06-08T23:00:00Z"), Of: "f", Text: "was larch-06", Line: 57},
		{ID: "i", Dwelling: "larch-05", Kind: "unit-moved", At: at("2026-06-09T23:00:00Z"), Place: "loft", Line: 65},
		{ID: "j", Dwelling: "larch-05", Kind: "reconnected", At: at("2026-06-10T23:00:00Z"), Connection: greywatt.ConnectionC, Line: 72},
		{ID: "k", Dwelling: "larch-05", Kind: "unit-replaced", At: at("2026-06-11T23:00:00Z"), Line: 79, Exchanger: &greywatt.Exchanger{
			Orientation: greywatt.Vertical, Rated: []greywatt.RatedPoint{{FlowLMin: 9, Effectiveness: 0.5}}, RatedColdInC: 12, RatedWasteInC: 40, Serial: "S 17", Place: "below the bathroom"}},
	}
	equal := func(what string, got []greywatt.Fact) {
		t.Helper()
		if diff := cmp.Diff(want, got, cmp.Comparer(func(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) })); diff != "" {
			t.Errorf("%s, - wanted + got:\n%s", what, diff)
		}
	}
	equal("read", facts)

	// Written and read again it says the same; merged with itself too.
	var written strings.Builder
	for i := range facts {
		written.WriteString("\n" + studyfile.FormatFact(&facts[i]))
	}
	again, err := studyfile.ReadJournal([]byte(written.String()+written.String()), study)
	if err != nil {
		t.Fatalf("%v\n%s", err, written.String())
	}
	for i := range again {
		again[i].Line = want[i].Line
	}
	equal("written and read again", again)
}

func TestReadJournalMistakes(t *testing.T) {
	study := studyOf(t, journalStudy)
	const fact = "[[fact]]\nid = \"a\"\ndwelling = \"larch-04\"\nat = 2026-06-02\n"
	for name, test := range map[string]struct{ file, want string }{
		"kind":            {fact + `kind = "clened"`, `line 5: fact[a].kind: "clened": want one of cleaned, repaired`},
		"no kind":         {fact, `line 1: fact[a].kind: missing`},
		"other kinds key": {fact + "kind = \"cleaned\"\noffset_k = 1", `line 6: fact[a]."offset_k": unknown key`},
		"dwelling":        {strings.Replace(fact, "-04", "-4", 1) + `kind = "cleaned"`, `line 3: fact[a].dwelling: no dwelling "larch-4" in the study; did you mean larch-04?`},
		"early":           {strings.Replace(fact, "2026-06-02", "2026-01-02", 1) + `kind = "cleaned"`, `line 4: fact[a].at: is before the unit was commissioned on 2026-01-12`},
		"year":            {strings.Replace(fact, "2026", "1826", 1) + `kind = "cleaned"`, `line 4: fact[a].at: 1826-06-02 is not within`},
		"time as text":    {strings.Replace(fact, "2026-06-02", `"2026-06-02"`, 1) + `kind = "cleaned"`, `line 4: fact[a].at: want a time, got the text`},
		"meter of clamp":  {fact + "kind = \"meter-moved\"\nchannel = \"cold-in\"", `line 6: fact[a].channel: cold-in is a temperature`},
		"clamp of meter":  {fact + "kind = \"clamp-replaced\"\nsensor = { channel = \"flow\" }", `line 6: fact[a].sensor: flow is a flow`},
		"sensor's key":    {fact + "kind = \"clamp-replaced\"\nsensor = { channel = \"cold-in\", u95 = 1 }", `line 6: fact[a].sensor."u95": unknown key; did you mean u95_k?`},
		"sensor's name":   {fact + "kind = \"clamp-replaced\"\nsensor = { channel = \"cold-in\", name = \"urn:x\" }", `line 6: fact[a].sensor: name is not for the journal`},
		"unit":            {fact + "kind = \"unit-replaced\"\nexchanger = {}", `line 6: fact[a].exchanger.rated: missing`},
		"no unit":         {fact + "kind = \"unit-replaced\"", `line 1: fact[a].exchanger: missing`},
		"end":             {fact + "kind = \"left-out\"\nuntil = 2026-06-01\ntext = \"x\"", `line 6: fact[a].until: is not after at`},
		"no reason":       {fact + "kind = \"left-out\"\nuntil = 2026-06-05\ntext = \" \"", `line 7: fact[a].text: " ": want a text that is not empty`},
		"two of an id":    {fact + "kind = \"cleaned\"\n" + fact + "kind = \"valve-half-open\"", `line 7: fact[a].id: is another fact's id too, on line 1`},
		"of nothing":      {fact + "kind = \"withdrawn\"\nof = \"b\"", `line 1: fact[a].of: no fact "b"`},
		"of itself":       {fact + "kind = \"withdrawn\"\nof = \"a\"", `line 1: fact[a].of: "a" is a withdrawal itself`},
		"study's table":   {"[[dwelling]]\nid = \"x\"\n", `line 1: "dwelling": unknown key; known here: fact`},
		"not TOML":        {fact + "kind = cleaned", `line 5: not TOML`},
	} {
		_, err := studyfile.ReadJournal([]byte(test.file), study)
		var mistakes studyfile.Mistakes
		if !errors.As(err, &mistakes) || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%s: %v\nwant %s", name, err, test.want)
			continue
		}
		if len(mistakes) != 1 {
			t.Errorf("%s: %d mistakes: %v", name, len(mistakes), err)
		}
	}
}

func FuzzReadJournal(f *testing.F) {
	study, err := studyfile.Read(strings.NewReader(journalStudy))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(everyKind)
	f.Add("[[fact]]\nkind = \"offset\"\nexchanger = 1\n")
	f.Fuzz(func(t *testing.T, file string) {
		facts, err := studyfile.ReadJournal([]byte(file), study)
		var mistakes studyfile.Mistakes
		if err != nil && !errors.As(err, &mistakes) {
			t.Fatalf("error %v is not Mistakes", err)
		}
		for _, m := range mistakes {
			if m.Line < 1 || m.Line > strings.Count(file, "\n")+1 {
				t.Errorf("mistake on line %d of %d: %s", m.Line, strings.Count(file, "\n")+1, m)
			}
		}
		for i := range facts {
			text := studyfile.FormatFact(&facts[i])
			if facts[i].Kind == greywatt.FactWithdrawn {
				continue // is not read without the other
			}
			again, err := studyfile.ReadJournal([]byte(text), study)
			if err != nil || studyfile.FormatFact(&again[0]) != text {
				t.Fatalf("%v\n%s", err, text)
			}
		}
		study.With(facts)
	})
}
