package studyfile_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"testing/fstest"

	"greywatt"
	"greywatt/ingest/studyfile"
)

// layered has each layer say something that the next one says otherwise.
const layered = `[study]
name = "Larch Row"
dwellings = "homes/table.csv"

[defaults]
connection = "A"
exchanger.rated = [ { flow_l_min = 9.5, effectiveness = 0.57 } ]
exchanger.rated_cold_in_c = 10.0
heater = { efficiency = 0.80, hot_c = 50 }
[[defaults.sensor]]
channel = "waste-in"
u95_k = 0.4
batch = "m1"
batch_u95_k = 0.3
calibrated = 2025-11-03
certificate = "cal-17"
[[defaults.sensor]]
channel = "flow"
u95_relative = 0.03

[group.pump]
heater = { efficiency = 2.5, kind = "heat pump" }
[group.control]

[[dwelling]]
id = "h1"
heater.efficiency = 0.9
[[dwelling.sensor]]
channel = "waste-in"
u95_k = 0.2
`

const layeredTable = "id,group,connection,rated,heater_efficiency,heater_hot_c,waste_in_offset_k,flow_scale,recruited,fitted,commissioned,left,cleaned\r\n" +
	"h1,pump,B,7.0:0.62;9.5:0.57,2.2,45,0.1,1.02,,,,,\r\n" +
	",,,,,,,,,,,,\r\n" +
	"h2,pump,,,2.2,,,,2026-01-02,2026-01-03,2026-01-04,2026-06-30,2026-03-01;2026-02-01\r\n" +
	"h3,control,C,,,,,,,,,,\r\n" +
	"h4,,,,,,,,,,,,\r\n"

func beside(table string) fstest.MapFS {
	return fstest.MapFS{"homes/table.csv": &fstest.MapFile{Data: []byte(table)}}
}

// A dwelling's own key stands over its row's, that over its group's, and that
// over the default.
func TestLayers(t *testing.T) {
	s, err := studyfile.ReadBeside(strings.NewReader(layered), beside(layeredTable))
	if err != nil {
		t.Fatal(err)
	}
	of := map[string]*greywatt.Dwelling{}
	var ids []string
	for i := range s.Dwellings {
		d := &s.Dwellings[i]
		of[d.ID] = d
		ids = append(ids, d.ID)
	}
	if fmt.Sprint(ids) != "[h1 h2 h3 h4]" {
		t.Fatalf("dwellings %v", ids)
	}
	h1, h2, h3, h4 := of["h1"], of["h2"], of["h3"], of["h4"]
	for what, ok := range map[string]bool{
		"h1's efficiency is its own":           h1.Heater.Efficiency == 0.9,
		"h1's hot_c is its row's":              h1.Heater.HotC == 45,
		"h1's kind is its group's":             h1.Heater.Kind == "heat pump",
		"h1's connection is its row's":         h1.Connection == greywatt.ConnectionB,
		"h1's certificate is its row's":        len(h1.Exchanger.Rated) == 2,
		"h1's cold inlet is the default":       h1.Exchanger.RatedColdInC == 10,
		"h2's efficiency is its row's":         h2.Heater.Efficiency == 2.2,
		"h2's hot_c is the default":            h2.Heater.HotC == 50,
		"h2's connection is the default":       h2.Connection == greywatt.ConnectionA,
		"h2's days":                            h2.Recruited.String()+h2.Fitted.String()+h2.Commissioned.String()+h2.Left.String() == "2026-01-022026-01-032026-01-042026-06-30",
		"h2's cleanings, in order":             fmt.Sprint(h2.Cleaned) == "[2026-02-01 2026-03-01]",
		"h3's efficiency is the default":       h3.Heater.Efficiency == 0.8,
		"h3's connection is its row's":         h3.Connection == greywatt.ConnectionC,
		"h4 has no group":                      h4.Group == "" && h4.Heater.Kind == "unstated",
		"what h2 logs on its last day is in":   !leftOut(h2, 2026, 6, 30),
		"what h2 logs on the day after is not": leftOut(h2, 2026, 7, 1),
		"h3 has not left":                      !leftOut(h3, 2030, 1, 1),
	} {
		if !ok {
			t.Error(what + ": it is not so")
		}
	}
	clamp, _ := h1.Sensor(greywatt.WasteIn, "n1")
	// the default's batch_u95_k of 0.3 is a part of the default's u95_k
	if clamp.U95K != 0.2 || clamp.BatchU95K != 0.2 || clamp.OffsetK != 0.1 || clamp.Batch != "m1" || clamp.Certificate != "cal-17" || clamp.Calibrated.String() != "2025-11-03" {
		t.Errorf("h1's waste-in %+v", clamp)
	}
	if meter, _ := h1.Sensor(greywatt.Flow, "n1"); meter.Scale != 1.02 || meter.U95Relative != 0.03 || len(h1.Sensors) != 2 {
		t.Errorf("h1's meter %+v of %d sensors", meter, len(h1.Sensors))
	}
	if clamp, _ := h4.Sensor(greywatt.WasteIn, "n1"); clamp.U95K != 0.4 || clamp.BatchU95K != 0.3 {
		t.Errorf("h4's waste-in %+v", clamp)
	}
}

func leftOut(d *greywatt.Dwelling, year, month, day int) bool {
	at := greywatt.Date{Year: year, Month: 1, Day: 1}
	at.Month += 0
	for range month - 1 {
		at.Month++
	}
	at.Day = day
	noon := at.In((&greywatt.Study{}).Location()).Add(12 * 3600)
	_, out := d.LeftOutIn(noon, noon)
	return out
}

// Mistakes in the table name its line and column; what dwellings have in common
// is told once.
func TestTableMistakes(t *testing.T) {
	const study = "[study]\ndwellings = \"homes/table.csv\"\n[defaults]\nconnection = \"A\"\nexchanger.rated = [ { flow_l_min = 9.5, effectiveness = 0.57 } ]\n"
	for name, test := range map[string]struct {
		study, table string
		want         []string
	}{
		"number":         {study, "id,waste_in_u95_k\nh1,0.3\nh2,\"0,3\"\n", []string{`homes/table.csv:3: h2, column waste_in_u95_k: "0,3" is not a number; write it with a decimal point`}},
		"no hexadecimal": {study, "id,heater_hot_c\nh1,0x32\n", []string{`homes/table.csv:2: h1, column heater_hot_c: "0x32" is not a number`}},
		"range":          {study, "id,waste_in_u95_k\nh1,30\n", []string{"homes/table.csv:2: h1, column waste_in_u95_k: 30 is not within 0.0001 to 20"}},
		"heater":         {study, "id,heater_efficiency\nh1,88\n", []string{"homes/table.csv:2: h1, column heater_efficiency: 88 is not within 0.1 to 8; state a fraction"}},
		"connection":     {study, "id,connection\nh1,a\n", []string{`homes/table.csv:2: h1, column connection: "a": want A, B or C`}},
		"date":           {study, "id,fitted\nh1,12/01/2026\n", []string{`homes/table.csv:2: h1, column fitted: "12/01/2026" is not a date; write the day only`}},
		"order of dates": {study, "id,fitted,left\nh1,2026-01-12,2026-01-11\n", []string{"homes/table.csv:2: h1, column left: 2026-01-11 is before fitted, which is 2026-01-12"}},
		"cleaned":        {study, "id,cleaned\nh1,2026-01-12;soon\n", []string{`homes/table.csv:2: h1, column cleaned: "soon" is not a date`}},
		"point":          {study, "id,rated\nh1,0.57\n", []string{`homes/table.csv:2: h1, column rated: "0.57" is no point of a certificate; write flow in l/min, a colon`}},
		"points":         {study, "id,rated\nh1,9.5:57\n", []string{"homes/table.csv:2: h1, column rated: 57 is not within 0.01 to 0.99"}},
		"unknown column": {study, "id,conection\nh1,A\n", []string{`homes/table.csv:1: column "conection": unknown column; did you mean connection?`}},
		"column twice":   {study, "id,group,group\nh1,a,b\n", []string{"homes/table.csv:1: column group: is there twice"}},
		"no ids":         {study, "connection\nA\n", []string{"homes/table.csv:1: column id: missing", "homes/table.csv:2: 2, column id: missing"}},
		"id twice":       {study, "id\nh1\nh1\n", []string{"homes/table.csv:3: h1, column id: already the dwelling on line 2 of homes/table.csv"}},
		"short row":      {study, "id,group\nh1\n", []string{"homes/table.csv:2: dwelling[h1]: has 1 cells, and the header has 2"}},
		"quotes":         {study, "id,group\nh1,\"a\n", []string{"not CSV: "}},
		"empty":          {study, "", []string{"homes/table.csv:1: the table is empty"}},
		"no table":       {strings.Replace(study, "table.csv", "tabel.csv", 1), "", []string{"line 2: study.dwellings: there is no homes/tabel.csv in the folder"}},
		"not beside":     {strings.Replace(study, "homes/", "../", 1), "", []string{`line 2: study.dwellings: "../table.csv": want the name of a file in the folder`}},
		"missing":        {"[study]\ndwellings = \"homes/table.csv\"\n", "id\nh1\n", []string{"homes/table.csv:2: h1, column connection: missing", "homes/table.csv:2: h1, column rated: missing"}},
		"default, once":  {study + "heater.efficiency = 88\n", "id\nh1\nh2\n", []string{"line 6: defaults.heater.efficiency: 88 is not within"}},
		"unknown, once":  {study + "heater.eficiency = 0.88\n", "id\nh1\nh2\n", []string{`line 6: defaults.heater."eficiency": unknown key; did you mean efficiency?`}},
		"own":            {study + "id = \"h1\"\n", "id\nh1\n", []string{"line 6: defaults.id: is a dwelling's own"}},
		"name":           {study + "[[defaults.sensor]]\nchannel = \"flow\"\nname = \"x\"\n", "id\nh1\n", []string{"line 8: defaults.sensor[flow].name: is one sensor's own"}},
		"group":          {study + "[group.retrofit]\n", "id,group\nh1,retrofti\n", []string{"homes/table.csv:2: h1, column group: no [group.retrofti] beside the others; did you mean retrofit?"}},
		"group of group": {study + "[group.a]\ngroup = \"b\"\n", "id,group\nh1,a\n", []string{"line 7: group.a.group: is a dwelling's own"}},
		"together":       {study + "exchanger.rated_cold_in_c = 35\n", "id,rated_waste_in_c\nh1,41\nh2,60\n", []string{"line 6: defaults.exchanger.rated_cold_in_c: the waste inlet of 40 °C", "homes/table.csv:2: h1, column rated_waste_in_c: the waste inlet of 41 °C is less than 10 K above"}},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := studyfile.ReadBeside(strings.NewReader(test.study), beside(test.table))
			var mistakes studyfile.Mistakes
			if !errors.As(err, &mistakes) || len(mistakes) != len(test.want) {
				t.Fatalf("want %d mistakes, got\n%v", len(test.want), err)
			}
			for i, line := range strings.Split(err.Error(), "\n") {
				if !strings.Contains(line, test.want[i]) {
					t.Errorf("got\n\t%s\nwant\n\t%s", line, test.want[i])
				}
			}
		})
	}
	if _, err := studyfile.Read(strings.NewReader(study)); err == nil || !strings.Contains(err.Error(), "cannot be had here") {
		t.Errorf("without a folder: %v", err)
	}
}

// A table as spreadsheets write it where a comma is the decimal sign.
func TestTableWithSemicolons(t *testing.T) {
	const study = "study.dwellings = \"homes/table.csv\"\n"
	s, err := studyfile.ReadBeside(strings.NewReader(study), beside("\ufeffid;connection;rated\nh1;A;\"7.0:0.62; 9.5:0.57\"\n"))
	if err != nil || len(s.Dwellings) != 1 || len(s.Dwellings[0].Exchanger.Rated) != 2 {
		t.Errorf("%+v, %v", s, err)
	}
	if name := studyfile.TableName([]byte(study)); name != "homes/table.csv" {
		t.Errorf("the table's name: %q", name)
	}
}

// Two hundred dwellings take a study file of a page.
func TestLargeStudy(t *testing.T) {
	if lines := strings.Count(layered, "\n"); lines >= 60 {
		t.Fatalf("the study file has %d lines", lines)
	}
	var table strings.Builder
	table.WriteString("id,group,rated,waste_in_offset_k\n")
	for i := range 200 {
		fmt.Fprintf(&table, "home-%03d,%s,9.5:%.3f,%.2f\n", i, []string{"pump", "control"}[i%2], 0.5+float64(i)/2000, float64(i%7)/10)
	}
	study, _, _ := strings.Cut(layered, "[[dwelling]]")
	s, err := studyfile.ReadBeside(strings.NewReader(study), beside(table.String()))
	if err != nil || len(s.Dwellings) != 200 {
		t.Fatalf("%v", err)
	}
	d := &s.Dwellings[199]
	if clamp, _ := d.Sensor(greywatt.WasteIn, "n"); d.ID != "home-199" || d.Group != "control" || d.Exchanger.Rated[0].Effectiveness != 0.600 || clamp.OffsetK != 0.3 {
		t.Errorf("the last of them: %+v", d)
	}
}

// FuzzTable looks for tables that panic, and for mistakes without a place.
func FuzzTable(f *testing.F) {
	f.Add(layeredTable)
	f.Add("id;rated\nx;9:0.5;\n\"")
	f.Add("id,cleaned,flow_scale,flow_node\na,;;2026-01-01,1e9,/\n")
	f.Fuzz(func(t *testing.T, table string) {
		_, err := studyfile.ReadBeside(strings.NewReader(layered), beside(table))
		var mistakes studyfile.Mistakes
		if err != nil && !errors.As(err, &mistakes) {
			t.Fatalf("error %v is not Mistakes", err)
		}
		for _, m := range mistakes {
			text := table
			if m.File == "" {
				text = layered
			}
			if m.Line < 1 || m.Line > strings.Count(text, "\n")+1 {
				t.Errorf("mistake on line %d of %d: %s", m.Line, strings.Count(text, "\n")+1, m)
			}
		}
	})
}

// What the journal leaves out before a dwelling leaves stands before its leaving.
func TestLeavingAndTheJournal(t *testing.T) {
	s, err := studyfile.Read(strings.NewReader(strings.Replace(minimal, "id =", "left = 2026-06-30\nid =", 1)))
	if err != nil {
		t.Fatal(err)
	}
	facts, err := studyfile.ReadJournal([]byte("[[fact]]\nid = \"f\"\ndwelling = \"larch-04\"\nkind = \"left-out\"\nat = 2026-03-01\nuntil = 2026-03-02\ntext = \"works\"\n"), s)
	if err != nil {
		t.Fatal(err)
	}
	out := s.With(facts).Dwellings[0].LeftOut
	if len(out) != 2 || out[0].Reason != "works" || out[1].From <= out[0].To {
		t.Errorf("left out %+v", out)
	}
}
