package journal_test

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"greywatt"
	"greywatt/ingest/journal"
	"greywatt/ingest/studyfile"
)

const studyText = `
study.timezone = "Europe/Dublin"
[[dwelling]]
id = "larch-04"
connection = "A"
exchanger.rated = [ { flow_l_min = 9.5, effectiveness = 0.57 } ]
[[dwelling]]
id = "larch-05"
connection = "B"
exchanger.rated = [ { flow_l_min = 9.5, effectiveness = 0.57 } ]
`

func readStudy(t *testing.T) *greywatt.Study {
	t.Helper()
	s, err := studyfile.Read(strings.NewReader(studyText))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func day(month time.Month, d int) greywatt.Instant {
	return greywatt.InstantOf(time.Date(2026, month, d, 9, 30, 0, 0, time.UTC))
}

func cleaned(id string) greywatt.Fact {
	return greywatt.Fact{ID: id, Dwelling: "larch-04", Kind: greywatt.FactCleaned, At: day(6, 2), By: "engineer", Via: "page", Text: "hair, \"soap\"\nand a\x01 ring"}
}

func ids(facts []greywatt.Fact) (names []string) {
	for _, f := range facts {
		names = append(names, f.ID)
	}
	return names
}

func TestAppend(t *testing.T) {
	study := readStudy(t)
	file := journal.Beside(filepath.Join(t.TempDir(), "study.toml"))
	if filepath.Base(string(file)) != "study.journal.toml" {
		t.Errorf("beside study.toml is %s", file)
	}
	if j, err := file.Read(study); err != nil || len(j.Facts) != 0 || j.Torn != nil {
		t.Fatalf("no file: %+v, %v", j, err)
	}
	for _, f := range []greywatt.Fact{cleaned("one"), {ID: "two", Dwelling: "larch-05", Kind: greywatt.FactOffset, At: day(6, 3), Channel: greywatt.ColdIn, OffsetK: -0.125, U95K: 0.08}} {
		if added, err := file.Append(study, f); err != nil || !added {
			t.Fatalf("%s: added %v, %v", f.ID, added, err)
		}
	}
	if added, err := file.Append(study, cleaned("one")); err != nil || added {
		t.Errorf("a form sent twice: added %v, %v", added, err)
	}
	j, err := file.Read(study)
	if err != nil || j.Torn != nil {
		t.Fatal(j.Torn, err)
	}
	if got := ids(j.Facts); !slices.Equal(got, []string{"one", "two"}) {
		t.Fatalf("facts %v", got)
	}
	want := cleaned("one")
	want.Line = j.Facts[0].Line
	if j.Facts[0] != want {
		t.Errorf("read %+v, appended %+v", j.Facts[0], want)
	}
	if f := j.Facts[1]; f.OffsetK != -0.125 || f.U95K != 0.08 || f.Channel != greywatt.ColdIn || f.At != day(6, 3) {
		t.Errorf("read %+v", f)
	}
	if info, err := os.Stat(string(file)); err != nil || info.Mode().Perm()&0o007 != 0 {
		t.Errorf("mode %v, %v: others may read who did what in whose home", info.Mode(), err)
	}
}

// Refused facts leave the file as it is, and the mistake names the key.
func TestAppendRefuses(t *testing.T) {
	study := readStudy(t)
	file := journal.Beside(filepath.Join(t.TempDir(), "study.toml"))
	if _, err := file.Append(study, cleaned("one")); err != nil {
		t.Fatal(err)
	}
	before, err := os.ReadFile(string(file))
	if err != nil {
		t.Fatal(err)
	}
	for want, f := range map[string]greywatt.Fact{
		`dwelling: no dwelling "larch-40" in the study; did you mean larch-04?`: {ID: "x", Dwelling: "larch-40", Kind: greywatt.FactCleaned, At: day(6, 2)},
		"fact[x].text: missing": {ID: "x", Dwelling: "larch-04", Kind: greywatt.FactNote, At: day(6, 2)},
		"fact[x].at: missing":   {ID: "x", Dwelling: "larch-04", Kind: greywatt.FactCleaned},
		`fact[x].of: no fact`:   {ID: "x", Dwelling: "larch-04", Kind: greywatt.FactWithdrawn, At: day(6, 2), Of: "three"},
		"offset_k: 30 is not within -20 to 20": {ID: "x", Dwelling: "larch-04", Kind: greywatt.FactOffset, At: day(6, 2), Channel: greywatt.WasteIn,
			OffsetK: 30},
	} {
		added, err := file.Append(study, f)
		var mistakes studyfile.Mistakes
		if added || !errors.As(err, &mistakes) || !strings.Contains(err.Error(), want) {
			t.Errorf("added %v, %v, want %s", added, err, want)
			continue
		}
		if m := mistakes[0]; m.Line > 12 {
			t.Errorf("%v: line %d of the new fact", m, m.Line)
		}
	}
	if after, _ := os.ReadFile(string(file)); string(after) != string(before) {
		t.Errorf("the file changed:\n%s", after)
	}
	if err := os.WriteFile(string(file), append([]byte("[[fact]]\nkind = \"clened\"\nid = \"a\"\n"), before...), 0o600); err != nil {
		t.Fatal(err)
	}
	var in *journal.InJournal
	if _, err := file.Append(study, cleaned("two")); !errors.As(err, &in) || !strings.Contains(err.Error(), "line 2: ") {
		t.Errorf("a file with mistakes: %v", err)
	}
}

// An append may be cut at any byte, by the end of the process or the machine:
// what was there before counts, the cut one is reported or there was nothing of
// it, and the next append goes well and loses none of the bytes.
func TestTornAnywhere(t *testing.T) {
	study := readStudy(t)
	dir := t.TempDir()
	file := journal.Beside(filepath.Join(dir, "study.toml"))
	if _, err := file.Append(study, cleaned("one")); err != nil {
		t.Fatal(err)
	}
	before, err := os.ReadFile(string(file))
	if err != nil {
		t.Fatal(err)
	}
	second := greywatt.Fact{ID: "two", Dwelling: "larch-05", Kind: greywatt.FactClampReplaced, At: day(6, 3),
		Sensor: &greywatt.Sensor{Channel: greywatt.WasteIn, OffsetK: 0.1, U95K: 0.3, Scale: 1}}
	if _, err := file.Append(study, second); err != nil {
		t.Fatal(err)
	}
	whole, err := os.ReadFile(string(file))
	if err != nil {
		t.Fatal(err)
	}
	torn := 0
	for n := len(before); n <= len(whole); n++ {
		for fill, zeros := range map[string]int{"": 0, " and zeros": 24} {
			data := append(slices.Clone(whole[:n]), make([]byte, zeros)...)
			name := fmt.Sprintf("cut at byte %d of %d%s", n-len(before), len(whole)-len(before), fill)
			j, err := journal.Parse(data, study)
			if err != nil {
				t.Fatalf("%s: %v\n%q", name, err, data[len(before):])
			}
			switch got := ids(j.Facts); {
			case zeros == 0 && n >= len(whole)-1:
				if j.Torn != nil || !slices.Equal(got, []string{"one", "two"}) {
					t.Fatalf("%s: facts %v, torn %v", name, got, j.Torn)
				}
			case len(got) == 0 || got[0] != "one":
				t.Fatalf("%s: facts %v", name, got)
			case j.Torn == nil && (n > len(before)+1 || zeros > 0):
				t.Fatalf("%s: %d facts, nothing is said of what is torn", name, len(got))
			}
			if j.Torn != nil {
				torn++
			}
			if err := os.WriteFile(string(file), data, 0o600); err != nil {
				t.Fatal(err)
			}
			if added, err := file.Append(study, cleaned("three")); err != nil || !added {
				t.Fatalf("%s: append: %v, %v", name, added, err)
			}
			after, err := file.Read(study)
			if err != nil || after.Torn != nil {
				t.Fatalf("%s: after an append: %v, %v", name, after.Torn, err)
			}
			if got := ids(after.Facts); got[0] != "one" || got[len(got)-1] != "three" {
				t.Fatalf("%s: after an append: %v", name, got)
			}
			text, _ := os.ReadFile(string(file))
			if j.Torn != nil {
				kept := strings.TrimSpace(strings.TrimRight(strings.Split(j.Torn.Text, "\n")[0], "\x00\n"))
				if !strings.Contains(string(text), kept) {
					t.Fatalf("%s: %q is lost:\n%s", name, kept, text)
				}
			}
		}
	}
	if torn < 100 {
		t.Errorf("only %d torn files", torn)
	}
}

// Several at once, each with forms that are sent twice: every fact is there once.
func TestAppendTogether(t *testing.T) {
	study := readStudy(t)
	file := journal.Beside(filepath.Join(t.TempDir(), "study.toml"))
	var work sync.WaitGroup
	var mu sync.Mutex
	count := 0
	for w := range 6 {
		work.Go(func() {
			for i := range 10 {
				added, err := file.Append(study, cleaned(fmt.Sprintf("f-%d-%d", w/2, i)))
				if err != nil {
					t.Error(err)
				}
				if added {
					mu.Lock()
					count++
					mu.Unlock()
				}
			}
		})
	}
	work.Wait()
	j, err := file.Read(study)
	if err != nil || j.Torn != nil {
		t.Fatal(j.Torn, err)
	}
	got := ids(j.Facts)
	slices.Sort(got)
	if len(got) != 30 || len(slices.Compact(got)) != 30 || count != 30 {
		t.Errorf("%d facts, %d added, want 30", len(got), count)
	}
}

func TestNewID(t *testing.T) {
	a, b := journal.NewID(), journal.NewID()
	if a == b {
		t.Errorf("%s twice", a)
	}
	study := readStudy(t)
	file := journal.Beside(filepath.Join(t.TempDir(), "s.toml"))
	if _, err := file.Append(study, cleaned(a)); err != nil {
		t.Error(err)
	}
}
