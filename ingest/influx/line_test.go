package influx

import (
	"math"
	"strings"
	"testing"
	"time"

	protocol "github.com/influxdata/line-protocol"

	"greywatt"
)

// parse reads lines with the parser of the protocol's authors, as an outside
// check of what is written here.
func parse(t *testing.T, lines string) []protocol.Metric {
	t.Helper()
	h := protocol.NewMetricHandler()
	h.SetTimePrecision(time.Microsecond)
	ms, err := protocol.NewParser(h).Parse([]byte(lines))
	if err != nil {
		t.Fatalf("%q: %v", lines, err)
	}
	return ms
}

func TestRowLine(t *testing.T) {
	r := Row{"larch-04", greywatt.Frame{At: 1_768_176_000_250_000, Node: "n1", Value: greywatt.NoValues()}}
	if got := appendRow(nil, &r); len(got) != 0 {
		t.Errorf("a row without values: %q, want no line", got)
	}
	r.Value[greywatt.WasteIn], r.Value[greywatt.Flow], r.Value[greywatt.WasteFlow] = 36.0625, 0.15, 5e-324
	want := "reading,dwelling=larch-04,node=n1 waste_in_c=36.0625,flow_l_s=0.15,waste_flow_l_s=5e-324 1768176000250000\n"
	if got := string(appendRow([]byte("x\n"), &r)); got != "x\n"+want {
		t.Errorf("got %q, want %q", got, want)
	}
}

func TestPointLine(t *testing.T) {
	p := Point{
		Measurement: "set aside,2", At: 7,
		Tags: []Tag{{"reason", "bad unit, 1=2"}, {"a", "b"}, {"none", ""}},
		Fields: []Field{
			{"n", int64(-3)}, {"up", true}, {"x", 0.5}, {"not known", math.NaN()}, {"inf", math.Inf(-1)},
			{"text of", "say \"hi\" \\ there,\nthen = leave\xff"},
		},
	}
	line, err := appendPoint(nil, &p)
	if err != nil {
		t.Fatal(err)
	}
	ms := parse(t, string(line))
	if len(ms) != 1 || ms[0].Name() != "set aside,2" || ms[0].Time().UnixMicro() != 7 {
		t.Fatalf("%q is read as %+v", line, ms)
	}
	tags, fields := make(map[string]string), make(map[string]any)
	for _, tag := range ms[0].TagList() {
		tags[tag.Key] = tag.Value
	}
	for _, f := range ms[0].FieldList() {
		fields[f.Key] = f.Value
	}
	if len(tags) != 2 || tags["reason"] != "bad unit, 1=2" || tags["a"] != "b" {
		t.Errorf("tags %q", tags)
	}
	if len(fields) != 4 || fields["n"] != int64(-3) || fields["up"] != true || fields["x"] != 0.5 || fields["text of"] != "say \"hi\" \\ there,\nthen = leave\uFFFD" {
		t.Errorf("fields %#v", fields)
	}
	if !strings.HasPrefix(string(line), `set\ aside\,2,a=b,reason=`) {
		t.Errorf("tags are not sorted: %q", line)
	}

	p.Fields = p.Fields[3:5]
	if line, err := appendPoint(nil, &p); err != nil || len(line) > 0 {
		t.Errorf("a point without a field that can be stored: %q, %v; want no line", line, err)
	}
	for _, bad := range []string{`ends in \`, "two\nlines", "\xff"} {
		p := Point{Measurement: "m", Tags: []Tag{{"dwelling", bad}}, Fields: []Field{{"x", 1.0}}}
		if line, err := appendPoint(nil, &p); err == nil || len(line) > 0 {
			t.Errorf("tag %q: %q, want an error", bad, line)
		}
	}
}

// FuzzRowLine: whatever gather lets pass is read back as it was.
func FuzzRowLine(f *testing.F) {
	f.Add("larch-04", "n1", uint64(0x4042088000000000), int64(1_768_176_000_000_000))
	f.Add("a b,c=d", `"\q`, uint64(1), int64(1))
	f.Add("#", "", uint64(0x7fefffffffffffff), int64(lastInstant)-1)
	f.Fuzz(func(t *testing.T, dwelling, node string, bits uint64, at int64) {
		r := greywatt.Reading{Dwelling: dwelling, Node: node, Channel: greywatt.Flow, At: greywatt.Instant(at), Value: math.Float64frombits(bits)}
		rows, err := gather([]greywatt.Reading{r})
		if err != nil {
			return
		}
		line := string(appendRow(nil, &rows[0]))
		ms := parse(t, line)
		if len(ms) != 1 || ms[0].Time().UnixMicro() != at {
			t.Fatalf("%q is read as %+v", line, ms)
		}
		got := make(map[string]string)
		for _, tag := range ms[0].TagList() {
			got[tag.Key] = tag.Value
		}
		if got["dwelling"] != dwelling || got["node"] != node {
			t.Errorf("%q has tags %q", line, got)
		}
		if fs := ms[0].FieldList(); len(fs) != 1 || fs[0].Key != "flow_l_s" || math.Float64bits(fs[0].Value.(float64)) != math.Float64bits(r.Value+0) {
			t.Errorf("%q has fields %+v", line, fs)
		}
	})
}

func TestFluxLiterals(t *testing.T) {
	if got, want := fluxString("larch-04/a: ${r}\"\\\n"), `"larch-04/a: \x24\x7br\x7d\x22\x5c\x0a"`; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	if got, want := fluxAnyOf([]string{"a.b", "c/d", "e|f"}), `/^(?:a\.b|c\/d|e\|f)$/`; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}
