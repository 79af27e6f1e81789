package propose

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"greywatt/ingest/recipe"
	"greywatt/ingest/recipe/table"
)

// For every format of the zoo the proposal reads the file's dialect and time as
// the recipe there does, where the few rows can tell.
func TestZoo(t *testing.T) {
	const zoo = "../testdata/zoo/"
	zones := map[string]string{"semicolon": "Europe/Berlin", "latin1": "Europe/Madrid", "us-tab": "America/New_York", "utf16": "UTC"}
	n := 0
	for _, name := range []string{"semicolon.csv", "newest-first.csv", "us-tab.txt", "utf16.csv", "latin1.csv", "bare.csv", "long.csv", "preamble.dat", "pulses.csv",
		"since-last.csv", "resistors.csv", "tenths.csv", "quotes.csv", "json-lines.json", "workbook.xlsx", "blanks.txt", "zip-days.zip", "gzipped.csv.gz"} {
		stem := strings.SplitN(name, ".", 2)[0]
		s, err := table.Look(zoo+name, 1<<20, 1000)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		zone := "Europe/Dublin"
		if z, ok := zones[stem]; ok {
			zone = z
		}
		loc, err := time.LoadLocation(zone)
		if err != nil {
			t.Fatal(err)
		}
		p, err := File(&Sample{Name: name, Format: s.Format, Text: s.Text, Rows: s.Rows, Sheet: s.Sheet}, Options{Zone: loc, Dwellings: []string{"larch-04"}})
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		want := readOne(t, stem, mustRead(t, zoo+stem+".toml"))
		// What the few rows cannot tell, such as the channels, does not matter here.
		text := p.String()
		if !strings.Contains(text, "\n[[channel]]\n") {
			text += "\n[[channel]]\nchannel = \"cold-in\"\nfrom = 1\nunit = \"Cel\"\n"
			if want.File.Format == recipe.JSON {
				text = strings.Replace(text, "from = 1\n", "from = \"$.x\"\n", 1)
			}
		}
		got := readOne(t, name, text)
		if got == nil {
			continue
		}
		n++
		gf, wf := *got.File, *want.File
		if wf.Encoding == "iso-8859-1" {
			wf.Encoding = "windows-1252" // the same for these letters
		}
		if stem == "preamble" {
			gf.SkipLines, wf.SkipLines = 0, 0 // the comment among them may be skipped too
		}
		if stem == "quotes" || stem == "pulses" || stem == "since-last" {
			gf.Thousands, wf.Thousands = 0, 0 // in one cell only
			gf.NameFrom, gf.ValueFrom = recipe.Ref{}, recipe.Ref{}
		}
		if fmt.Sprintf("%+v", gf) != fmt.Sprintf("%+v", wf) {
			t.Errorf("%s: the file is proposed as\n%+v\nand is\n%+v\n%s", name, gf, wf, text)
		}
		if fmt.Sprint(got.Time.From) != fmt.Sprint(want.Time.From) || !sameFormat(got.Time.Format.String(), want.Time.Format.String()) || got.Time.NewestFirst != want.Time.NewestFirst {
			t.Errorf("%s: the time is proposed as %v %s, and is %v %s", name, got.Time.From, got.Time.Format, want.Time.From, want.Time.Format)
		}
	}
	if n < 18 {
		t.Errorf("%d were compared", n)
	}
}

// sameFormat counts patterns as equal that differ only in whether a leading zero
// is required.
func sameFormat(a, b string) bool {
	loose := strings.NewReplacer("DD", "D", "MM", "M", "hh", "h")
	return loose.Replace(a) == loose.Replace(b)
}

func mustRead(t *testing.T, path string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Clean(path))
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func readOne(t *testing.T, name, text string) *recipe.Recipe {
	t.Helper()
	rs, err := recipe.Read(strings.NewReader(text))
	if err != nil || len(rs) != 1 {
		t.Errorf("%s: %v\n%s", name, err, text)
		return nil
	}
	return rs[0]
}

// A proposal can always be read as TOML, and never breaks on what it is given.
func FuzzFile(f *testing.F) {
	f.Add([]byte("time;a\n01.02.2026 03:04;1,5\n01.02.2026 03:05;1,6\n01.02.2026 03:06;1,6\n"))
	f.Add([]byte("{\"t\":1768199400,\"x\\\"y\":[1]}\n{\"t\":1768199401}\n{\"t\":1768199402,\"x\\\"y\":[2]}\n"))
	f.Add([]byte("1768199400 1 2\n1768199401 1 2\n1768199402 1 3\n"))
	f.Add([]byte(" 6203:\n01.02.20time;a04;\xe7\xe7\xe7\xe7\xe7265,5\n0\xff\x7f\xff2.2026103:05;\xff\x7f6\n01.02.2026 03:06;1,60"))
	f.Add([]byte("time;a\x01b\x1f\n01.02.2026 03:04;1,5\n01.02.2026 03:05;1,6\n01.02.2026 03:06;1,6\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		if len(text) > 4096 {
			return
		}
		p, err := File(&Sample{Name: "fuzz", Format: recipe.CSV, Text: text}, Options{})
		if err != nil {
			return
		}
		if _, err := recipe.Read(strings.NewReader(p.String())); err != nil && strings.Contains(err.Error(), "not TOML") {
			t.Errorf("%v\n%s", err, p)
		}
	})
}

// Where a file has a few rows only, headings and levels still tell what they can,
// a pipe that warms up is no counter, and what is a guess is marked.
func TestFewRows(t *testing.T) {
	for name, want := range map[string]string{
		"semicolon.csv":   "waste-in=Abw_ein[Cel] waste-out=Abw_aus[Cel] cold-in=Kalt[Cel] flow=Durchfluss[l/min]",
		"us-tab.txt":      "waste-in=DrainHi[degF] waste-out=DrainLo[degF] cold-in=Cold[degF] preheat-out=Pre[degF] flow=GPM[gal_us/min]",
		"workbook.xlsx":   "waste-in=In[Cel] waste-out=Out[Cel] cold-in=Cold[Cel] preheat-out=Pre[Cel] flow=Flow[l/min]",
		"json-lines.json": "flow=$.flow.lpm[l/min]",
	} {
		s, err := table.Look("../testdata/zoo/"+name, 1<<20, 1000)
		if err != nil {
			t.Fatal(err)
		}
		p, err := File(&Sample{Name: name, Format: s.Format, Text: s.Text, Rows: s.Rows, Sheet: s.Sheet}, Options{Zone: time.UTC, Dwellings: []string{"larch-04"}})
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, c := range readOne(t, name, p.String()).Channels {
			got = append(got, fmt.Sprintf("%s=%s[%s]", c.Channel, c.From, c.Unit.Name))
		}
		if strings.Join(got, " ") != want {
			t.Errorf("%s: proposed %s, want %s\n%s", name, strings.Join(got, " "), want, p)
		}
		if name == "us-tab.txt" && strings.Count(p.String(), "DOUBT: half of the mains") != 4 {
			t.Errorf("the guess of a unit is not marked:\n%s", p)
		}
	}
}
