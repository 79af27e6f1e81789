package files

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"greywatt"
)

func TestTable(t *testing.T) {
	text := "\xef\xbb\xbftime,waste_in_c,waste_out_c,cold_in_c,preheat_out_c,flow_l_min,ambient_c,waste_flow_l_min\r\n" +
		"2026-01-07T08:00:00Z,37.5,24,8,23.5,7.5,21,\r\n" + // an empty cell is no reading
		"1767772801.25,37.5,,,,,,7.5\r\n" +
		"\r\n" +
		"2026-01-07T09:00:02.5+01:00, 38 ,abc,8,NaN,400,21,-9\r\n" +
		"2026-01-07 08:00:03Z,-127,,,,,,\r\n" +
		"\"2026-01-07T08:00:04Z\",\"39\",\"24,5\",\"8\",,,,\r\n" +
		"2026-01-07T08:00:05Z,40,,,,,," // no newline
	for _, o := range []Options{{}, {chunk: 1}} {
		o.Dwelling, o.Node = "larch-04", "n1"
		got := mustRead(t, "t.csv", text, o)
		want := []greywatt.Reading{
			of(greywatt.WasteIn, 0, 37.5), of(greywatt.WasteOut, 0, 24), of(greywatt.ColdIn, 0, 8),
			of(greywatt.PreheatOut, 0, 23.5), of(greywatt.Flow, 0, 0.125), of(greywatt.Ambient, 0, 21),
			of(greywatt.WasteIn, 1.25, 37.5), of(greywatt.WasteFlow, 1.25, 0.125),
			of(greywatt.WasteIn, 2.5, 38), of(greywatt.ColdIn, 2.5, 8), of(greywatt.Ambient, 2.5, 21), of(greywatt.WasteFlow, 2.5, -0.15),
			of(greywatt.WasteIn, 4, 39), of(greywatt.ColdIn, 4, 8),
			of(greywatt.WasteIn, 5, 40),
		}
		if diff := cmp.Diff(want, got.readings); diff != "" {
			t.Errorf("readings (-want +got):\n%s", diff)
		}
		wantRejected(t, got.rejected,
			`t.csv:5: no-number: column waste_out_c: "abc"`,
			`t.csv:5: no-number: column preheat_out_c: "NaN"`,
			`t.csv:5: absurd-value: column flow_l_min: 400 l/min is outside -60 to 300`,
			`t.csv:6: absurd-value: column waste_in_c: -127 Cel is outside -30 to 120`,
			`t.csv:7: no-number: column waste_out_c: "24,5" is not a number; write '.'`)
	}
}

func TestTableRefusesLines(t *testing.T) {
	tests := []struct{ name, row, want string }{
		{"too few cells", "2026-01-07T08:00:00Z,larch-04,n1", "bad-column: 3 cells, and the header has 4"},
		{"too many", tableRow + ",1", "bad-column: 5 cells, and the header has 4"},
		{"a quote without end", `2026-01-07T08:00:00Z,larch-04,n1,"37.5`, "bad-column: a quoted cell"},
		{"no time", ",larch-04,n1,37.5", `bad-time: column time: ""`},
		{"no zone", "2026-01-07T08:00:00,larch-04,n1,37.5", `bad-time: column time: "2026-01-07T08:00:00" is neither`},
		{"no such day", "2026-02-30T08:00:00Z,larch-04,n1,37.5", "bad-time: column time: "},
		{"another order", "07/01/2026 08:00,larch-04,n1,37.5", "bad-time: column time: "},
		{"before 2000", "1999-12-31T23:59:59Z,larch-04,n1,37.5", "bad-time: column time: time 1999-12-31"},
		{"seconds of what", "12.5,larch-04,n1,37.5", "bad-time: column time: time 1970-01-01"},
		{"a day ahead", "2026-01-08T08:00:01Z,larch-04,n1,37.5", "future-time: column time: time 2026-01-08"},
		{"milliseconds", "1767772800000,larch-04,n1,37.5", "future-time: column time: time 57988"},
		{"seconds in Go's way", "1_767_772_800,larch-04,n1,37.5", "bad-time: column time: "},
		{"a value in Go's way", "2026-01-07T08:00:00Z,larch-04,n1,1_0", `no-number: column waste_in_c: "1_0"`},
		{"not a time that is", "NaN,larch-04,n1,37.5", "bad-time: column time: "},
		{"no dwelling", "2026-01-07T08:00:00Z,,n1,37.5", "bad-name: column dwelling is empty"},
		{"a dwelling that is none", "2026-01-07T08:00:00Z,a/b,n1,37.5", `bad-name: id "a/b"`},
		{"a node that is none", "2026-01-07T08:00:00Z,larch-04,#,37.5", `bad-name: id "#"`},
	}
	for _, tt := range tests {
		got := mustRead(t, "t.csv", tableTop+"\n"+tableRow+"\n"+tt.row+"\n"+tableRow+"\n", Options{})
		if len(got.readings) != 2 {
			t.Errorf("%s: %d readings, want those of the neighbours", tt.name, len(got.readings))
		}
		t.Log(tt.name)
		wantRejected(t, got.rejected, "t.csv:3: "+tt.want)
	}
}

func TestTablePlaces(t *testing.T) {
	const text = "dwelling,time,cold_in_c,node\n" +
		"larch-04,1767772800,8,n1\n" +
		"larch-04,1767772800,8,\n" +
		"larch-04,1767772800,8,n1\n" +
		",1767772800,8,n1\n" +
		",1767772800,8,\n" +
		"oak-1,1767772800,8,\n"
	got := mustRead(t, "t.csv", text, Options{Dwelling: "elm-2", Node: "x"})
	var places []string
	for _, r := range got.readings {
		places = append(places, r.Dwelling+"/"+r.Node)
	}
	if want := []string{"larch-04/n1", "larch-04/x", "larch-04/n1", "elm-2/n1", "elm-2/x", "oak-1/x"}; !slices.Equal(places, want) {
		t.Errorf("%q, want %q", places, want)
	}
	got = mustRead(t, "t.csv", "time,dwelling,cold_in_c\n1767772800,larch-04,8\n", Options{})
	if want := []greywatt.Reading{inFile(of(greywatt.ColdIn, 0, 8))}; !slices.Equal(got.readings, want) {
		t.Errorf("%+v, want %+v", got.readings, want)
	}
}

func TestHeaders(t *testing.T) {
	tests := []struct{ name, header, want string }{
		{"no time", "dwelling,waste_in_c", "no column time"},
		{"no dwelling", "time,waste_in_c", "--dwelling ID"},
		{"no readings", "time,dwelling,node", "no column with readings"},
		{"twice", "time,dwelling,waste_in_c,waste_in_c", "waste_in_c stands twice"},
		{"semicolons", "time;dwelling;waste_in_c", "separated by ';'"},
		{"tabs", "time\tdwelling\twaste_in_c", "separated by tabs"},
		{"UTF-16", "\xff\xfet\x00i\x00m\x00e\x00", "UTF-16"},
		{"packs", packLine, "JSON"},
		{"an object", `{"time":1}`, "JSON"},
		{"a bare quote", `time,"dwelling,waste_in_c`, "header"},
		{"endless", strings.Repeat("time,", headerMax), "longer than"},
	}
	for _, tt := range tests {
		got, err := read(t, "t.csv", tt.header+"\n"+tableRow+"\n", Options{})
		if !errors.Is(err, ErrHeader) || !strings.HasPrefix(err.Error(), "t.csv:1: header: ") || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: error %v, want one with %q", tt.name, err, tt.want)
		}
		if len(got.readings) > 0 {
			t.Errorf("%s: %+v", tt.name, got.readings)
		}
	}
}

func TestUnknownColumns(t *testing.T) {
	got := mustRead(t, "t.csv", "\n\ntime, dwelling ,\"cold_in_c\",waste_inn_c,pressure_kpa\n2026-01-07T08:00:00Z,larch-04,8,37,300\n", Options{})
	if want := []greywatt.Reading{inFile(of(greywatt.ColdIn, 0, 8))}; !slices.Equal(got.readings, want) {
		t.Errorf("%+v, want %+v", got.readings, want)
	}
	wantRejected(t, got.rejected,
		`t.csv:3: bad-column: column "waste_inn_c" is not known and is left out; is it waste_in_c?`,
		`t.csv:3: bad-column: column "pressure_kpa" is not known and is left out; known are time, dwelling,`)
}

// Every flow in thousandths of l/min comes back from the l/s that are stored,
// to nine decimals, as the same number.
func TestLitresPerMinuteComeBack(t *testing.T) {
	c := column{"flow_l_min", roleLitresPerMinute, greywatt.Flow}
	for k := range 300_001 {
		want := float64(k) / 1000
		stored, reason, _ := c.value([]byte(formatThousandths(k)))
		if back := math.Round(stored*60*1e9) / 1e9; back != want || reason != "" {
			t.Fatalf("%v l/min is stored as %v l/s and comes back as %v %s", want, stored, back, reason)
		}
	}
}

func formatThousandths(k int) string {
	digits := []byte{byte('0' + k/100000), byte('0' + k/10000%10), byte('0' + k/1000%10), '.', byte('0' + k/100%10), byte('0' + k/10%10), byte('0' + k%10)}
	return string(digits)
}
