package kept

import (
	"fmt"
	"path/filepath"
	"slices"
	"testing"

	"zombiezen.com/go/sqlite"
	"zombiezen.com/go/sqlite/sqlitex"

	"greywatt"
	"greywatt/analysis"
	"greywatt/analysis/simulate"
	"greywatt/ingest/store"
)

// Blocks of the store that cannot be read are told of once, as in a fresh analysis,
// though they lie across cuts.
func TestDamagedStore(t *testing.T) {
	h := simulate.NewHouse("larch-04", 5, simulate.Options{Days: 24, ShowersPerDay: 0.4, Nodes: 2})
	frames := slices.Collect(h.Frames(nil))
	study := &greywatt.Study{Dwellings: []greywatt.Dwelling{h.Dwelling}}
	d := &study.Dwellings[0]
	dir := t.TempDir()
	st := openStore(t, dir)
	appendFrames(t, st, d.ID, frames)
	if _, err := st.Seal(t.Context(), frames[len(frames)-1].At); err != nil {
		t.Fatal(err)
	}
	if err := st.Close(); err != nil {
		t.Fatal(err)
	}
	c, err := sqlite.OpenConn(filepath.Join(dir, store.FileName))
	if err != nil {
		t.Fatal(err)
	}
	blocks := 0
	if err := sqlitex.ExecuteTransient(c, "SELECT count(*) FROM block", &sqlitex.ExecOptions{ResultFunc: func(r *sqlite.Stmt) error { blocks = r.ColumnInt(0); return nil }}); err != nil {
		t.Fatal(err)
	}
	if err := sqlitex.ExecuteTransient(c, "UPDATE block SET data = zeroblob(length(data)) WHERE id IN (SELECT id FROM block ORDER BY first_us LIMIT 1 OFFSET ?)", &sqlitex.ExecOptions{Args: []any{blocks / 2}}); err != nil {
		t.Fatal(err)
	}
	if err := c.Close(); err != nil {
		t.Fatal(err)
	}
	st = openStore(t, dir)
	whole, err := analysis.Run(study, d, st.Frames(t.Context(), d.ID, 0, 0), analysis.Options{})
	if err != nil || len(whole.Damaged) != 1 {
		t.Fatal(whole.Damaged, err)
	}
	day := func(n float64) greywatt.Instant { return frames[0].At.Add(n * 86400) }
	r, _ := opened(t, t.TempDir())
	for i := range 2 {
		same(t, r, st, study, fmt.Sprint(i), analysis.Period{From: day(3)}, analysis.Period{To: day(20)}, analysis.Period{From: day(2), To: day(22)})
	}
}
