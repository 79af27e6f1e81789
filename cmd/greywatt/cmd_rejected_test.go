package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/ingest"
	"greywatt/ingest/store"
)

// What a stranger wrote cannot colour, clear or retitle the terminal of who
// looks at the rejected records.
func TestRejectedIsPrintable(t *testing.T) {
	dir := t.TempDir()
	table, data := filepath.Join(dir, "table.csv"), filepath.Join(dir, "data")
	if err := os.WriteFile(table, []byte("time,\x1b[31mevil,flow_l_min\n2026-01-12T00:00:00Z,1,2\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	invoke(t, cli.ExitRejected, "import", "--study", "testdata/files/study.toml", "--data", data, "--dwelling", "larch-04", table)
	st, err := store.Open(data, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	err = st.AppendRejected(t.Context(), []ingest.RejectedRecord{{Source: "greywatt/\x1b]0;title\a/n1", Dwelling: "\u202eelm", Reason: ingest.WrongTopic, Detail: "d\u009b2J", Record: "\x1b[2J"}})
	if err != nil {
		t.Fatal(err)
	}
	if err := st.Close(); err != nil {
		t.Fatal(err)
	}
	got := invoke(t, cli.ExitDone, "rejected", "--data", data)
	if !strings.Contains(got, "evil") || !strings.Contains(got, "title") || !strings.Contains(got, "elm") {
		t.Errorf("not all is listed:\n%q", got)
	}
	if i := strings.IndexAny(got, "\x1b\a\u009b\u202e"); i >= 0 {
		t.Errorf("a control character at %d of\n%q", i, got)
	}
}
