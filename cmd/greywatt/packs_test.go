package main

import (
	"encoding/csv"
	"encoding/json"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/ingest/mqttsource"
	"greywatt/ingest/store"
)

// Packs that nodes numbered and that have not come are told of by check, and counted
// in the dataset: three of 21 here, 3 and 7 to 8.
func TestMissingPacksAreTold(t *testing.T) {
	data := filepath.Join(t.TempDir(), "data")
	invoke(t, cli.ExitDone, "import", "--study", filesStudy, "--data", data, "--dwelling", "larch-04", "testdata/files/good.csv")
	if got := missingInDataset(t, data); got != "" {
		t.Errorf("without numbers dwellings.csv says %q", got)
	}
	st, err := store.Open(data, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for node, packs := range map[string]string{"n1": `{"runs":[{"run":"b41f","newest":20,"missing":[[3,3],[7,8]]}]}`, "n2": `{"runs":[{"newest":4}]}`} {
		if err := st.SetNote(t.Context(), "larch-04", mqttsource.PacksNote+node, []byte(packs)); err != nil {
			t.Fatal(err)
		}
	}
	if err := st.Close(); err != nil {
		t.Fatal(err)
	}
	told := invoke(t, cli.ExitDone, "check", "--study", filesStudy, "--data", data)
	if !strings.Contains(told, "larch-04/n1: 3 packs not come") || !strings.Contains(told, "7 to 8 of run b41f, 3 of run b41f") || strings.Contains(told, "/n2") {
		t.Errorf("check says %q", told)
	}
	var found struct {
		Data struct {
			Missing []missingPacksJSON `json:"missing_packs"`
		} `json:"data"`
	}
	if err := json.Unmarshal([]byte(invoke(t, cli.ExitDone, "check", "--json", "--study", filesStudy, "--data", data)), &found); err != nil {
		t.Fatal(err)
	}
	if m := found.Data.Missing; len(m) != 1 || m[0].Dwelling != "larch-04" || m[0].Node != "n1" || m[0].Packs != 3 {
		t.Errorf("check --json says %+v", m)
	}
	if got := missingInDataset(t, data); got != "3" {
		t.Errorf("dwellings.csv says %q", got)
	}
}

// missingInDataset exports and returns what dwellings.csv says of larch-04.
func missingInDataset(t *testing.T, data string) string {
	t.Helper()
	out := t.TempDir()
	invoke(t, cli.ExitDone, "export", "--study", filesStudy, "--data", data, "--out", out)
	return dwellingsColumn(t, out, "packs_missing")["larch-04"]
}

// dwellingsColumn returns what a column of an export's dwellings.csv says of each dwelling.
func dwellingsColumn(t *testing.T, dataset, column string) map[string]string {
	t.Helper()
	rows, err := csv.NewReader(strings.NewReader(readFile(t, dataset, "dwellings.csv"))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	at := slices.Index(rows[0], column)
	if at < 0 || len(rows) < 2 {
		t.Fatalf("%d rows with the columns %v", len(rows), rows[0])
	}
	said := map[string]string{}
	for _, row := range rows[1:] {
		said[row[0]] = row[at]
	}
	return said
}
