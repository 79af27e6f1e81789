package table

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"golang.org/x/text/transform"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/recipe"
)

const zoo = "../testdata/zoo"

// zooNow is after all times of the zoo but the one in 2100.
var zooNow = greywatt.InstantOf(time.Date(2026, 12, 1, 0, 0, 0, 0, time.UTC))

type known []string

func (k known) Knows(dwelling string) bool { return slices.Contains(k, dwelling) }

func readRecipe(t testing.TB, path string) *recipe.Recipe {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rs, err := recipe.Read(f)
	if err != nil || len(rs) != 1 {
		t.Fatalf("%s: %d recipes, %v", path, len(rs), err)
	}
	return rs[0]
}

// collect returns all that a file holds, as the lines of a .want.
func collect(t *testing.T, path string, o Options) (readings []greywatt.Reading, refused []string) {
	t.Helper()
	_, err := Read(t.Context(), path, o, func(_ context.Context, rs []greywatt.Reading, rej []ingest.RejectedRecord) error {
		readings = append(readings, rs...)
		for _, r := range rej {
			line := r.Source[strings.LastIndexByte(r.Source, ':')+1:]
			refused = append(refused, fmt.Sprintf("refused,%s,%s", line, r.Reason))
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return readings, refused
}

func animals(t testing.TB) map[string]string {
	t.Helper()
	recipes, err := filepath.Glob(zoo + "/*.toml")
	if err != nil || len(recipes) < 15 {
		t.Fatalf("%d recipes in the zoo, %v", len(recipes), err)
	}
	files := map[string]string{}
	for _, r := range recipes {
		stem := strings.TrimSuffix(r, ".toml")
		all, _ := filepath.Glob(stem + ".*")
		for _, f := range all {
			if ext := filepath.Ext(f); ext != ".toml" && ext != ".want" {
				files[stem] = f
			}
		}
	}
	return files
}

// What must come of each file of the zoo was computed by make.py there, in
// Python, from the series that the files were written from.
func TestZoo(t *testing.T) {
	for stem, file := range animals(t) {
		t.Run(filepath.Base(stem), func(t *testing.T) {
			wanted, err := os.ReadFile(stem + ".want")
			if err != nil {
				t.Fatal(err)
			}
			readings, refused := collect(t, file, Options{Recipe: readRecipe(t, stem+".toml"), Known: known{"larch-04", "larch-05"}, Now: zooNow})
			var wantRefused []string
			i := 0
			for line := range strings.Lines(string(wanted)) {
				line = strings.TrimSpace(line)
				if strings.HasPrefix(line, "refused,") {
					wantRefused = append(wantRefused, line)
					continue
				}
				if i >= len(readings) {
					t.Fatalf("only %d readings; the next is to be %s", len(readings), line)
				}
				if got := readings[i]; !sameReading(t, got, line) {
					t.Fatalf("reading %d is %s/%s/%s at %d: %v, want %s", i, got.Dwelling, got.Node, got.Channel, int64(got.At), got.Value, line)
				}
				i++
			}
			if i != len(readings) {
				t.Errorf("%d readings, want %d", len(readings), i)
			}
			slices.Sort(refused)
			slices.Sort(wantRefused)
			if !slices.Equal(refused, wantRefused) {
				t.Errorf("refused\n%s\nwant\n%s", strings.Join(refused, "\n"), strings.Join(wantRefused, "\n"))
			}
		})
	}
}

// sameReading compares with a line reading,DWELLING,NODE,CHANNEL,US,VALUE. The
// value may differ by the ninth decimal, to which computed values are rounded.
func sameReading(t *testing.T, r greywatt.Reading, line string) bool {
	t.Helper()
	parts := strings.Split(line, ",")
	if len(parts) != 6 {
		t.Fatalf("%q is no reading", line)
	}
	us, err1 := strconv.ParseInt(parts[4], 10, 64)
	v, err2 := strconv.ParseFloat(parts[5], 64)
	if err := errors.Join(err1, err2); err != nil {
		t.Fatal(err)
	}
	return r.Dwelling == parts[1] && r.Node == parts[2] && r.Channel.String() == parts[3] && int64(r.At) == us && math.Abs(r.Value-v) <= 1.1e-9
}

// encoding/csv is the second reader of the zoo's text: it finds the same cells.
func TestZooAgainstEncodingCSV(t *testing.T) {
	n := 0
	for stem, file := range animals(t) {
		r := readRecipe(t, stem+".toml")
		if ext := filepath.Ext(file); r.File.Format != recipe.CSV || r.File.Blanks || ext == ".zip" || ext == ".gz" {
			continue
		}
		data, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		var plain io.Reader = bytes.NewReader(data)
		if e := recipe.Encodings[r.File.Encoding]; e != nil {
			plain = transform.NewReader(plain, e.NewDecoder())
		}
		text, err := io.ReadAll(plain)
		if err != nil {
			t.Fatal(err)
		}
		text = bytes.TrimPrefix(text, []byte("\ufeff"))
		for range r.File.SkipLines {
			_, text, _ = bytes.Cut(text, []byte{'\n'})
		}
		second := csv.NewReader(bytes.NewReader(text))
		second.Comma, second.FieldsPerRecord = rune(r.File.Delimiter), -1
		if r.File.Comment != "" {
			second.Comment = rune(r.File.Comment[0])
		}
		ours := newTextRows(bytes.NewReader(data), r.File)
		if err := ours.skip(r.File.SkipLines); err != nil {
			t.Fatal(err)
		}
		for {
			want, errWant := second.Read()
			got, errGot := ours.next()
			if errWant != nil || errGot != nil || got.fault != "" {
				if errWant == nil && !errors.Is(errGot, io.EOF) || errors.Is(errWant, io.EOF) != errors.Is(errGot, io.EOF) && got.fault == "" {
					t.Errorf("%s: encoding/csv says %v, we %v %s", file, errWant, errGot, got.fault)
				}
				break // encoding/csv takes all that follows an open quote
			}
			n++
			cells := make([]string, len(got.cells))
			for i, c := range got.cells {
				cells[i] = string(c)
			}
			if !slices.Equal(cells, want) {
				t.Errorf("%s:%d: %q, encoding/csv %q", file, got.line, cells, want)
			}
		}
	}
	if n < 80 {
		t.Errorf("only %d rows were compared", n)
	}
}
