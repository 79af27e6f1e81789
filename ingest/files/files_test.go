package files

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/payload"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var now = greywatt.InstantOfUnix(1767772800) // 2026-01-07T08:00:00Z

// collected is all that a file gave.
type collected struct {
	readings []greywatt.Reading
	rejected []string // as they print
	largest  int      // batch
}

func (c *collected) handle(_ context.Context, readings []greywatt.Reading, rejected []ingest.RejectedRecord) error {
	c.readings = append(c.readings, readings...)
	for _, r := range rejected {
		c.rejected = append(c.rejected, r.String())
	}
	c.largest = max(c.largest, len(readings))
	return nil
}

func read(t testing.TB, name string, text string, o Options) (collected, error) {
	t.Helper()
	o.Now = now
	var c collected
	err := ReadFrom(context.Background(), name, strings.NewReader(text), o, c.handle)
	return c, err
}

func mustRead(t testing.TB, name string, text string, o Options) collected {
	t.Helper()
	c, err := read(t, name, text, o)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// of returns a reading of larch-04, node n1, some seconds after now.
func of(c greywatt.Channel, seconds, value float64) greywatt.Reading {
	return greywatt.Reading{Dwelling: "larch-04", Node: "n1", Channel: c, At: now.Add(seconds), Value: value}
}

func inFile(r greywatt.Reading) greywatt.Reading {
	r.Node = DefaultNode
	return r
}

func compress(text string) string {
	var b bytes.Buffer
	w := gzip.NewWriter(&b)
	if _, err := io.WriteString(w, text); err != nil {
		panic(err)
	}
	if err := w.Close(); err != nil {
		panic(err)
	}
	return b.String()
}

const (
	packLine = `[{"bn":"larch-04/n1/","bt":1767772800,"bu":"Cel","n":"waste-in","v":37.5},{"n":"cold-in","t":1,"v":8}]`
	tableRow = "2026-01-07T08:00:00Z,larch-04,n1,37.5"
	tableTop = "time,dwelling,node,waste_in_c"
)

func TestFormats(t *testing.T) {
	packs := packLine + "\n"
	table := tableTop + "\n" + tableRow + "\n"
	wantPacks := []greywatt.Reading{of(greywatt.WasteIn, 0, 37.5), of(greywatt.ColdIn, 1, 8)}
	wantTable := wantPacks[:1]
	tests := []struct {
		name, text string
		format     Format
		want       []greywatt.Reading // nil: an error
	}{
		{"a.senml", packs, ByName, wantPacks},
		{"a.ndjson", packs, ByName, wantPacks},
		{"A.SENML.GZ", compress(packs), ByName, wantPacks},
		{"a.senml", compress(packs), ByName, wantPacks},
		{"a.senml.gz", packs, ByName, wantPacks},
		{"a.csv", table, ByName, wantTable},
		{"a.csv.gz", compress(table), ByName, wantTable},
		{"-", packs, ByName, wantPacks},
		{"-", table, ByName, wantTable},
		{"-", compress(table), ByName, wantTable},
		{"-", "\xef\xbb\xbf \n" + packs, ByName, wantPacks},
		{"a.txt", table, CSV, wantTable},
		{"a.csv", packs, SenML, wantPacks},
		{"a.gz", compress(packs), SenML, wantPacks},
		{"a.txt", packs, ByName, nil},
		{"a.json", packs, ByName, nil},
		{"senml", packs, ByName, nil},
		{"a.csv", packs, ByName, nil},
		{"a.csv", table, "tsv", nil},
		{"-", "", ByName, nil},
		{"a.csv", "", ByName, nil},
	}
	for _, tt := range tests {
		got, err := read(t, tt.name, tt.text, Options{Format: tt.format})
		if (err != nil) != (tt.want == nil) {
			t.Errorf("%s as %q: %v", tt.name, tt.format, err)
		}
		if !slices.Equal(got.readings, tt.want) || len(got.rejected) > 0 {
			t.Errorf("%s as %q: %+v, want %+v", tt.name, tt.format, got, tt.want)
		}
	}
	if got := mustRead(t, "a.senml", "", Options{}); len(got.readings)+len(got.rejected) > 0 {
		t.Errorf("an empty file of packs: %+v", got)
	}
}

func TestPacks(t *testing.T) {
	text := "\xef\xbb\xbf" + packLine + "\r\n" + // BOM, CRLF
		"\n" +
		"  \t\r\n" +
		`[{"n":"larch-04/n1/cold-in","u":"Cel","t":1767772802,"v":8},{"n":"larch-04/n1/cold-in","u":"Cel","t":1767772803,"v":-127},{"n":"larch-04/n1/cold-in","u":"Cel","t":1767772804,"v":9}]` + "\n" +
		`{"n":"larch-04/n1/cold-in"}` + "\n" +
		`[{"n":"larch-04/n1/cold-in","u":"Cel","v":8}]` + "\n" +
		`[{"n":"flow","u":"l/s","t":1767772805,"v":0.125}]` + "\n" +
		`[{"n":"larch-04/n1/cold-in","u":"Cel","t":1767772806,"v":10},{"n":"larch-` // no newline
	for _, o := range []Options{{}, {Workers: 1}, {Workers: 3, chunk: 1}} {
		got := mustRead(t, "day.senml", text, o)
		want := []greywatt.Reading{
			of(greywatt.WasteIn, 0, 37.5), of(greywatt.ColdIn, 1, 8),
			of(greywatt.ColdIn, 2, 8), of(greywatt.ColdIn, 4, 9), of(greywatt.ColdIn, 6, 10),
		}
		if diff := cmp.Diff(want, got.readings); diff != "" {
			t.Errorf("readings (-want +got):\n%s", diff)
		}
		wantRejected(t, got.rejected,
			"day.senml:4: absurd-value: cold-in: -127 Cel",
			"day.senml:5: bad-payload: a single object",
			"day.senml:6: bad-time: cold-in: time 0 is relative to now",
			"day.senml:7: bad-name: ",
			"day.senml:8: bad-payload: the pack breaks off")
	}

	// The options place bare names.
	got := mustRead(t, "day.senml", text, Options{Dwelling: "oak-1"})
	if want := (greywatt.Reading{Dwelling: "oak-1", Node: DefaultNode, Channel: greywatt.Flow, At: now.Add(5), Value: 0.125}); !slices.Contains(got.readings, want) {
		t.Errorf("%+v lacks %+v", got.readings, want)
	}
}

// wantRefused compares the beginnings.
func wantRejected(t *testing.T, got []string, want ...string) {
	t.Helper()
	if len(got) != len(want) {
		t.Errorf("%d refusals, want %d:\n%s", len(got), len(want), strings.Join(got, "\n"))
		return
	}
	for i := range want {
		if !strings.HasPrefix(got[i], want[i]) {
			t.Errorf("refusal %q\nwant     %q...", got[i], want[i])
		}
	}
}

func TestStudyDecides(t *testing.T) {
	resolver := payload.NewResolver(&greywatt.Study{Dwellings: []greywatt.Dwelling{{ID: "larch-04"}}})
	text := strings.ReplaceAll(packLine, "larch-04", "larch-09") + "\n" + packLine + "\n"
	got := mustRead(t, "a.senml", text, Options{Resolver: resolver})
	if len(got.readings) != 2 {
		t.Errorf("%d readings, want 2", len(got.readings))
	}
	wantRejected(t, got.rejected, "a.senml:1: unknown-dwelling: ", "a.senml:1: unknown-dwelling: ")

	got = mustRead(t, "a.csv", tableTop+"\n"+strings.Replace(tableRow, "larch-04", "larch-09", 1)+"\n"+tableRow+"\n", Options{Resolver: resolver})
	if len(got.readings) != 1 {
		t.Errorf("%d readings, want 1", len(got.readings))
	}
	wantRejected(t, got.rejected, `a.csv:2: unknown-dwelling: dwelling "larch-09"`)

	if _, err := read(t, "a.csv", "time,waste_in_c\n", Options{Resolver: resolver, Dwelling: "larch-09"}); err == nil {
		t.Error("a stated dwelling that is not in the study is accepted")
	}
	for _, o := range []Options{{Dwelling: "a/b"}, {Node: ".."}} {
		if _, err := read(t, "a.csv", "time,dwelling,waste_in_c\n", o); err == nil {
			t.Errorf("%+v is accepted", o)
		}
	}
}

// Chunks, workers and the reader's portions change nothing, and batches stay
// in bounds.
func TestOrderIsTheFiles(t *testing.T) {
	var text strings.Builder
	for i := range 3000 {
		if i%97 == 5 {
			fmt.Fprintf(&text, "bad line %d\n", i)
		}
		fmt.Fprintf(&text, `[{"bn":"larch-04/n1/","bt":%d,"bu":"Cel","n":"waste-in","v":%d}`, 1757772800+i, i%80)
		for k := range i % 40 {
			fmt.Fprintf(&text, `,{"n":"cold-in","t":%d.5,"v":8}`, k)
		}
		text.WriteString("]\n")
	}
	want := mustRead(t, "a.senml", text.String(), Options{Workers: 1})
	if len(want.readings) != 3000+75*780 || len(want.rejected) != 31 {
		t.Fatalf("%d readings, %d refusals", len(want.readings), len(want.rejected))
	}
	for _, o := range []Options{{Workers: 2}, {Workers: 4, chunk: 100}, {Workers: 3, chunk: 5000}} {
		got := mustRead(t, "a.senml", text.String(), o)
		if !slices.Equal(got.readings, want.readings) || !slices.Equal(got.rejected, want.rejected) {
			t.Errorf("%+v: differs", o)
		}
	}
	var got collected
	err := ReadFrom(context.Background(), "a.senml", iotest.OneByteReader(strings.NewReader(text.String())), Options{Now: now, chunk: 3000}, got.handle)
	if err != nil || !slices.Equal(got.readings, want.readings) {
		t.Errorf("byte by byte: differs, %v", err)
	}
}

func TestOneLongLine(t *testing.T) {
	const n = 100_000
	text := `[{"bn":"larch-04/n1/","bt":1757772800,"bu":"Cel"}` + strings.Repeat(`,{"n":"cold-in","v":8}`, n) + "]\n" + packLine
	got := mustRead(t, "a.senml", text, Options{})
	if len(got.readings) != n+2 || got.largest > MaxBatch {
		t.Errorf("%d readings, batches of up to %d", len(got.readings), got.largest)
	}
	wantRejected(t, got.rejected)
}

func TestTooLongLine(t *testing.T) {
	long := `[{"n":"larch-04/n1/cold-in","u":"Cel"` + strings.Repeat(" ", MaxLine) + "}]"
	for _, end := range []string{"\n", "\n" + packLine + "\n"} {
		got := mustRead(t, "a.senml", packLine+"\n"+long+end+packLine, Options{})
		if want := 2 * strings.Count(packLine+end+packLine, "bn"); len(got.readings) != want {
			t.Errorf("%d readings, want %d", len(got.readings), want)
		}
		wantRejected(t, got.rejected, "a.senml:2: bad-payload: the line is longer than")
	}
	got := mustRead(t, "a.senml", long, Options{})
	wantRejected(t, got.rejected, "a.senml:1: bad-payload: the line is longer than")
}

func TestManyBadLines(t *testing.T) {
	const n = 3*chunkMax + 5
	got := mustRead(t, "a.senml", strings.Repeat("x\n", n)+packLine, Options{})
	if len(got.rejected) != n || len(got.readings) != 2 {
		t.Fatalf("%d refusals, %d readings", len(got.rejected), len(got.readings))
	}
	for i, r := range got.rejected {
		if want := fmt.Sprintf("a.senml:%d: ", i+1); !strings.HasPrefix(r, want) {
			t.Fatalf("%q, want %q", r, want)
		}
	}
}

func TestBreaksOff(t *testing.T) {
	// Not compressible, so that the cut falls into the text.
	var text strings.Builder
	for i := range 20_000 {
		fmt.Fprintf(&text, `[{"n":"larch-04/n1/cold-in","u":"Cel","t":%d,"v":%d}]`+"\n", 1757772800+i*7919%1000003, i*7919%97)
	}
	whole := compress(text.String())
	got, err := read(t, "a.senml.gz", whole[:len(whole)/2], Options{})
	if !errors.Is(err, io.ErrUnexpectedEOF) || !strings.Contains(err.Error(), fmt.Sprintf("after line %d", len(got.readings))) {
		t.Errorf("half a gzip: %d readings, %v", len(got.readings), err)
	}
	if len(got.readings) < 5000 || len(got.rejected) > 0 {
		t.Errorf("half a gzip: %d readings, %v", len(got.readings), got.rejected)
	}

	broken := errors.New("disk on fire")
	var c collected
	err = ReadFrom(context.Background(), "a.senml", io.MultiReader(strings.NewReader(packLine+"\n"+packLine), iotest.ErrReader(broken)), Options{Now: now}, c.handle)
	if !errors.Is(err, broken) || len(c.readings) != 2 {
		t.Errorf("a failing disk: %d readings, %v", len(c.readings), err)
	}
	if _, err := read(t, "a.senml.gz", "\x1f\x8bnot a gzip", Options{}); err == nil {
		t.Error("a bad gzip head is accepted")
	}
}

func TestStops(t *testing.T) {
	text := strings.Repeat(packLine+"\n", 100_000) // more than three batches
	full := errors.New("no room")
	calls := 0
	err := ReadFrom(context.Background(), "a.senml", strings.NewReader(text), Options{Now: now, chunk: 1000}, func(context.Context, []greywatt.Reading, []ingest.RejectedRecord) error {
		if calls++; calls == 3 {
			return full
		}
		return nil
	})
	if !errors.Is(err, full) || calls != 3 {
		t.Errorf("%v after %d calls", err, calls)
	}

	ctx, cancel := context.WithCancel(context.Background())
	calls = 0
	err = ReadFrom(ctx, "a.senml", strings.NewReader(text), Options{Now: now, chunk: 1000}, func(context.Context, []greywatt.Reading, []ingest.RejectedRecord) error {
		calls++
		cancel()
		return nil
	})
	if !errors.Is(err, context.Canceled) || calls != 1 {
		t.Errorf("%v after %d calls", err, calls)
	}
}

// A reader that gives nothing must not hold up the one who gives up.
func TestStopsWhileReading(t *testing.T) {
	r, w := io.Pipe()
	defer w.Close()
	ctx, cancel := context.WithCancel(context.Background())
	got := make(chan error, 1)
	go func() {
		if _, err := io.WriteString(w, packLine+"\n"); err != nil {
			got <- err
		}
		cancel()
	}()
	err := ReadFrom(ctx, "a.senml", r, Options{Now: now}, func(context.Context, []greywatt.Reading, []ingest.RejectedRecord) error { return nil })
	if !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	select {
	case err := <-got:
		t.Error(err)
	default:
	}
}

func TestProgressAndFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.senml.gz")
	text := compress(strings.Repeat(packLine+"\n", 5000))
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	total := 0
	var c collected
	err := Read(context.Background(), path, Options{Now: now, Progress: func(n int) { total += n }}, c.handle)
	if err != nil || len(c.readings) != 10_000 || total != len(text) {
		t.Errorf("%d readings, %d bytes of %d, %v", len(c.readings), total, len(text), err)
	}
	if err := Read(context.Background(), path+"x", Options{Format: CSV}, c.handle); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a missing file: %v", err)
	}
}

// Chunks are gathered into batches without changing their order, whatever the
// sizes of the lines: short packs, one that fills a batch by itself, rejected ones.
func TestGathersInOrder(t *testing.T) {
	var text strings.Builder
	at, want := 1757772800, 0
	for i := range 60 {
		n := 1 + i*i%300
		if i%17 == 5 {
			n = MaxBatch/2 + 4000
		}
		text.WriteString("[")
		for k := range n {
			if k > 0 {
				text.WriteString(",")
			}
			fmt.Fprintf(&text, `{"n":"larch-04/n1/cold-in","u":"Cel","t":%d,"v":9}`, at)
			at++
			want++
		}
		text.WriteString("]\nbad\n")
	}
	var got []greywatt.Reading
	rejected, calls := 0, 0
	err := ReadFrom(context.Background(), "a.senml", strings.NewReader(text.String()), Options{Now: now, Workers: 3, chunk: 2000}, func(_ context.Context, rs []greywatt.Reading, rej []ingest.RejectedRecord) error {
		if len(rs) > MaxBatch {
			t.Errorf("a batch of %d readings", len(rs))
		}
		got, rejected, calls = append(got, rs...), rejected+len(rej), calls+1
		return nil
	})
	if err != nil || len(got) != want || rejected != 60 {
		t.Fatalf("%d readings of %d, %d rejected, %v", len(got), want, rejected, err)
	}
	for i, r := range got {
		if r.At != greywatt.InstantOfUnix(float64(1757772800+i)) {
			t.Fatalf("reading %d is of %v", i, r.At)
		}
	}
	if calls > 12 {
		t.Errorf("%d calls for %d readings", calls, want)
	}
}
