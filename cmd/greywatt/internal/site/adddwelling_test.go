package site

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
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
