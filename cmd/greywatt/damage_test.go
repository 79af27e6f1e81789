package main

import (
	"bytes"
	"path/filepath"
	"strings"
	"testing"

	"zombiezen.com/go/sqlite"
	"zombiezen.com/go/sqlite/sqlitex"

	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/ingest/store"
)

// Every event that events lists of a dwelling with a damaged block can be drawn
// and has its budgets; what is skipped is said.
func TestEventsNearDamage(t *testing.T) {
	dir := t.TempDir()
	data := filepath.Join(dir, "data")
	study, files := street(t, "6")
	invoke(t, cli.ExitDone, append([]string{"import", "--study", study, "--data", data}, files...)...)
	c, err := sqlite.OpenConn(filepath.Join(data, store.FileName), sqlite.OpenReadWrite)
	if err != nil {
		t.Fatal(err)
	}
	var dwelling string
	err = sqlitex.Execute(c, "SELECT d.name FROM block b JOIN node n ON n.id = b.node JOIN dwelling d ON d.id = n.dwelling GROUP BY d.id ORDER BY count(*) DESC LIMIT 1",
		&sqlitex.ExecOptions{ResultFunc: func(r *sqlite.Stmt) error { dwelling = r.ColumnText(0); return nil }})
	if err == nil {
		err = sqlitex.Execute(c, `UPDATE block SET data = zeroblob(length(data)) WHERE id = (SELECT b.id FROM block b JOIN node n ON n.id = b.node
			JOIN dwelling d ON d.id = n.dwelling WHERE d.name = ? ORDER BY b.first_us LIMIT 1 OFFSET 2)`, &sqlitex.ExecOptions{Args: []any{dwelling}})
	}
	if err != nil || c.Changes() != 1 {
		t.Fatalf("%d blocks damaged, %v", c.Changes(), err)
	}
	if err := c.Close(); err != nil {
		t.Fatal(err)
	}
	say := func(args ...string) (code int, out, said string) {
		var o, e bytes.Buffer
		args = append([]string{args[0], "--study", study, "--data", data}, args[1:]...)
		code = run(t.Context(), args, &cli.Console{In: strings.NewReader(""), Out: &o, Err: &e, Getenv: func(string) string { return "" }, Name: "greywatt"})
		return code, o.String(), e.String()
	}
	_, list, said := say("events", "--json", "--dwelling", dwelling)
	if !strings.Contains(said, "damaged") {
		t.Fatalf("events says nothing of damage: %s", said)
	}
	near := 0
	lines := strings.Split(strings.TrimSpace(list), "\n")
	for _, line := range lines {
		_, rest, _ := strings.Cut(line, `"event_id":"`)
		id, _, _ := strings.Cut(rest, `"`)
		code, _, said := say("chart", "--out", filepath.Join(dir, "chart.svg"), id)
		if code != cli.ExitDone {
			t.Errorf("chart %s: exit code %d: %s", id, code, said)
		}
		if strings.Contains(said, "damaged") {
			near++
		}
		if code, _, said := say("budget", id); code != cli.ExitDone {
			t.Errorf("budget %s: exit code %d: %s", id, code, said)
		}
	}
	if len(lines) < 10 || near < 3 {
		t.Errorf("%d events, %d near the damaged block: too few for a test", len(lines), near)
	}
}
