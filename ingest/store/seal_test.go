package store

import (
	"errors"
	"path/filepath"
	"slices"
	"testing"

	"greywatt"
	"greywatt/ingest"

	"zombiezen.com/go/sqlite"
)

// TestSealJoinsSmallBlocks: what five nodes sent in turns, in packs of 48, is in
// small blocks at once and in large ones after Seal, but for the one that cannot be
// unpacked and what is too young; sealing again writes nothing.
func TestSealJoinsSmallBlocks(t *testing.T) {
	s := openTest(t, t.TempDir())
	m := make(model)
	const nodes, packs, size = 5, 60, 48
	young := t0 + (packs-10)*size*1_000_000
	for pack := range packs {
		for node := range nodes {
			var rs []greywatt.Reading
			for i := range size {
				at := t0 + greywatt.Instant(pack*size+i)*1_000_000
				rs = append(rs, reading("larch-04", string(rune('a'+node)), greywatt.Flow, at, float64(i)/16))
			}
			m.append(rs)
			if _, err := s.Append(t.Context(), rs); err != nil {
				t.Fatal(err)
			}
		}
	}
	blocks := func(node string) (sizes []int) {
		t.Helper()
		err := query(s.w, "SELECT b.frames FROM block b JOIN node n ON n.id = b.node WHERE n.name = ? ORDER BY b.first_us", func(r *sqlite.Stmt) error {
			sizes = append(sizes, r.ColumnInt(0))
			return nil
		}, node)
		if err != nil {
			t.Fatal(err)
		}
		return sizes
	}
	if rows, err := integer(s.w, "SELECT count(*) FROM frame"); err != nil || rows > 0 {
		t.Fatalf("%d rows, %v", rows, err)
	}
	if got := blocks("a"); len(got) != packs {
		t.Fatalf("blocks %v, want one a pack", got)
	}
	compareAll(t, s, m)

	damage := "UPDATE block SET data = zeroblob(length(data)) WHERE id = (SELECT b.id FROM block b JOIN node n ON n.id = b.node WHERE n.name = 'c' ORDER BY b.first_us LIMIT 1 OFFSET 20)"
	if err := run(s.w, damage); err != nil {
		t.Fatal(err)
	}
	if packed, err := s.Seal(t.Context(), young); err != nil || packed != nodes*(packs-10)*size-size {
		t.Fatalf("packed %d, %v", packed, err)
	}
	late := slices.Repeat([]int{size}, 10)
	for node, want := range map[string][]int{"a": {50 * size}, "c": {20 * size, size, 29 * size}, "e": {50 * size}} {
		if got := blocks(node); !slices.Equal(got, append(want, late...)) {
			t.Errorf("%s: blocks %v", node, got)
		}
	}
	changes := func() int {
		n, err := integer(s.w, "SELECT total_changes()")
		if err != nil {
			t.Fatal(err)
		}
		return n
	}
	before := changes()
	if packed, err := s.Seal(t.Context(), young); err != nil || packed != 0 || changes() != before {
		t.Errorf("sealed again: packed %d, %v, %d changes", packed, err, changes()-before)
	}
	// After a restart what is packed need be found again, not written again.
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = openTest(t, filepath.Dir(s.Path()))
	before = changes()
	if packed, err := s.Seal(t.Context(), young); err != nil || packed != 0 || changes() != before {
		t.Errorf("sealed after a restart: packed %d, %v, %d changes", packed, err, changes()-before)
	}
	got := 0
	for frames, err := range s.Frames(t.Context(), "larch-04", 0, 0) {
		var d *ingest.CorruptError
		if err != nil && !errors.As(err, &d) {
			t.Fatal(err)
		}
		got += len(frames)
	}
	if got != (nodes*packs-1)*size {
		t.Errorf("%d frames", got)
	}
}
