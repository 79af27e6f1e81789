package main

import (
	"path/filepath"
	"strings"
	"testing"

	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/logger"
	"greywatt/ingest/store"
)

// Nodes whose readings count for when they came are named by clocks and in the
// dataset.
func TestArrivalTimesAreTold(t *testing.T) {
	dir := t.TempDir()
	data, out := filepath.Join(dir, "data"), filepath.Join(dir, "dataset")
	invoke(t, cli.ExitDone, "import", "--study", filesStudy, "--data", data, "--dwelling", "larch-04", "testdata/files/good.csv")
	st, err := store.Open(data, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := st.SetNote(t.Context(), "larch-04", logger.ArrivalsNote, []byte(`["box-9","mqtt"]`)); err != nil {
		t.Fatal(err)
	}
	if err := st.Close(); err != nil {
		t.Fatal(err)
	}
	if told := invoke(t, cli.ExitDone, "clocks", "--data", data); !strings.Contains(told, "larch-04/mqtt: its messages state no time") {
		t.Errorf("clocks says %q", told)
	}
	if told := invoke(t, cli.ExitDone, "clocks", "--json", "--data", data); told != `{"dwelling":"larch-04","node":"box-9","arrival":true}`+"\n"+`{"dwelling":"larch-04","node":"mqtt","arrival":true}`+"\n" {
		t.Errorf("clocks --json says %q", told)
	}
	invoke(t, cli.ExitDone, "export", "--study", filesStudy, "--data", data, "--out", out)
	told := dwellingsColumn(t, out, "arrival_time_nodes")
	if told["larch-04"] != "box-9;mqtt" {
		t.Errorf("dwellings.csv says %v", told)
	}
	for id, nodes := range told {
		if id != "larch-04" && nodes != "" {
			t.Errorf("dwelling %s has %q", id, nodes)
		}
	}
}
