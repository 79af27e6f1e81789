package table

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"go.uber.org/goleak"
	"golang.org/x/text/encoding/charmap"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/recipe"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// gaveOf writes what a file gave and how it ended, a line each.
func gaveOf(t *testing.T, text []byte, o Options) []string {
	t.Helper()
	var lines, rejected []string
	left, err := ReadStream(t.Context(), "f", iotest.DataErrReader(bytes.NewReader(text)), o, func(_ context.Context, rs []greywatt.Reading, rej []ingest.RejectedRecord) error {
		for _, r := range rs {
			lines = append(lines, fmt.Sprint(r.Dwelling, r.Node, r.Channel, r.At, math.Float64bits(r.Value)))
		}
		for _, r := range rej {
			rejected = append(rejected, fmt.Sprintf("%+v", r))
		}
		return nil
	})
	lines = append(lines, rejected...)
	lines = append(lines, fmt.Sprint(left.Rows, left.Columns, err))
	for _, name := range left.SensorNames() {
		lines = append(lines, fmt.Sprintf("%q %d", name, left.Sensors[name]))
	}
	return lines
}

// kinds are recipes with texts of random rows: what depends on the order of rows,
// what goes over several lines, and what cannot be used.
var kinds = map[string]struct {
	recipe string
	text   func(r *rand.Rand) []byte
}{
	"local times, an hour twice": {wide, func(r *rand.Rand) []byte { return localRows(r, false) }},
	"newest first":               {strings.Replace(wide, "timezone", "newest_first = true\ntimezone", 1), func(r *rand.Rand) []byte { return localRows(r, true) }},
	"counters": {"[file]\nformat = \"csv\"\n[time]\nfrom = \"t\"\nformat = \"unix-s\"\n[place]\ndwelling_from = \"d\"\nnode = \"n1\"\n" +
		"[[channel]]\nchannel = \"flow\"\nfrom = \"pulses\"\nunit = \"pulses\"\ncounter = \"total\"\npulses_per_litre = 450\n", func(r *rand.Rand) []byte {
		b := bytes.NewBufferString("t,d,pulses\n")
		count := 0
		for i := range r.IntN(300) {
			if count += r.IntN(40); r.IntN(30) == 0 {
				count = 0
			}
			fmt.Fprintf(b, "%d,larch-0%d,%d\n", 1768199400+3*i, 4+r.IntN(2), count)
		}
		return b.Bytes()
	}},
	"quotes": {"[file]\nformat = \"csv\"\ncomment = \"#\"\n[time]\nfrom = \"t\"\nformat = \"unix-s\"\n[place]\ndwelling = \"larch-04\"\nnode = \"n1\"\n" +
		"[[channel]]\nchannel = \"waste-in\"\nfrom = \"w\"\nunit = \"Cel\"\n", func(r *rand.Rand) []byte {
		b := bytes.NewBufferString("t,w,note\n")
		for i := range r.IntN(300) {
			at := 1768199400 + i
			switch r.IntN(16) {
			case 0:
				fmt.Fprintf(b, "%d,38,\"over%s lines, \"\"so\"\"\"\r\n", at, strings.Repeat("\n# more", r.IntN(5)))
			case 1:
				fmt.Fprintf(b, "%d,38,\"never ends\n", at)
			case 2:
				fmt.Fprintf(b, "%d,38,12\" pipe\n", at)
			case 3:
				b.WriteString("# a \"comment\n")
			case 4:
				b.WriteString(" \r\n")
			case 5:
				fmt.Fprintf(b, "\"%d\",\"38\",%s\n", at, strings.Repeat("\"x\n", r.IntN(4)))
			case 6:
				fmt.Fprintf(b, "%d,\"38\",\"%s\"\n", at, strings.Repeat("\n", 60+r.IntN(10)))
			case 7:
				fmt.Fprintf(b, "%d,warm,\n", at)
			default:
				fmt.Fprintf(b, "\"%d\",\"%d\",\"\"\n", at, r.IntN(140))
			}
		}
		return bytes.TrimSuffix(b.Bytes(), []byte("\n"))
	}},
	"long, Latin 1": {"[file]\nformat = \"csv\"\nencoding = \"iso-8859-1\"\nname_from = \"sensor\"\nvalue_from = \"value\"\n[time]\nfrom = \"t\"\nformat = \"rfc3339\"\n" + place +
		"[[channel]]\nchannel = \"waste-in\"\nfrom = \"Wärme\"\nunit = \"Cel\"\n", func(r *rand.Rand) []byte {
		b := bytes.NewBufferString("t,sensor,value,colour\n")
		for i := range r.IntN(3000) {
			name := "Wärme"
			if r.IntN(2) == 0 {
				name = fmt.Sprint("Kälte ", r.IntN(1500))
			}
			fmt.Fprintf(b, "%s,%s,%d,red\n", time.Unix(1768199400+int64(i), 0).UTC().Format(time.RFC3339), name, r.IntN(99))
		}
		latin, err := charmap.ISO8859_1.NewEncoder().Bytes(b.Bytes())
		if err != nil {
			panic(err)
		}
		return latin
	}},
	"JSON": {"[file]\nformat = \"json\"\nsamples = \"$.s[*]\"\n[time]\nfrom = \"$.t\"\nformat = \"unix-s\"\n[place]\ndwelling_from = \"$.d\"\nnode = \"n1\"\n" +
		"[[channel]]\nchannel = \"waste-in\"\nfrom = \"$..w\"\nunit = \"Cel\"\n", func(r *rand.Rand) []byte {
		b := &bytes.Buffer{}
		for i := range r.IntN(300) {
			switch r.IntN(9) {
			case 0:
				b.WriteString("{\"t\": \n")
			case 1:
				b.WriteString("\n")
			case 2:
				b.WriteString("\"\n")
			default:
				fmt.Fprintf(b, "{\"t\":%d,\"d\":\"larch-04\",\"s\":[{\"w\":%d},{\"x\":{\"w\":%d}}]}\n", 1768199400+i, r.IntN(150), r.IntN(150))
			}
		}
		return b.Bytes()
	}},
}

// localRows are rows of the night on which the clock in Dublin is put back, over which
// 01:00 to 02:00 comes twice: 2025-10-26 (IANA time zone database).
func localRows(r *rand.Rand, newestFirst bool) []byte {
	dublin, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		panic(err)
	}
	var rows []string
	at := time.Date(2025, 10, 25, 22, 0, 0, 0, time.UTC)
	for range 200 + r.IntN(300) {
		at = at.Add(time.Duration(1+r.IntN(60)) * time.Second)
		row := at.In(dublin).Format("02.01.2006 15:04:05") + fmt.Sprintf(";%d,5;20;10;15;%d", r.IntN(60), r.IntN(9))
		switch r.IntN(30) {
		case 0:
			row = "yesterday;1;2;3;4;5"
		case 1:
			row += ";6;7"
		}
		rows = append(rows, row)
	}
	if newestFirst {
		slices.Reverse(rows)
	}
	return []byte(wideHeader + strings.Join(rows, "\r\n"))
}

// Stretches decoded on several cores give, to the bit and in order, what reading row
// by row in one goroutine does, wherever they are cut.
func TestStretches(t *testing.T) {
	for name, kind := range kinds {
		made := parse(t, kind.recipe)
		r := rand.New(rand.NewPCG(5, 8))
		redone := false
		for range 12 {
			text := kind.text(r)
			want := gaveOf(t, text, Options{Recipe: made, Now: zooNow, MaxRows: math.MaxInt})
			for range 4 {
				o := Options{Recipe: made, Now: zooNow, Workers: 1 + r.IntN(4), chunk: 1 + r.IntN(1+len(text)/2)}
				if got := gaveOf(t, text, o); !slices.Equal(got, want) {
					for i := range min(len(got), len(want)) {
						if got[i] != want[i] {
							t.Errorf("line %d: %s\nwant %s", i, got[i], want[i])
							break
						}
					}
					t.Fatalf("%s, %d workers, stretches of %d bytes: %d lines, want %d\n%s", name, o.Workers, o.chunk, len(got), len(want), text)
				}
			}
			redone = redone || len(want) > 1
		}
		if !redone {
			t.Errorf("%s: gives nothing", name)
		}
	}
}

// The hour that comes twice is told by the rows before, be they in other stretches: a
// time before that of the row before is of the second, that in winter time.
func TestRepeatedHourAcrossStretches(t *testing.T) {
	for _, tt := range []struct{ local, utc []string }{
		{[]string{"01:10", "01:30", "01:10", "01:30"}, []string{"00:10", "00:30", "01:10", "01:30"}},
		{[]string{"00:10", "02:30", "01:30"}, []string{"23:10", "02:30", "01:30"}},
	} {
		text := wideHeader
		for _, at := range tt.local {
			text += "26.10.2025 " + at + ":00;38;20;10;15;5\n"
		}
		var got []string
		_, err := ReadStream(t.Context(), "f", strings.NewReader(text), Options{Recipe: parse(t, wide), Now: zooNow, chunk: 1}, func(_ context.Context, rs []greywatt.Reading, _ []ingest.RejectedRecord) error {
			for _, r := range rs {
				if r.Channel == greywatt.Flow {
					got = append(got, r.At.Time().Format("15:04"))
				}
			}
			return nil
		})
		if err != nil || !slices.Equal(got, tt.utc) {
			t.Errorf("%v: %v, want %v; %v", tt.local, got, tt.utc, err)
		}
	}
}

// Several files, zipped ones among them, are told of in order, each with its own error.
func TestSeveralFiles(t *testing.T) {
	var got []string
	made := parse(t, wide)
	texts := map[string]string{"a": string(wideRows(3000)), "b": "Time;T1\n", "c": string(wideRows(2)), "d": ""}
	read := func(p *pipeline, name string) error {
		if name == "c" {
			return p.stream(name, io.MultiReader(strings.NewReader(texts[name]), failing{}))
		}
		return p.stream(name, strings.NewReader(texts[name]))
	}
	n := 0
	err := readAll(t.Context(), []string{"a", "b", "c", "d", "a"}, Options{Recipe: made, Now: zooNow, Workers: 3, chunk: 5000},
		func(_ context.Context, rs []greywatt.Reading, _ []ingest.RejectedRecord) error {
			n += len(rs)
			return nil
		}, func(_ context.Context, name string, left *Report, err error) error {
			got = append(got, fmt.Sprintf("%s: %d readings, %d rows, %v", name, n, left.Rows, err))
			n = 0
			return nil
		}, read)
	want := []string{
		"a: 15000 readings, 3000 rows, <nil>",
		"b: 0 readings, 0 rows, b: no column T2, no column T3, no column T4, no column Q; is it T1? the table has Time, T1",
		"c: 10 readings, 2 rows, c: breaks off after row 2; what precedes was taken: bad sector",
		"d: 0 readings, 0 rows, d: the file is empty; a header is wanted",
		"a: 15000 readings, 3000 rows, <nil>",
	}
	if err != nil || !slices.Equal(got, want) {
		t.Errorf("%v\n%s", err, strings.Join(got, "\n"))
	}
}

// Wherever a text is cut, it gives what it does row by row.
func FuzzStretches(f *testing.F) {
	var recipes []*recipe.Recipe
	r := rand.New(rand.NewPCG(1, 1))
	for i, name := range slices.Sorted(maps.Keys(kinds)) {
		recipes = append(recipes, parse(f, kinds[name].recipe))
		text := kinds[name].text(r)
		f.Add(text[:min(len(text), 600)], uint8(i), uint16(50))
	}
	f.Add([]byte("t,w,note\n1768199400,38,\"a\n\n\"\"\n\",\n1768199401,38,\"\r\n\"\n#\"\n1768199402,38,\n"), uint8(slices.Index(slices.Sorted(maps.Keys(kinds)), "quotes")), uint16(3))
	f.Fuzz(func(t *testing.T, text []byte, which uint8, chunk uint16) {
		o := Options{Recipe: recipes[int(which)%len(recipes)], Now: zooNow, MaxRows: math.MaxInt}
		want := gaveOf(t, text, o)
		o.MaxRows, o.Workers, o.chunk = 0, 2, 1+int(chunk)
		if got := gaveOf(t, text, o); !slices.Equal(got, want) {
			t.Errorf("stretches of %d bytes: %q\nwant %q", o.chunk, got, want)
		}
	})
}
