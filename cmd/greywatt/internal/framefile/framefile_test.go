package framefile

import (
	"bytes"
	"cmp"
	"encoding/csv"
	"encoding/json"
	"errors"
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"

	"greywatt"
	"greywatt/ingest/payload"
)

// frames are three nodes' frames with random values and holes.
func frames() []greywatt.Frame {
	r := rand.New(rand.NewPCG(1, 2))
	var all []greywatt.Frame
	at := greywatt.InstantOf(time.Date(2026, 3, 28, 23, 59, 0, 0, time.UTC))
	for i := range 500 {
		at += greywatt.Instant(1 + r.IntN(2_000_000))
		f := greywatt.Frame{At: at, Node: "n" + strconv.Itoa(i%3), Value: greywatt.NoValues()}
		for c := range f.Value {
			if r.Float64() < 0.7 {
				f.Value[c] = r.Float64()
			}
		}
		f.Value[greywatt.ColdIn] = 10 + r.Float64()
		all = append(all, f)
	}
	return all
}

func write(t *testing.T, format Format, all []greywatt.Frame) []byte {
	t.Helper()
	var out bytes.Buffer
	w, err := New(&out, format)
	if err != nil {
		t.Fatal(err)
	}
	for i := range all {
		if err := w.Write("larch-04", &all[i]); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

func readings(all []greywatt.Frame) []greywatt.Reading {
	var rs []greywatt.Reading
	for i := range all {
		rs = AppendReadings(rs, "larch-04", &all[i])
	}
	return rs
}

func sorted(rs []greywatt.Reading) []greywatt.Reading {
	slices.SortFunc(rs, func(a, b greywatt.Reading) int {
		return cmp.Or(cmp.Compare(a.At, b.At), cmp.Compare(a.Node, b.Node), cmp.Compare(a.Channel, b.Channel))
	})
	return rs
}

func TestSenML(t *testing.T) {
	all := frames()
	var got []greywatt.Reading
	d := payload.NewDecoder(nil)
	for line := range bytes.Lines(write(t, SenML, all)) {
		rs, refused := d.Decode(nil, nil, payload.Origin{Source: "test", Stored: true}, line, all[len(all)-1].At)
		if len(refused) > 0 {
			t.Fatalf("refused: %+v", refused[0])
		}
		got = append(got, rs...)
	}
	if !slices.Equal(sorted(got), sorted(readings(all))) {
		t.Error("SenML lines do not decode to the readings")
	}
}

func TestCSV(t *testing.T) {
	all := frames()
	rows, err := csv.NewReader(bytes.NewReader(write(t, CSV, all))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.Join(rows[0], ",") + "\n"; got != csvHeader {
		t.Errorf("header %q", got)
	}
	for i, row := range rows[1:] {
		at, err := time.Parse(time.RFC3339, row[0])
		if err != nil || greywatt.InstantOf(at) != all[i].At || row[1] != "larch-04" || row[2] != all[i].Node {
			t.Fatalf("row %d: %v", i, row)
		}
		for c, cell := range row[3:] {
			want := all[i].Value[c]
			if cell == "" {
				if !math.IsNaN(want) {
					t.Errorf("row %d: no %s, want %v", i, greywatt.Channel(c), want)
				}
				continue
			}
			v, err := strconv.ParseFloat(cell, 64)
			if err != nil {
				t.Fatal(err)
			}
			if greywatt.Channel(c).IsFlow() {
				v /= 60
			}
			tolerance := 0.0
			if greywatt.Channel(c).IsFlow() {
				tolerance = 2.3e-16 * want // the distance of neighbours, relative, is at most 2^-52
			}
			if math.Abs(v-want) > tolerance {
				t.Errorf("row %d: %s %v, want %v", i, greywatt.Channel(c), v, want)
			}
		}
	}
}

// What a meter reports in l/min comes back bit for bit.
func TestRoundFlows(t *testing.T) {
	for n := range 30_000 {
		v := float64(n) / 1000 / 60 // as an import reads 0.000 to 29.999 l/min
		if got := litresPerMinute(v) / 60; got != v {
			t.Fatalf("%d ml/min: %v, want %v", n, got, v)
		}
	}
}

// Ids that could never be written as they are: the table quotes them, SenML says
// which frames they are and writes all others. No line is torn.
func TestOddIDs(t *testing.T) {
	frames := func(node string) []greywatt.Frame {
		fs := make([]greywatt.Frame, 100)
		for i := range fs {
			fs[i] = greywatt.Frame{At: greywatt.Instant(1767225600_000000 + int64(i)*1_000000), Node: node, Value: greywatt.NoValues()}
			fs[i].Value[greywatt.Flow] = 0.1
		}
		return fs
	}
	ids := []string{"n1", "bath, left", `a"b`, "Küche", "two\nlines"}
	for _, format := range []Format{CSV, SenML} {
		var out bytes.Buffer
		w, err := New(&out, format)
		if err != nil {
			t.Fatal(err)
		}
		var bad []string
		note := func(err error) {
			var u *UnwritableError
			if errors.As(err, &u) {
				bad = append(bad, u.Node)
			} else if err != nil {
				t.Fatal(err)
			}
		}
		for _, id := range ids {
			for _, f := range frames(id) {
				note(w.Write("larch-04", &f))
			}
		}
		note(w.Flush())
		if format == CSV {
			rows, err := csv.NewReader(&out).ReadAll()
			if err != nil || len(rows) != 1+100*len(ids) || bad != nil {
				t.Fatalf("%d rows, %v, unwritable %q", len(rows), err, bad)
			}
			for i, id := range ids {
				if got := rows[1+100*i][2]; got != id {
					t.Errorf("node %q comes back as %q", id, got)
				}
			}
			continue
		}
		if want := ids[1:]; len(slices.Compact(slices.Clone(bad))) < len(want) || slices.Contains(bad, "n1") {
			t.Errorf("unwritable %q, want %q", bad, want)
		}
		records := 0
		for line := range strings.Lines(out.String()) {
			var pack []map[string]any
			if err := json.Unmarshal([]byte(line), &pack); err != nil || !strings.HasSuffix(line, "\n") {
				t.Fatalf("a torn line %q: %v", line, err)
			}
			records += len(pack)
		}
		if records != 100 {
			t.Errorf("%d records of the node that can be written, want 100", records)
		}
	}
}

// Another way to the same table: what a Parquet reader gives is what the CSV
// says, cell by cell, over several groups of rows, in order.
func TestParquet(t *testing.T) {
	all := frames()
	for len(all) < 3*rowsPerGroup/2 {
		more := frames()
		shift := all[len(all)-1].At - more[0].At + 1
		for i := range more {
			more[i].At += shift
		}
		all = append(all, more...)
	}
	written := write(t, Parquet, all)
	if again := write(t, Parquet, all); !bytes.Equal(again, written) {
		t.Error("the same frames give other bytes")
	}
	want, err := csv.NewReader(bytes.NewReader(write(t, CSV, all))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	f, err := parquet.OpenFile(bytes.NewReader(written), int64(len(written)))
	if err != nil {
		t.Fatal(err)
	}
	if n := len(f.RowGroups()); n != 2 || int(f.NumRows()) != len(all) {
		t.Errorf("%d rows in %d groups, want %d in 2", f.NumRows(), n, len(all))
	}
	var names []string
	for _, c := range f.Schema().Columns() {
		names = append(names, c[0])
	}
	if !slices.Equal(names, want[0]) {
		t.Errorf("columns %v, want %v", names, want[0])
	}
	rows := parquet.NewReader(f)
	defer rows.Close()
	buffer := make([]parquet.Row, 100)
	at := 1
	for {
		n, err := rows.ReadRows(buffer)
		for _, row := range buffer[:n] {
			for i, v := range row {
				var cell string
				switch {
				case v.IsNull():
				case i == 0:
					cell = time.UnixMicro(v.Int64()).UTC().Format(time.RFC3339Nano)
				case i < 3:
					cell = v.String()
				default:
					cell = strconv.FormatFloat(v.Double(), 'f', -1, 64)
				}
				if cell != want[at][i] {
					t.Fatalf("row %d, %s: %q, the CSV has %q", at, names[i], cell, want[at][i])
				}
			}
			at++
		}
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if at != len(want) {
		t.Errorf("%d rows were read, want %d", at-1, len(want)-1)
	}
}

// A disk that fails is reported, and no goroutine is left waiting.
func TestParquetFails(t *testing.T) {
	w, err := New(failing{}, Parquet)
	if err != nil {
		t.Fatal(err)
	}
	all := frames()
	for i := range all {
		if err := w.Write("larch-04", &all[i]); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Flush(); !errors.Is(err, errFull) {
		t.Errorf("the disk is full, and the error is %v", err)
	}
}

var errFull = errors.New("the disk is full")

type failing struct{}

func (failing) Write([]byte) (int, error) { return 0, errFull }

func BenchmarkParquet(b *testing.B) { benchmarkWrite(b, Parquet) }
func BenchmarkCSV(b *testing.B)     { benchmarkWrite(b, CSV) }

func benchmarkWrite(b *testing.B, format Format) {
	all := frames()
	for i := range all {
		for c := range all[i].Value {
			all[i].Value[c] = float64(i%300) / 16 // as sensors read, in steps
		}
	}
	n := 0
	for b.Loop() {
		w, err := New(io.Discard, format)
		if err != nil {
			b.Fatal(err)
		}
		for range 400 {
			for i := range all {
				if err := w.Write("larch-04", &all[i]); err != nil {
					b.Fatal(err)
				}
			}
		}
		if err := w.Flush(); err != nil {
			b.Fatal(err)
		}
		n += 400 * len(all) * greywatt.NumChannels
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "readings/s")
}
