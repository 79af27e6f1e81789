package studyfile_test

import (
	"errors"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"greywatt"
	"greywatt/ingest/internal/fuzzcorpus"
	"greywatt/ingest/studyfile"
)

// minimal is a study with nothing but what must be stated.
const minimal = `[[dwelling]]
id = "larch-04"
connection = "A"
[dwelling.exchanger]
rated = [ { flow_l_min = 9.5, effectiveness = 0.57 } ]
`

func TestRead(t *testing.T) {
	file, err := os.Open("../../testdata/study.toml")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	s, err := studyfile.Read(file)
	if err != nil {
		t.Fatal(err)
	}
	if s.Name != "Larch Row retrofit" || s.Timezone.String() != "Europe/Dublin" || len(s.Dwellings) != 1 {
		t.Errorf("study %q in %s with %d dwellings", s.Name, s.Timezone, len(s.Dwellings))
	}
	d := s.Dwellings[0]
	if d.ID != "larch-04" || d.Connection != greywatt.ConnectionA || d.Commissioned != (greywatt.Date{Year: 2026, Month: time.January, Day: 12}) {
		t.Errorf("dwelling %q, connection %s, commissioned %s", d.ID, d.Connection, d.Commissioned)
	}
	if want := []greywatt.RatedPoint{{FlowLMin: 7, Effectiveness: 0.62}, {FlowLMin: 9.5, Effectiveness: 0.57}}; fmt.Sprint(d.Exchanger.Rated) != fmt.Sprint(want) {
		t.Errorf("rated %v, want %v in ascending flow", d.Exchanger.Rated, want)
	}
	if x := d.Exchanger; x.RatedColdInC != 12 || x.RatedWasteInC != 40 {
		t.Errorf("rated at inlets of %g °C and %g °C", x.RatedColdInC, x.RatedWasteInC)
	}
	if want := (greywatt.Heater{Kind: "gas combi boiler", Efficiency: 0.88, CarbonKgPerKWh: 0.21, PricePerKWh: 0.071, Currency: "EUR", HotC: 55}); d.Heater != want {
		t.Errorf("heater %+v, want %+v", d.Heater, want)
	}
	clamp, ok := d.Sensor(greywatt.WasteIn, "n1")
	if want := (greywatt.Sensor{Channel: greywatt.WasteIn, Node: "n1", OffsetK: 0.1, U95K: 0.3, ResponseS: 18, LossFraction: 0.03, Scale: 1, BatchU95K: 0.3}); !ok || clamp != want {
		t.Errorf("waste-in %+v, want %+v", clamp, want)
	}
	if flow, ok := d.Sensor(greywatt.Flow, "n7"); !ok || flow.Scale != 1 || flow.U95Relative != 0.03 {
		t.Errorf("flow %+v", flow)
	}
	if len(d.Cleaned) != 1 || d.Cleaned[0].String() != "2026-06-02" {
		t.Errorf("cleaned %v", d.Cleaned)
	}
}

func TestReadDefaults(t *testing.T) {
	s, err := studyfile.Read(strings.NewReader(minimal))
	if err != nil {
		t.Fatal(err)
	}
	d := s.Dwellings[0]
	if s.Name != "" || s.Timezone != time.UTC || !d.Commissioned.IsZero() || d.Exchanger.Orientation != greywatt.Vertical || d.Cleaned != nil {
		t.Errorf("study %+v", s)
	}
	if h := d.Heater; h.Kind != "unstated" || h.Efficiency != 0.9 || !math.IsNaN(h.CarbonKgPerKWh) || !math.IsNaN(h.PricePerKWh) || h.Currency != "EUR" || h.HotC != 55 {
		t.Errorf("heater %+v", h)
	}
	if x := d.Exchanger; x.RatedColdInC != 12 || x.RatedWasteInC != 40 {
		t.Errorf("rated at inlets of %g °C and %g °C", x.RatedColdInC, x.RatedWasteInC)
	}
	if s, ok := d.Sensor(greywatt.ColdIn, "any"); !ok || s != greywatt.DefaultSensor(greywatt.ColdIn) {
		t.Errorf("undeclared sensor %+v", s)
	}
}

// Each row is a whole file and every mistake in it: its line, and pieces of
// what must be said.
func TestReadMistakes(t *testing.T) {
	tests := map[string]struct {
		file string
		want []string // LINE: piece [| piece]...
	}{
		"empty":                    {"", []string{"1: dwelling: the study has none | [[dwelling]]"}},
		"all missing":              {"[[dwelling]]\n", []string{"1: dwelling[1].id: missing", "1: dwelling[1].connection: missing", "1: dwelling[1].exchanger.rated: missing"}},
		"unknown keys":             {"color = 1\n[studdy]\n" + minimal + "efectiveness = 1\n", []string{`1: "color": unknown key`, `2: "studdy": unknown key; did you mean study?`, `8: dwelling[larch-04].exchanger."efectiveness": unknown key`}},
		"unknown in a point":       {strings.Replace(minimal, "flow_l_min", "flow_lmin", 1), []string{"5: dwelling[larch-04].exchanger.rated[1].flow_l_min: missing", `5: dwelling[larch-04].exchanger.rated[1]."flow_lmin": unknown key; did you mean flow_l_min?`}},
		"single brackets":          {strings.Replace(minimal, "[[dwelling]]", "[dwelling]", 1), []string{"1: dwelling: want a list of tables, got a table; write [[dwelling]], with double brackets"}},
		"double brackets":          {"[[study]]\nname = \"x\"\n" + minimal, []string{"1: study: want one table, got a list; write [study], with single brackets"}},
		"ids":                      {strings.Replace(minimal, "larch-04", "larch/04", 1), []string{`2: dwelling[larch/04].id: "larch/04": want 1 to 128 letters`}},
		"id of dots":               {strings.Replace(minimal, "larch-04", "..", 1), []string{`2: dwelling[..].id: "..": want`}},
		"id too long":              {strings.Replace(minimal, "larch-04", strings.Repeat("a", 129), 1), []string{"2: dwelling[1].id"}},
		"id twice":                 {minimal + minimal, []string{"7: dwelling[larch-04].id: already the dwelling on line 2"}},
		"id a number":              {strings.Replace(minimal, `"larch-04"`, "4", 1), []string{"2: dwelling[1].id: want a text in quotes, got 4"}},
		"connection":               {strings.Replace(minimal, `"A"`, `"a"`, 1), []string{`3: dwelling[larch-04].connection: "a": want A, B or C`}},
		"percent":                  {strings.Replace(minimal, "0.57", "57", 1), []string{"5: dwelling[larch-04].exchanger.rated[1].effectiveness: 57 is not within 0.01 to 0.99; state a fraction, such as 0.57 for 57 %"}},
		"no point":                 {strings.Replace(minimal, "{ flow_l_min = 9.5, effectiveness = 0.57 }", "", 1), []string{"5: dwelling[larch-04].exchanger.rated: no point"}},
		"point no table":           {strings.Replace(minimal, "{ flow_l_min = 9.5, effectiveness = 0.57 }", "0.57", 1), []string{"5: dwelling[larch-04].exchanger.rated: want a table, got 0.57"}},
		"same flow":                {strings.Replace(minimal, "[ {", "[ { flow_l_min = 9.5, effectiveness = 0.6 }, {", 1), []string{"5: dwelling[larch-04].exchanger.rated[2].flow_l_min: 9.5 l/min is already stated on line 5"}},
		"number in quotes":         {strings.Replace(minimal, "9.5", `"9.5 l/min"`, 1), []string{`5: dwelling[larch-04].exchanger.rated[1].flow_l_min: want a number, got the text "9.5 l/min"; leave out the quotes and any unit`}},
		"not a number":             {strings.Replace(minimal, "9.5", "nan", 1), []string{"rated[1].flow_l_min: NaN is not within"}},
		"timezone":                 {"[study]\ntimezone = \"Dublin\"\n" + minimal, []string{`2: study.timezone: no time zone "Dublin"`}},
		"timezone of this machine": {"[study]\ntimezone = \"Local\"\n" + minimal, []string{`2: study.timezone: no time zone "Local"`}},
		"dates":                    {strings.Replace(minimal, "id =", "commissioned = \"12/01/2026\"\nid =", 1) + "[[dwelling.cleaned]]\non = 2026-06-02T10:00:00Z\n[[dwelling.cleaned]]\n[[dwelling.cleaned]]\non = 26\n", []string{`2: dwelling[larch-04].commissioned: "12/01/2026" is not a date`, "8: dwelling[larch-04].cleaned[1].on: want a date, got a time of day", "9: dwelling[larch-04].cleaned[2].on: missing", "11: dwelling[larch-04].cleaned[3].on: want a date, got 26"}},
		"no such day":              {strings.Replace(minimal, "id =", "commissioned = 2026-02-30\nid =", 1), []string{`2: "2026-02-30" is not TOML`}},
		"cleaned too soon":         {strings.Replace(minimal, "id =", "commissioned = 2026-02-03\nid =", 1) + "[[dwelling.cleaned]]\non = 2026-02-02\n", []string{"8: dwelling[larch-04].cleaned[1].on: 2026-02-02 is before the unit was commissioned on 2026-02-03"}},
		"rated inlets":             {minimal + "rated_cold_in_c = 50\nrated_waste_in_c = 104\n", []string{"6: dwelling[larch-04].exchanger.rated_cold_in_c: 50 is not within -1 to 35; state the cold inlet", "7: dwelling[larch-04].exchanger.rated_waste_in_c: 104 is not within 9 to 70"}},
		"rated inlets swapped":     {minimal + "rated_cold_in_c = 35\nrated_waste_in_c = 12\n", []string{"7: dwelling[larch-04].exchanger.rated_waste_in_c: the waste inlet of 12 °C is less than 10 K above the cold inlet of 35 °C; copy both"}},
		"rated inlet too near":     {minimal + "rated_cold_in_c = 30.5\n", []string{"6: dwelling[larch-04].exchanger.rated_cold_in_c: the waste inlet of 40 °C is less than 10 K above the cold inlet of 30.5 °C"}},
		"rated inlet not a number": {minimal + "rated_waste_in_c = nan\n", []string{"6: dwelling[larch-04].exchanger.rated_waste_in_c: NaN is not within"}},
		"heater":                   {minimal + "[dwelling.heater]\nefficiency = 88\ncurrency = \"euro\"\nhot_c = 120\ncarbon_kg_per_kwh = -1\nprice_per_kwh = true\n", []string{"7: dwelling[larch-04].heater.efficiency: 88 is not within 0.1 to 8", "8: dwelling[larch-04].heater.currency", "9: dwelling[larch-04].heater.hot_c", "10: dwelling[larch-04].heater.carbon_kg_per_kwh", "11: dwelling[larch-04].heater.price_per_kwh: want a number, got true"}},
		"flow as a clamp":          {minimal + "[[dwelling.sensor]]\nchannel = \"flow\"\noffset_k = 0.1\n", []string{"8: dwelling[larch-04].sensor[flow].offset_k: belongs to a temperature, and flow is a flow"}},
		"clamp as a flow":          {minimal + "[[dwelling.sensor]]\nchannel = \"ambient\"\nscale = 1.0\n", []string{"8: dwelling[larch-04].sensor[ambient].scale: belongs to a flow, and ambient is a temperature"}},
		"sensor ranges":            {minimal + "[[dwelling.sensor]]\nchannel = \"cold-in\"\nresponse_s = 601\nloss_fraction = 3\nu95_k = 0\n[[dwelling.sensor]]\nchannel = \"flow\"\nscale = 0\nu95_relative = 3\n", []string{"8: dwelling[larch-04].sensor[cold-in].response_s", "9: dwelling[larch-04].sensor[cold-in].loss_fraction: 3 is not within 0 to 0.5", "10: dwelling[larch-04].sensor[cold-in].u95_k", "13: dwelling[larch-04].sensor[flow].scale", "14: dwelling[larch-04].sensor[flow].u95_relative"}},
		"channel":                  {minimal + "[[dwelling.sensor]]\nchannel = \"waste_in\"\n[[dwelling.sensor]]\nnode = \"n1\"\n", []string{`7: dwelling[larch-04].sensor[waste_in].channel: "waste_in": want one of waste-in,`, "8: dwelling[larch-04].sensor[2].channel: missing"}},
		"sensor twice":             {minimal + "[[dwelling.sensor]]\nchannel = \"flow\"\n[[dwelling.sensor]]\nchannel = \"flow\"\n[[dwelling.sensor]]\nchannel = \"flow\"\nnode = \"n1\"\n", []string{"8: dwelling[larch-04].sensor[flow]: flow is already described on line 6"}},
		"names":                    {minimal + "[[dwelling.sensor]]\nchannel = \"flow\"\nname = \"urn:dev:mac:01\"\n[[dwelling.sensor]]\nchannel = \"cold-in\"\nname = \"urn:dev:mac:01\"\n[[dwelling.sensor]]\nchannel = \"ambient\"\nname = \"larch-04/n1/waste-in\"\n[[dwelling.sensor]]\nchannel = \"waste-in\"\nname = \"/x\"\n", []string{`11: dwelling[larch-04].sensor[cold-in].name: "urn:dev:mac:01" is already a sensor's name on line 8`, `14: dwelling[larch-04].sensor[ambient].name: "larch-04/n1/waste-in" already means waste-in of dwelling larch-04`, `17: dwelling[larch-04].sensor[waste-in].name: "/x": want a SenML name`}},
		"key twice":                {strings.Replace(minimal, "id =", "id = \"x\"\nid =", 1), []string{"3: id: stated twice, first on line 2"}},
		"table twice":              {minimal + "[dwelling.heater]\n[dwelling.heater]\n", []string{"7: [dwelling.heater]: stated twice, first on line 6"}},
		"value and table":          {strings.Replace(minimal, "[dwelling.exchanger]", "exchanger = 1\n[dwelling.exchanger]", 1), []string{"4: dwelling[larch-04].exchanger: want one table, got 1", "5: dwelling.exchanger: a table here, something else on line 4"}},
		"syntax, and the rest":     {"[study]\nname = Larch\ntimezone = \"nowhere\"\n" + strings.Replace(minimal, `"A"`, `"D"`, 1), []string{"2: not TOML: ", `6: dwelling[larch-04].connection: "D"`}},
		"header broken":            {minimal + "[dwelling.heater\nefficiency = 88\n", []string{"6: not TOML: "}},
		"number broken":            {strings.Replace(minimal, "9.5", "09.5", 1), []string{"5: not TOML: integers cannot have leading zeroes"}},
		"string not ended":         {strings.Replace(minimal, `"A"`, `"A`, 1), []string{"3: not TOML: "}},
		"inline table extended":    {strings.Replace(minimal, "[dwelling.exchanger]", "heater = { hot_c = 50 }\n[dwelling.exchanger]", 1) + "[dwelling.heater.more]\n", []string{`7: dwelling[larch-04].heater."more": unknown key`}},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			_, err := studyfile.Read(strings.NewReader(test.file))
			var mistakes studyfile.Mistakes
			if !errors.As(err, &mistakes) {
				t.Fatalf("error %v, want Mistakes", err)
			}
			if len(mistakes) != len(test.want) {
				t.Fatalf("got %d mistakes, want %d:\n%v", len(mistakes), len(test.want), err)
			}
			for i, want := range test.want {
				for piece := range strings.SplitSeq(want, " | ") {
					if !strings.Contains(mistakes[i].String(), piece) {
						t.Errorf("mistake %d is\n\t%s\nwant it to contain\n\t%s", i, mistakes[i], piece)
					}
				}
				if !strings.HasPrefix(mistakes[i].String(), want[:strings.Index(want, ":")+1]) && want[0] <= '9' {
					t.Errorf("mistake %d is on line %d, want %s", i, mistakes[i].Line, want)
				}
				if mistakes[i].What == "" || mistakes[i].Remedy == "" {
					t.Errorf("mistake %d says too little: %+v", i, mistakes[i])
				}
			}
		})
	}
}

func TestReadTakes(t *testing.T) {
	for name, file := range map[string]string{
		"windows line ends":    strings.ReplaceAll(minimal, "\n", "\r\n"),
		"byte order mark":      "\ufeff" + minimal,
		"date as text":         strings.Replace(minimal, "id =", "commissioned = \"2026-01-12\"\nid =", 1),
		"points as tables":     "[[dwelling]]\nid = \"b\"\nconnection = \"B\"\n[[dwelling.exchanger.rated]]\nflow_l_min = 9\neffectiveness = 0.5\n",
		"dotted keys":          "study.name = \"x\"\n[[dwelling]]\nid = \"b\"\nconnection = \"B\"\nexchanger.rated = [ { flow_l_min = 9, effectiveness = 0.5 } ]\nheater.hot_c = 60\n",
		"a channel, two nodes": minimal + "[[dwelling.sensor]]\nchannel = \"flow\"\nnode = \"n1\"\n[[dwelling.sensor]]\nchannel = \"flow\"\nnode = \"n2\"\n",
		"rated inlets":         minimal + "rated_cold_in_c = 10\nrated_waste_in_c = 38.5\n",
		"own place as a name":  minimal + "[[dwelling.sensor]]\nchannel = \"flow\"\nname = \"larch-04/n1/flow\"\n",
	} {
		if _, err := studyfile.Read(strings.NewReader(file)); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestReadSorts(t *testing.T) {
	file := strings.Replace(minimal, "[ {", "[ { flow_l_min = 12, effectiveness = 0.5 }, { flow_l_min = 7, effectiveness = 0.6 }, {", 1) +
		"[[dwelling.cleaned]]\non = 2026-06-02\n[[dwelling.cleaned]]\non = 2026-03-01\n"
	s, err := studyfile.Read(strings.NewReader(file))
	if err != nil {
		t.Fatal(err)
	}
	d := s.Dwellings[0]
	if got := fmt.Sprint(d.Exchanger.Rated); got != "[{7 0.6} {9.5 0.57} {12 0.5}]" {
		t.Errorf("rated %s", got)
	}
	if got := fmt.Sprint(d.Cleaned); got != "[2026-03-01 2026-06-02]" {
		t.Errorf("cleaned %s", got)
	}
}

func ExampleRead() {
	_, err := studyfile.Read(strings.NewReader(`
[[dwelling]]
id = "larch-04"
connection = "D"
exchanger.rated = [ { flow_l_min = 9.5, effectiveness = 57 } ]
heater.eficiency = 0.88
`))
	fmt.Println(err)
	// Output:
	// line 4: dwelling[larch-04].connection: "D": want A, B or C; A feeds the mixer's cold side and the water heater, B the mixer only, C the heater only
	// line 5: dwelling[larch-04].exchanger.rated[1].effectiveness: 57 is not within 0.01 to 0.99; state a fraction, such as 0.57 for 57 %
	// line 6: dwelling[larch-04].heater."eficiency": unknown key; did you mean efficiency?
}

// FuzzRead looks for files that panic, and for mistakes without a line.
func FuzzRead(f *testing.F) {
	whole, err := os.ReadFile("../../testdata/study.toml")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(string(whole))
	f.Add(minimal)
	f.Add("a = [{b.c = 1, b.c.d = 2}]\n[a]\n[[a.b]]\n[x.\"y\".'z']\n")
	f.Add("study = 1\n[study.x]\n[[study]]\ndwelling = [[], [{}], 1979-05-27T07:32:00Z]\n")
	f.Add("[study]\nname = \"\"\"\n\n[dwelling]\"\"\"x\n[[dwelling]]\nid=\n[[dwelling.sensor]]\n")
	for _, seed := range fuzzcorpus.Read(f) {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, file string) {
		s, err := studyfile.Read(strings.NewReader(file))
		if (s == nil) == (err == nil) {
			t.Fatalf("study %v with error %v", s, err)
		}
		var mistakes studyfile.Mistakes
		if err != nil && !errors.As(err, &mistakes) {
			t.Fatalf("error %v is not Mistakes", err)
		}
		if len(mistakes) > 2*len(file)+2 {
			t.Errorf("%d mistakes in %d bytes", len(mistakes), len(file))
		}
		if _, again := studyfile.Read(strings.NewReader(file)); fmt.Sprint(again) != fmt.Sprint(err) {
			t.Errorf("read again: %v, before: %v", again, err)
		}
		for _, m := range mistakes {
			if m.Line < 1 || m.Line > strings.Count(file, "\n")+1 {
				t.Errorf("mistake on line %d of %d: %s", m.Line, strings.Count(file, "\n")+1, m)
			}
		}
		if s == nil {
			return
		}
		for _, d := range s.Dwellings {
			if d.ID == "" || d.Connection < 'A' || d.Connection > 'C' || len(d.Exchanger.Rated) == 0 {
				t.Errorf("taken without what must be stated: %+v", d)
			}
		}
	})
}
