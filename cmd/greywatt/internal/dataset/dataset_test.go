package dataset

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"flag"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
)

var update = flag.Bool("update", false, "rewrite the files in testdata")

func at(text string) greywatt.Instant {
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		panic(err)
	}
	return greywatt.InstantOf(t)
}

func contents() ([]event.Event, finding.Diagnosis) {
	nan := math.NaN()
	shower := event.Event{
		ID: "larch-04-20260112T071403Z", Dwelling: "larch-04", Connection: greywatt.ConnectionA,
		Start: at("2026-01-12T07:14:03.5Z"), End: at("2026-01-12T07:20:11Z"), Kind: event.Shower,
		DurationS: 367.5, RunningS: 301, VolumeL: 45.6789, FlowLMin: 9.1236, WasteInC: 36.1, WasteOutC: 21.23456,
		ColdInC: 8, PreheatOutC: 24.5, SteadyS: 210, HeatKWh: 0.8123456, HeatU95KWh: 0.012, Effectiveness: 0.587,
		EffectivenessU95: 0.011, Expected: 0.573, ExpectedU95: 0.002, Ratio: 1.0244, RatioU95: 0.02,
		EventEffectiveness: 0.541, EventEffectivenessU95: 0.02, VolumeU95L: 1.4, EffectivenessOwnU95: 0.004,
		RatioOwnU95: 0.008, HeatOwnU95KWh: 0.002, TemperatureFactor: 0.981,
		WasteFlowLMin: 9.1236, Balance: -0.00001, Flags: []event.Flag{"short", "no-ambient"},
	}
	draw := event.Event{
		ID: "birch-11-20260112T065900Z", Dwelling: "birch-11", Connection: greywatt.ConnectionC,
		Start: at("2026-01-12T06:59:00Z"), End: at("2026-01-12T06:59:42Z"), Kind: event.OtherDraw,
		DurationS: 42, RunningS: 42, VolumeL: 3.1, FlowLMin: nan, WasteInC: nan, WasteOutC: nan, ColdInC: nan,
		PreheatOutC: nan, HeatKWh: 0.001, HeatU95KWh: 0.001, Effectiveness: nan, EffectivenessU95: nan, Expected: nan,
		ExpectedU95: nan, Ratio: nan, RatioU95: nan, WasteFlowLMin: nan, Balance: math.Inf(1),
		EventEffectiveness: nan, EventEffectivenessU95: nan, VolumeU95L: nan, EffectivenessOwnU95: nan,
		RatioOwnU95: nan, HeatOwnU95KWh: nan, TemperatureFactor: nan,
	}
	return []event.Event{shower, draw}, finding.Diagnosis{
		Findings: []finding.Finding{
			{Dwelling: "birch-11", Code: finding.Undecided, Confidence: nan, Evidence: "1 event", Advice: "Wait."},
			{Dwelling: "larch-04", Code: finding.Fouling, Since: at("2026-01-02T00:00:00Z"), Confidence: 0.97,
				Evidence: `ratio 1.02 "falling", 40 events`, Advice: "Clean the drain side first."},
		},
		Trend: []finding.TrendPoint{
			{Dwelling: "larch-04", EventID: shower.ID, At: shower.Start, UARatio: 1.03, UARatioU95: 0.04, Fit: nan, FitLo: nan, FitHi: nan, Segment: 2},
		},
	}
}

func newPackage(t *testing.T, events []event.Event, d finding.Diagnosis) *Package {
	t.Helper()
	p := New(&greywatt.Study{Name: "Larch Row: retrofit"}, "test", t.TempDir())
	t.Cleanup(func() { p.Close() })
	if err := p.Add(events, d); err != nil {
		t.Fatal(err)
	}
	return p
}

// write exports to a fresh folder and returns its files.
func write(t *testing.T, events []event.Event, d finding.Diagnosis) map[string][]byte {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "deep", "out")
	if err := newPackage(t, events, d).Write(dir); err != nil {
		t.Fatal(err)
	}
	return files(t, dir)
}

// writeAll exports contents.
func writeAll(t *testing.T) map[string][]byte {
	t.Helper()
	events, d := contents()
	return write(t, events, d)
}

func files(t *testing.T, dir string) map[string][]byte {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	content := map[string][]byte{}
	for _, e := range entries {
		data, err := os.ReadFile(filepath.Join(dir, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		content[e.Name()] = data
	}
	return content
}

func TestGolden(t *testing.T) {
	got := writeAll(t)
	for _, name := range []string{"events.csv", "findings.csv", "trend.csv"} {
		golden := filepath.Join("testdata", name)
		if *update {
			if err := os.WriteFile(golden, got[name], 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(golden)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got[name], want) {
			t.Errorf("%s is\n%s\nwant\n%s", name, got[name], want)
		}
	}
	if len(got) != len(Files) {
		t.Errorf("%d files, want %d", len(got), len(Files))
	}
}

// The columns that readers of events.csv rely on, in their order.
func TestEventColumns(t *testing.T) {
	want := strings.Fields(`event_id dwelling connection start end kind duration_s running_s volume_l flow_l_min
		waste_in_c waste_out_c cold_in_c preheat_out_c steady_s heat_kwh heat_u95_kwh effectiveness effectiveness_u95
		expected ratio ratio_u95 waste_flow_l_min balance flags`)
	for i, name := range want {
		if eventColumns[i].name != name {
			t.Errorf("column %d is %s, want %s", i, eventColumns[i].name, name)
		}
	}
}

func TestSameBytes(t *testing.T) {
	events, d := contents()
	first := write(t, events, d)
	slices.Reverse(events) // the order in which events were found must not show
	second := write(t, events, d)
	for name := range first {
		if !bytes.Equal(first[name], second[name]) {
			t.Errorf("%s differs", name)
		}
	}
}

func TestPackageDescribesEveryColumn(t *testing.T) {
	got := writeAll(t)
	var p descriptor
	if err := json.Unmarshal(got["datapackage.json"], &p); err != nil {
		t.Fatal(err)
	}
	// Data Package v1: names are small letters, digits, '.', '_', '-' and '/'.
	if p.Name != "larch-row-retrofit" || p.Profile != "tabular-data-package" || len(p.Resources) != 10 {
		t.Errorf("package %q, profile %q, %d resources", p.Name, p.Profile, len(p.Resources))
	}
	for _, r := range p.Resources {
		rows, err := csv.NewReader(bytes.NewReader(got[r.Path])).ReadAll()
		if err != nil {
			t.Fatalf("%s: %v", r.Path, err)
		}
		if int(r.Bytes) != len(got[r.Path]) {
			t.Errorf("%s: %d bytes stated, %d there", r.Path, r.Bytes, len(got[r.Path]))
		}
		var names []string
		for _, f := range r.Schema.Fields {
			names = append(names, f.Name)
			if f.Description == "" {
				t.Errorf("%s: %s has no description", r.Path, f.Name)
			}
			if f.Type == typeNumber && f.Unit == "" {
				t.Errorf("%s: %s has no unit", r.Path, f.Name)
			}
		}
		if !slices.Equal(rows[0], names) {
			t.Errorf("%s: header %v, schema %v", r.Path, rows[0], names)
		}
		for _, row := range rows[1:] {
			for i, f := range r.Schema.Fields {
				checkCell(t, r.Path, f, row[i])
			}
		}
	}
	if alt := p.Resources[0].Alternatives; len(alt) != 1 || int(alt[0].Bytes) != len(got["events.parquet"]) {
		t.Errorf("alternatives %+v", alt)
	}
}

// checkCell holds a cell against its field as a reader of the package would.
func checkCell(t *testing.T, path string, f field, cell string) {
	t.Helper()
	if cell == "" {
		if f.Constraints != nil && f.Constraints.Required {
			t.Errorf("%s: %s is required and empty", path, f.Name)
		}
		return
	}
	var err error
	switch f.Type {
	case typeNumber:
		_, err = strconv.ParseFloat(cell, 64)
	case typeInteger:
		_, err = strconv.Atoi(cell)
	case typeDatetime:
		_, err = time.Parse(time.RFC3339, cell)
	}
	if err != nil {
		t.Errorf("%s: %s: %v", path, f.Name, err)
	}
	if f.Constraints != nil && f.Constraints.Enum != nil && !slices.Contains(f.Constraints.Enum, cell) {
		t.Errorf("%s: %s is %q, want one of %v", path, f.Name, cell, f.Constraints.Enum)
	}
}

// The Parquet file has the columns of the CSV, in that order, and its values.
func TestParquetEqualsCSV(t *testing.T) {
	got := writeAll(t)
	rows, err := csv.NewReader(bytes.NewReader(got["events.csv"])).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	f, err := parquet.OpenFile(bytes.NewReader(got["events.parquet"]), int64(len(got["events.parquet"])))
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, c := range f.Schema().Fields() {
		names = append(names, c.Name())
	}
	if !slices.Equal(names, rows[0]) {
		t.Errorf("columns %v, want %v", names, rows[0])
	}
	if text, ok := f.Lookup("datapackage.resource"); !ok || !strings.Contains(text, "kW.h") {
		t.Errorf("metadata does not describe the columns: %q", text)
	}
	reader := parquet.NewReader(f)
	defer reader.Close()
	buffer := make([]parquet.Row, 10)
	n, err := reader.ReadRows(buffer)
	if err != nil && !errors.Is(err, io.EOF) || n != len(rows)-1 {
		t.Fatalf("%d rows, %v, want %d", n, err, len(rows)-1)
	}
	for i, row := range buffer[:n] {
		for j, v := range row {
			text := ""
			switch {
			case v.IsNull():
			case eventColumns[j].text != nil:
				text = v.String()
			case eventColumns[j].at != nil:
				text = time.UnixMilli(v.Int64()).UTC().Format(timeLayout)
			default:
				text = formatNumber(v.Double(), eventColumns[j].decimals)
			}
			if text != rows[i+1][j] {
				t.Errorf("row %d: %s is %q, want %q", i, names[j], text, rows[i+1][j])
			}
		}
	}
}

func TestWriteReplaces(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "notes.txt"), []byte("mine"), 0o644); err != nil {
		t.Fatal(err)
	}
	events, d := contents()
	if err := newPackage(t, events, d).Write(dir); err != nil {
		t.Fatal(err)
	}
	if err := newPackage(t, events[:1], d).Write(dir); err != nil {
		t.Fatal(err)
	}
	got := files(t, dir)
	if len(got) != len(Files)+1 || bytes.Count(got["events.csv"], []byte("\n")) != 2 {
		t.Errorf("%d files, events.csv:\n%s", len(got), got["events.csv"])
	}
}

func TestFormatNumber(t *testing.T) {
	for _, test := range []struct {
		v        float64
		decimals int
		want     string
	}{
		{math.NaN(), 2, ""}, {math.Inf(-1), 2, ""}, {-0.001, 2, "0.00"}, {-0.4, 0, "0"}, {-10, 1, "-10.0"}, {0.125, 2, "0.12"}, {1e7, 1, "10000000.0"},
	} {
		if got := formatNumber(test.v, test.decimals); got != test.want {
			t.Errorf("formatNumber(%v, %d) = %q, want %q", test.v, test.decimals, got, test.want)
		}
	}
}

func TestWriteJSON(t *testing.T) {
	events, _ := contents()
	var out bytes.Buffer
	if err := WriteJSON(&out, events); err != nil {
		t.Fatal(err)
	}
	lines := json.NewDecoder(&out)
	for _, want := range events {
		var got struct {
			ID            string   `json:"event_id"`
			Start         string   `json:"start"`
			HeatKWh       *float64 `json:"heat_kwh"`
			Effectiveness *float64 `json:"effectiveness"`
			Flags         string   `json:"flags"`
		}
		if err := lines.Decode(&got); err != nil {
			t.Fatal(err)
		}
		if got.ID != want.ID || got.Start != want.Start.Time().Format(timeLayout) || math.Abs(*got.HeatKWh-want.HeatKWh) > 1e-6 {
			t.Errorf("got %+v, want %+v", got, want)
		}
		if (got.Effectiveness == nil) != math.IsNaN(want.Effectiveness) {
			t.Errorf("effectiveness %v, want %v", got.Effectiveness, want.Effectiveness)
		}
	}
}
