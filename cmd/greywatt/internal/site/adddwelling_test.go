package site

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"greywatt"
	"greywatt/ingest/studyfile"
)

func TestAddDwelling(t *testing.T) {
	file := filepath.Join(t.TempDir(), "study.toml")
	const before = "# ours\n[[dwelling]]\nid = \"larch-04\"\nconnection = \"A\"\n[dwelling.exchanger]\nrated = [ { flow_l_min = 9.5, effectiveness = 0.57 } ]"
	if err := os.WriteFile(file, []byte(before), 0o640); err != nil {
		t.Fatal(err)
	}
	j := Journal{&StudyFlag{File: file}}
	d := greywatt.Dwelling{ID: "larch-05", Connection: greywatt.ConnectionC, Exchanger: greywatt.Exchanger{Rated: []greywatt.RatedPoint{{FlowLMin: 7, Effectiveness: 0.62}, {FlowLMin: 9.5, Effectiveness: 0.57}}, Serial: `S "17"`, Place: "loft"}, Heater: greywatt.Heater{HotC: 58}}
	for range 2 { // a form that is sent twice
		if err := j.AddDwelling(d); err != nil {
			t.Fatal(err)
		}
	}
	study, err := j.Read()
	if err != nil {
		t.Fatal(err)
	}
	got, ok := study.Dwelling("larch-05")
	if !ok || len(study.Dwellings) != 2 || got.Connection != greywatt.ConnectionC || len(got.Exchanger.Rated) != 2 || got.Heater.HotC != 58 || got.Exchanger.Serial != `S "17"` || got.Exchanger.Place != "loft" || !(got.Heater.Efficiency > 0) {
		t.Errorf("%d dwellings, %+v", len(study.Dwellings), got)
	}
	// Two engineers at once: both dwellings are there. Two who describe one: the second
	// is told.
	var work sync.WaitGroup
	answers := make([]error, 6)
	for i := range answers {
		work.Go(func() {
			other := d
			other.ID = fmt.Sprintf("elm-%d", i/2)
			other.Heater.HotC = 50 + float64(i)
			answers[i] = j.AddDwelling(other)
		})
	}
	work.Wait()
	for i := 0; i < len(answers); i += 2 {
		var told studyfile.Mistakes
		if (answers[i] == nil) == (answers[i+1] == nil) || !errors.As(errors.Join(answers[i], answers[i+1]), &told) {
			t.Errorf("elm-%d: %v and %v, want one that is told", i/2, answers[i], answers[i+1])
		}
	}
	if study, err = j.Read(); err != nil || len(study.Dwellings) != 5 {
		t.Errorf("%v, %d dwellings, want 5", err, len(study.Dwellings))
	}
	text, _ := os.ReadFile(file)
	if !strings.HasPrefix(string(text), before) {
		t.Errorf("what stood there has changed:\n%s", text)
	}
	if info, _ := os.Stat(file); info.Mode().Perm() != 0o640 {
		t.Errorf("mode %v", info.Mode())
	}
	for name, wrong := range map[string]greywatt.Dwelling{
		"another of that name": {ID: "larch-04", Connection: greywatt.ConnectionB, Exchanger: d.Exchanger},
		"a name with a blank":  {ID: "larch 06", Connection: greywatt.ConnectionB, Exchanger: d.Exchanger},
		"no rated point":       {ID: "larch-06", Connection: greywatt.ConnectionB},
	} {
		var mistakes studyfile.Mistakes
		if err := j.AddDwelling(wrong); !errors.As(err, &mistakes) {
			t.Errorf("%s: %v, want mistakes", name, err)
		}
	}
	if after, _ := os.ReadFile(file); string(after) != string(text) {
		t.Error("a refused dwelling is written")
	}
}

// A study that begins without a file gets one with its first dwelling; a file that
// vanishes after that is an error.
func TestBegin(t *testing.T) {
	file := filepath.Join(t.TempDir(), "study.toml")
	flag := &StudyFlag{File: file}
	d := greywatt.Dwelling{ID: "larch-05", Connection: greywatt.ConnectionC, Exchanger: greywatt.Exchanger{Rated: []greywatt.RatedPoint{{FlowLMin: 7, Effectiveness: 0.62}}}}
	if err := (Journal{flag}).AddDwelling(d); err == nil {
		t.Error("a file is made that nobody asked for")
	}
	flag.Begin()
	if w, err := flag.ReadWhole(); err != nil || len(w.Study.Dwellings) != 0 {
		t.Fatalf("before the first dwelling: %v", err)
	}
	if err := os.WriteFile(file, []byte("[study]\nname = \"Larch Row\"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if w, err := flag.ReadWhole(); err != nil || w.Study.Name != "Larch Row" {
		t.Fatalf("a file without a dwelling: %v", err)
	}
	if err := os.Remove(file); err != nil {
		t.Fatal(err)
	}
	j := Journal{flag}
	if there, err := j.HasDwelling("larch-05"); err != nil || there {
		t.Errorf("%t, %v", there, err)
	}
	if err := j.AddDwelling(d); err != nil {
		t.Fatal(err)
	}
	if there, err := j.HasDwelling("larch-05"); err != nil || !there {
		t.Errorf("after it was added: %t, %v", there, err)
	}
	if info, err := os.Stat(file); err != nil || info.Mode().Perm() != 0o640 {
		t.Errorf("%v, %v", info.Mode(), err)
	}
	if err := os.Remove(file); err != nil {
		t.Fatal(err)
	}
	if w, err := flag.ReadWhole(); err == nil {
		t.Errorf("the file is gone, and the study has %d dwellings", len(w.Study.Dwellings))
	}
}
