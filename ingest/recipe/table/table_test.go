package table

import (
	"archive/zip"
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"flag"
	"fmt"
	"io"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/compress"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/recipe"
)

func parse(t testing.TB, text string) *recipe.Recipe {
	t.Helper()
	rs, err := recipe.Read(strings.NewReader(text))
	if err != nil || len(rs) != 1 {
		t.Fatal(err)
	}
	return rs[0]
}

const place = "[place]\ndwelling = \"larch-04\"\n"

// Parquet as its own library writes it: times with and without a zone, columns
// that may be null, whole numbers.
func TestParquet(t *testing.T) {
	type row struct {
		At    time.Time `parquet:"at,timestamp(microsecond)"`
		Local int64     `parquet:"local,timestamp(millisecond:local)"`
		In    *float64  `parquet:"in,optional"`
		Cold  float32   `parquet:"cold"`
		Flow  int32     `parquet:"flow"`
		Note  string    `parquet:"note"`
	}
	start := time.Date(2026, 7, 1, 6, 30, 0, 250_000_000, time.UTC)
	var rows []row
	for i := range 200 {
		v := 20 + float64(i)/8
		r := row{At: start.Add(time.Duration(i) * time.Second), Local: start.Add(time.Hour + time.Duration(i)*time.Second).UnixMilli(), In: &v, Cold: 11.5, Flow: int32(400 + i), Note: "x,y"}
		if i%7 == 3 {
			r.In = nil
		}
		rows = append(rows, r)
	}
	path := filepath.Join(t.TempDir(), "a.parquet")
	if err := parquet.WriteFile(path, rows); err != nil {
		t.Fatal(err)
	}
	channels := "[[channel]]\nchannel = \"waste-in\"\nfrom = \"in\"\nunit = \"Cel\"\n[[channel]]\nchannel = \"cold-in\"\nfrom = \"cold\"\nunit = \"Cel\"\n[[channel]]\nchannel = \"flow\"\nfrom = \"flow\"\nunit = \"l/h\"\n"
	for _, when := range []string{"from = \"at\"\nformat = \"rfc3339\"\n", "from = \"local\"\nformat = \"YYYY-MM-DD hh:mm:ss.fff\"\ntimezone = \"Europe/Dublin\"\n"} {
		readings, refused := collect(t, path, Options{Recipe: parse(t, "[file]\nformat = \"parquet\"\n[time]\n"+when+place+channels), Now: zooNow})
		if len(refused) > 0 {
			t.Fatal(refused)
		}
		k := 0
		for i, r := range rows {
			for c, v := range map[greywatt.Channel]float64{greywatt.ColdIn: 11.5, greywatt.Flow: float64(r.Flow) / 3600} {
				j := k
				if c == greywatt.Flow {
					j++
				}
				if r.In != nil {
					j++
				}
				if got := readings[j]; got.Channel != c || math.Abs(got.Value-v) > 1e-9 || got.At != greywatt.InstantOf(r.At) {
					t.Fatalf("row %d: %+v, want %v at %v", i, got, v, r.At)
				}
			}
			if r.In != nil {
				if got := readings[k]; got.Channel != greywatt.WasteIn || got.Value != *r.In {
					t.Fatalf("row %d: %+v", i, got)
				}
				k++
			}
			k += 2
		}
		if k != len(readings) {
			t.Errorf("%d readings, want %d", len(readings), k)
		}
	}
}

const wide = "[file]\nformat = \"csv\"\ndelimiter = \";\"\ndecimal = \",\"\n[time]\nfrom = \"Time\"\nformat = \"DD.MM.YYYY hh:mm:ss\"\ntimezone = \"Europe/Dublin\"\n" + place +
	"[[channel]]\nchannel = \"waste-in\"\nfrom = \"T1\"\nunit = \"Cel\"\n[[channel]]\nchannel = \"waste-out\"\nfrom = \"T2\"\nunit = \"Cel\"\n[[channel]]\nchannel = \"cold-in\"\nfrom = \"T3\"\nunit = \"Cel\"\n" +
	"[[channel]]\nchannel = \"preheat-out\"\nfrom = \"T4\"\nunit = \"Cel\"\n[[channel]]\nchannel = \"flow\"\nfrom = \"Q\"\nunit = \"l/min\"\n"

const wideHeader = "Time;T1;T2;T3;T4;Q\n"

func wideRows(n int) []byte {
	r := rand.New(rand.NewPCG(1, 2))
	b := bytes.NewBufferString(wideHeader)
	at := time.Date(2026, 1, 12, 6, 30, 0, 0, time.UTC)
	for range n {
		at = at.Add(time.Second)
		line := fmt.Sprintf("%s;%.2f;%.2f;%.2f;%.2f;%.3f\n", at.Format("02,01,2006 15:04:05"), 20+20*r.Float64(), 20+10*r.Float64(), 10+r.Float64(), 20+5*r.Float64(), 8*r.Float64())
		date, rest := line[:10], line[10:]
		b.WriteString(strings.ReplaceAll(date, ",", ".") + strings.ReplaceAll(rest, ".", ","))
	}
	return b.Bytes()
}

// A quote that never ends costs its line, and not the rest of the file.
func TestOpenQuote(t *testing.T) {
	text := bytes.Replace(wideRows(5000), []byte("\n12."), []byte("\n\"12."), 1)
	readings, refused := 0, 0
	_, err := ReadStream(t.Context(), "a.csv", bytes.NewReader(text), Options{Recipe: parse(t, wide), Now: zooNow}, func(_ context.Context, rs []greywatt.Reading, rej []ingest.RejectedRecord) error {
		readings += len(rs)
		for _, r := range rej {
			refused++
			if r.Source != "a.csv:2" {
				t.Errorf("%v", r)
			}
		}
		return nil
	})
	if err != nil || readings != 5*4999 || refused != 1 {
		t.Errorf("%d readings, %d refused, %v", readings, refused, err)
	}
}

// A line without end is refused in bounded memory, and what follows counts.
func TestLongLine(t *testing.T) {
	rows := wideRows(2)
	cut := bytes.LastIndexByte(bytes.TrimSpace(rows), '\n') + 1
	r := io.MultiReader(bytes.NewReader(rows[:cut]), io.LimitReader(endless{}, 40<<20), strings.NewReader("\n"), bytes.NewReader(rows[cut:]))
	var sources []string
	n := 0
	_, err := ReadStream(t.Context(), "a.csv", r, Options{Recipe: parse(t, wide), Now: zooNow}, func(_ context.Context, rs []greywatt.Reading, rej []ingest.RejectedRecord) error {
		n += len(rs)
		for _, r := range rej {
			sources = append(sources, r.Source)
		}
		return nil
	})
	if err != nil || n != 10 || len(sources) != 1 || sources[0] != "a.csv:3" {
		t.Errorf("%d readings, refused %v, %v", n, sources, err)
	}
}

type endless struct{}

func (endless) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = '7'
	}
	return len(p), nil
}

// Errors say where and what to do.
func TestErrors(t *testing.T) {
	for text, want := range map[string]string{
		"":                          "the file is empty; a header is wanted",
		"Time;T1;T2;T3;T4\n1;2\n":   "no column Q; the table has Time, T1, T2, T3, T4",
		"Time;T1;T2;T3;T4;Q;T1\n":   "T1 (it stands twice: write its number)",
		"Time,T1,T2,T3,T4,Q\n1,2\n": "no column Time",
	} {
		_, err := ReadStream(t.Context(), "a.csv", strings.NewReader(text), Options{Recipe: parse(t, wide), Now: zooNow}, ignore)
		if err == nil || !strings.Contains(err.Error(), want) || !strings.HasPrefix(err.Error(), "a.csv: ") {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
	}
	broken := io.MultiReader(bytes.NewReader(wideRows(10)), failing{})
	_, err := ReadStream(t.Context(), "a.csv", broken, Options{Recipe: parse(t, wide), Now: zooNow}, ignore)
	if err == nil || !strings.Contains(err.Error(), "a.csv: breaks off after row 10; what precedes was taken") {
		t.Error(err)
	}
	stop := errors.New("disk full")
	if _, err := ReadStream(t.Context(), "a.csv", bytes.NewReader(wideRows(10)), Options{Recipe: parse(t, wide), Now: zooNow}, func(context.Context, []greywatt.Reading, []ingest.RejectedRecord) error { return stop }); !errors.Is(err, stop) {
		t.Error(err)
	}
}

type failing struct{}

func (failing) Read([]byte) (int, error) { return 0, errors.New("bad sector") }

func ignore(context.Context, []greywatt.Reading, []ingest.RejectedRecord) error { return nil }

var memoryParts = flag.Int("memory-parts", 64, "read a file of so many MiB in TestMemoryIsFlat")

// Memory does not grow with the file: many times the rows need no more than the
// batches and buffers, which both sizes fill.
func TestMemoryIsFlat(t *testing.T) {
	peak := func(times int) (most uint64) {
		rows := wideRows(20_000)[len(wideHeader):]
		readers := []io.Reader{strings.NewReader(wideHeader)}
		for range times {
			readers = append(readers, bytes.NewReader(rows))
		}
		n := 0
		_, err := ReadStream(t.Context(), "a.csv", io.MultiReader(readers...), Options{Recipe: parse(t, wide), Now: zooNow}, func(_ context.Context, rs []greywatt.Reading, _ []ingest.RejectedRecord) error {
			n += len(rs)
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			most = max(most, m.HeapAlloc)
			return nil
		})
		if err != nil || n != times*100_000 {
			t.Fatal(n, err)
		}
		return most
	}
	small, large := peak(2), peak(*memoryParts)
	if large > small+16<<20 {
		t.Errorf("%d MiB for 2 parts, %d MiB for %d", small>>20, large>>20, *memoryParts)
	}
	t.Logf("%d MiB of heap for 2 MiB of text, %d MiB for %d", small>>20, large>>20, *memoryParts)
}

// Whatever a file holds, what comes of it is plausible and every refusal has its
// place and reason; reading it again gives the same.
func FuzzText(f *testing.F) {
	recipes := []*recipe.Recipe{
		parse(f, wide),
		parse(f, "[file]\nformat = \"csv\"\nname_from = 2\nvalue_from = 3\nheader = false\ncomment = \"#\"\n[time]\nfrom = 1\nformat = \"unix-s\"\n"+place+"[[channel]]\nchannel = \"flow\"\nfrom = \"q\"\nunit = \"pulse\"\npulses_per_litre = 450\ncounter = \"total\"\nrolls_over_at = 65536\n"),
		parse(f, "[file]\nformat = \"csv\"\ndelimiter = \"blanks\"\nheader = false\nencoding = \"utf-16\"\n[time]\nfrom = [1, 2]\nformat = \"D.M.YY h:mm AM\"\ntimezone = \"Europe/Dublin\"\n"+place+"[[channel]]\nchannel = \"cold-in\"\nfrom = 3\nunit = \"Ohm\"\nsensor = \"pt100\"\n"),
		parse(f, "[file]\nformat = \"json\"\nsamples = \"$.s[*]\"\n[time]\nfrom = \"$.t\"\nformat = \"unix-ms\"\n"+place+"[[channel]]\nchannel = \"cold-in\"\nfrom = \"$..c\"\nunit = \"K\"\n"),
	}
	f.Add(wideRows(3), byte(0))
	f.Add([]byte("1768199400,q,5\n1768199401,\"q\",6\n\"x\n1768199402,q,2\n"), byte(1))
	f.Add([]byte("\xff\xfe1\x00.\x001\x00.\x002\x006\x00 \x001\x00:\x002\x00"), byte(2))
	f.Add([]byte(`{"s":[{"t":1768199400000,"c":283.15},{"t":"x"}]}`), byte(3))
	f.Add(append(wideRows(1), strings.Repeat("9\xd3", 3000)+";1;2;3;4;5\n"...), byte(0))
	f.Fuzz(func(t *testing.T, text []byte, which byte) {
		read := func() (all []greywatt.Reading, refused []ingest.RejectedRecord) {
			_, err := ReadStream(t.Context(), "f", bytes.NewReader(text), Options{Recipe: recipes[int(which)%len(recipes)], Now: zooNow}, func(_ context.Context, rs []greywatt.Reading, rej []ingest.RejectedRecord) error {
				all, refused = append(all, rs...), append(refused, rej...)
				return nil
			})
			if err != nil && err.Error() == "" {
				t.Error("an error without words")
			}
			return all, refused
		}
		rs, refused := read()
		for _, r := range rs {
			if r.Dwelling != "larch-04" || !r.Channel.Plausible(r.Value) || r.At > zooNow+86400e6 {
				t.Errorf("%+v", r)
			}
		}
		for _, r := range refused {
			if !strings.HasPrefix(r.Source, "f:") || r.Reason == "" || r.Detail == "" || len(r.Detail) > 1024 || len(r.Record) > 1024 {
				t.Errorf("%+v", r)
			}
		}
		again, _ := read()
		if fmt.Sprint(again) != fmt.Sprint(rs) {
			t.Error("a second reading differs")
		}
	})
}

// A Parquet file with a wrong byte is an error, or is read as far as it goes; it
// never ends the program, though the library panics.
func TestDamagedParquet(t *testing.T) {
	var b bytes.Buffer
	if err := parquet.Write(&b, []struct {
		T int64   `parquet:"t"`
		C float64 `parquet:"c"`
	}{{1768199400, 11}, {1768199401, 12}}); err != nil {
		t.Fatal(err)
	}
	columns := parse(t, "[file]\nformat = \"parquet\"\n[time]\nfrom = \"t\"\nformat = \"unix-s\"\n[place]\ndwelling = \"larch-04\"\n[[channel]]\nchannel = \"cold-in\"\nfrom = \"c\"\nunit = \"Cel\"\n")
	failed, damage := 0, 0
	for at := range b.Len() {
		for _, bit := range []byte{1, 0x40} {
			data := bytes.Clone(b.Bytes())
			data[at] ^= bit
			_, err := ReadFrom(t.Context(), "f", bytes.NewReader(data), int64(len(data)), Options{Recipe: columns, Now: zooNow}, func(context.Context, []greywatt.Reading, []ingest.RejectedRecord) error { return nil })
			if err != nil {
				failed++
				if strings.Contains(err.Error(), "the file is damaged") {
					damage++
				}
			}
		}
	}
	if failed == 0 || damage == 0 {
		t.Errorf("%d errors, %d of them panics of the library that were caught", failed, damage)
	}
	t.Logf("of %d files %d are errors, %d where the library panics", 2*b.Len(), failed, damage)
}

// parquetFiles gives files of the same two hundred rows in each encoding and
// packing that the library writes, with the recipe for them.
func parquetFiles(t testing.TB) (map[string][]byte, *recipe.Recipe) {
	t.Helper()
	type line struct {
		T    int64    `parquet:"t,delta"`
		Text string   `parquet:"text,delta"`
		Long string   `parquet:"long"`
		Day  string   `parquet:"day,dict"`
		C    *float64 `parquet:"c,optional"`
		S    float64  `parquet:"s,split"`
		On   bool     `parquet:"on"`
	}
	var lines []line
	for i := range 200 {
		l := line{T: 1768199400 + int64(i), Text: fmt.Sprintf("probe %d", i), Long: strings.Repeat("a", i%7), Day: []string{"one", "two"}[i/100], S: float64(i), On: i%3 == 0}
		if i%2 == 0 {
			c := 11 + float64(i)/100
			l.C = &c
		}
		lines = append(lines, l)
	}
	files := map[string][]byte{}
	for name, codec := range map[string]compress.Codec{"plain": &parquet.Uncompressed, "snappy": &parquet.Snappy, "gzip": &parquet.Gzip, "zstd": &parquet.Zstd, "brotli": &parquet.Brotli} {
		for version := 1; version <= 2; version++ {
			var b bytes.Buffer
			if err := parquet.Write(&b, lines, parquet.Compression(codec), parquet.DataPageVersion(version)); err != nil {
				t.Fatal(err)
			}
			files[fmt.Sprint(name, version)] = b.Bytes()
		}
	}
	var groups bytes.Buffer
	if err := parquet.Write(&groups, lines, parquet.MaxRowsPerRowGroup(64)); err != nil {
		t.Fatal(err)
	}
	files["groups"] = groups.Bytes()
	return files, parse(t, "[file]\nformat = \"parquet\"\n[time]\nfrom = \"t\"\nformat = \"unix-s\"\n"+place+"[[channel]]\nchannel = \"cold-in\"\nfrom = \"c\"\nunit = \"Cel\"\n")
}

var forgedStep = flag.Int("forged-step", 10, "try one byte of so many of each Parquet file")

// allocated returns the bytes for which f asked.
func allocated(f func()) uint64 {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	f()
	runtime.ReadMemStats(&after)
	return after.TotalAlloc - before.TotalAlloc
}

// Two hundred rows, of which every second one has a value from 11 to 12.98, are
// read whole, whatever their encoding and packing: those that the library writes,
// and those in testdata, which two others have written (npm: parquet-wasm 0.8.0,
// of arrow-rs, and hyparquet-writer 0.17.0).
func TestParquetEncodings(t *testing.T) {
	files, r := parquetFiles(t)
	others, err := filepath.Glob("testdata/*.parquet")
	if err != nil || len(others) < 6 {
		t.Fatal(others, err)
	}
	for _, path := range others {
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		files[path] = data
	}
	for name, data := range files {
		n, sum := 0, 0.0
		_, err := ReadFrom(t.Context(), "f", bytes.NewReader(data), int64(len(data)), Options{Recipe: r, Now: zooNow}, func(_ context.Context, rs []greywatt.Reading, _ []ingest.RejectedRecord) error {
			n += len(rs)
			for _, r := range rs {
				sum += r.Value
			}
			return nil
		})
		if strings.Contains(name, "lz4raw") {
			if err == nil || n > 0 || !strings.Contains(err.Error(), "packed by LZ4_RAW, which is not read; write the file with snappy") {
				t.Errorf("%s: %d readings, %v", name, n, err)
			}
			continue
		}
		want := 1199.0 // a hundred values in steps of 0.02, by hand
		if strings.HasPrefix(name, "testdata") {
			want = 1198 // 11 to 11.98 twice
		}
		if err != nil || n != 100 || math.Abs(sum-want) > 1e-9 {
			t.Errorf("%s: %d readings, sum %g, %v", name, n, sum, err)
		}
	}
}

// Wrong figures anywhere in a Parquet file of some kilobytes make nobody ask for
// more than some megabytes.
func TestForgedParquet(t *testing.T) {
	files, r := parquetFiles(t)
	// Whatever the field, these are the largest that five bytes and one byte hold in
	// Thrift and in run lengths; RFC 1951 and others have their own, tried bit by bit.
	huge := [][]byte{{0xfe, 0xff, 0xff, 0xff, 0x0f}, {0xff, 0xff, 0xff, 0xff, 0x07}, {0x80, 0x80, 0x80, 0x80, 0x04}, {0x7e}, {0xfc}, {0xff}}
	rounds := rand.New(rand.NewPCG(1, 2))
	most, refused := uint64(0), 0
	for _, name := range slices.Sorted(maps.Keys(files)) {
		data := files[name]
		for at := range data {
			if rounds.IntN(*forgedStep) > 0 {
				continue
			}
			forged := bytes.Clone(data)
			copy(forged[at:], huge[rounds.IntN(len(huge))])
			var err error
			bytesAsked := allocated(func() {
				_, err = ReadFrom(t.Context(), "f", bytes.NewReader(forged), int64(len(forged)), Options{Recipe: r, Now: zooNow}, func(context.Context, []greywatt.Reading, []ingest.RejectedRecord) error { return nil })
			})
			if err != nil {
				refused++
			}
			if most = max(most, bytesAsked); bytesAsked > 64<<20 {
				t.Fatalf("%s, byte %d: %d MiB, %v", name, at, bytesAsked>>20, err)
			}
		}
	}
	if refused < 100 {
		t.Errorf("only %d refused", refused)
	}
	t.Logf("%d MiB at most, %d refused", most>>20, refused)
}

// A row group that states one row more than its pages have is told of, after its
// rows. The footer's count is a byte that two more make one more row, in zigzag.
func TestParquetRowsThatAreMissing(t *testing.T) {
	files, r := parquetFiles(t)
	data := files["plain1"]
	told := 0
	for at := len(data) - 8 - int(binary.LittleEndian.Uint32(data[len(data)-8:])); at < len(data)-8; at++ {
		forged := bytes.Clone(data)
		forged[at] += 2
		n := 0
		_, err := ReadFrom(t.Context(), "f", bytes.NewReader(forged), int64(len(forged)), Options{Recipe: r, Now: zooNow}, func(_ context.Context, rs []greywatt.Reading, _ []ingest.RejectedRecord) error {
			n += len(rs)
			return nil
		})
		if err != nil && strings.Contains(err.Error(), "row group 1 states 201 rows and has 200") {
			if told++; n != 100 {
				t.Errorf("%d readings, %v", n, err)
			}
		}
	}
	if told == 0 {
		t.Error("no row group states more than it has")
	}
}

// A workbook that states gigabytes is refused before room is made for them.
func TestForgedWorkbook(t *testing.T) {
	data, err := os.ReadFile(zoo + "/workbook.xlsx")
	if err != nil {
		t.Fatal(err)
	}
	if err := checkSizes(data); err != nil {
		t.Errorf("the real one: %v", err)
	}
	at := bytes.LastIndex(data, []byte("PK\x01\x02")) // of the directory; the size is at 24
	copy(data[at+24:], "\xff\xff\xff\x7f")
	if _, err := newSheetRows(bytes.NewReader(data), ""); err == nil || !strings.Contains(err.Error(), "states 2147483647 bytes") {
		t.Errorf("the forged one: %v", err)
	}
}

// readAny reads what comes from strangers and looks at what comes of it.
func readAny(t *testing.T, r *recipe.Recipe, data []byte) {
	_, err := ReadFrom(t.Context(), "f", bytes.NewReader(data), int64(len(data)), Options{Recipe: r, Now: zooNow}, func(_ context.Context, rs []greywatt.Reading, rejected []ingest.RejectedRecord) error {
		for _, r := range rs {
			if !r.Channel.Plausible(r.Value) {
				t.Errorf("%+v", r)
			}
		}
		for _, r := range rejected {
			if r.Reason == "" || r.Detail == "" || len(r.Detail) > 1024 {
				t.Errorf("%+v", r)
			}
		}
		return nil
	})
	if err != nil && err.Error() == "" {
		t.Error("an error without words")
	}
}

// The parts of a workbook, in an archive that is in order.
func FuzzSheet(f *testing.F) {
	const sheet = "xl/worksheets/sheet1.xml"
	z, err := zip.OpenReader(zoo + "/workbook.xlsx")
	if err != nil {
		f.Fatal(err)
	}
	defer z.Close()
	parts := map[string][]byte{}
	for _, m := range z.File {
		r, err := m.Open()
		if err != nil {
			f.Fatal(err)
		}
		if parts[m.Name], err = io.ReadAll(r); err != nil {
			f.Fatal(err)
		}
	}
	f.Add(parts[sheet], []byte(nil), []byte(nil))
	f.Add([]byte(`<worksheet><sheetData><row r="1"><c r="A1" t="s"><v>0</v></c><c r="B1" t="inlineStr"><is><t>Cold</t></is></c></row><row r="2"><c r="A2" s="1"><v>46034.5</v></c><c r="B2"><v>11</v></c></row></sheetData></worksheet>`),
		[]byte(`<sst><si><t>Time</t></si></sst>`), []byte(`<styleSheet><cellXfs count="2"><xf/><xf numFmtId="22"/></cellXfs></styleSheet>`))
	r := parse(f, "[file]\nformat = \"xlsx\"\n[time]\nfrom = \"Time\"\nformat = \"excel\"\ntimezone = \"UTC\"\n"+place+"[[channel]]\nchannel = \"cold-in\"\nfrom = \"Cold\"\nunit = \"Cel\"\n")
	f.Fuzz(func(t *testing.T, rows, texts, styles []byte) {
		var b bytes.Buffer
		w := zip.NewWriter(&b)
		for name, part := range map[string][]byte{"xl/sharedStrings.xml": texts, "xl/styles.xml": styles, sheet: rows} {
			if part != nil {
				parts[name] = part
			}
		}
		for name, part := range parts {
			m, err := w.CreateHeader(&zip.FileHeader{Name: name, Method: zip.Store})
			if err == nil {
				_, err = m.Write(part)
			}
			if err != nil {
				t.Fatal(err)
			}
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		readAny(t, r, b.Bytes())
	})
}

// The archive itself: of a workbook, of zipped and of gzipped text.
func FuzzArchive(f *testing.F) {
	recipes := []*recipe.Recipe{
		parse(f, "[file]\nformat = \"xlsx\"\n[time]\nfrom = \"Time\"\nformat = \"excel\"\ntimezone = \"UTC\"\n"+place+"[[channel]]\nchannel = \"cold-in\"\nfrom = \"Cold\"\nunit = \"Cel\"\n"),
		readRecipe(f, zoo+"/zip-days.toml"),
		readRecipe(f, zoo+"/gzipped.toml"),
	}
	for which, name := range []string{"workbook.xlsx", "zip-days.zip", "gzipped.csv.gz"} {
		data, err := os.ReadFile(filepath.Join(zoo, name))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data, byte(which))
	}
	f.Fuzz(func(t *testing.T, data []byte, which byte) { readAny(t, recipes[int(which)%len(recipes)], data) })
}

func FuzzParquet(f *testing.F) {
	files, r := parquetFiles(f)
	for _, data := range files {
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		if asked := allocated(func() { readAny(t, r, data) }); asked > 512<<20 {
			t.Errorf("%d bytes asked for %d MiB", len(data), asked>>20)
		}
	})
}

func BenchmarkText(b *testing.B) {
	rows := wideRows(100_000)
	r := parse(b, wide)
	b.SetBytes(int64(len(rows)))
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		if _, err := ReadStream(b.Context(), "a.csv", bytes.NewReader(rows), Options{Recipe: r, Now: zooNow}, func(_ context.Context, rs []greywatt.Reading, _ []ingest.RejectedRecord) error {
			n += len(rs)
			return nil
		}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "readings/s")
}
