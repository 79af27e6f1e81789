package store

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"testing"

	"greywatt"
	"greywatt/ingest"

	"zombiezen.com/go/sqlite"
)

// manyBlocks makes a store of one node with some thirty blocks and of one with
// rows only, and returns its folder, its file and all frames.
func manyBlocks(t *testing.T, page int) (dir string, file []byte, m model) {
	t.Helper()
	dir, m = t.TempDir(), make(model)
	withPages(t, dir, page)
	s := openTest(t, dir)
	if got, err := integer(s.w, "PRAGMA page_size"); err != nil || got != page {
		t.Fatalf("pages of %d, %v, want %d", got, err, page)
	}
	long := newStreet(3, 0.01, true).days("n1", 11)
	rs := readings("larch-04", long[:len(long)/blockFrames*blockFrames])
	for n := 0; len(rs) > 0; rs = rs[n:] {
		n = min(len(rs), 5*4*blockFrames)
		m.append(rs[:n])
		if _, err := s.Append(t.Context(), rs[:n]); err != nil {
			t.Fatal(err)
		}
	}
	inRuns := func(rs []greywatt.Reading, size int) {
		for run := range slices.Chunk(rs, size) {
			m.append(run)
			if _, err := s.Append(t.Context(), run); err != nil {
				t.Fatal(err)
			}
		}
	}
	inRuns(readings("larch-04", long[len(long)/blockFrames*blockFrames:]), 5*48)
	inRuns(readings("larch-05", newStreet(4, 1.0/16, true).days("n2", 1)[:3000]), shortRun-1)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	file, err := os.ReadFile(filepath.Join(dir, FileName))
	if err != nil {
		t.Fatal(err)
	}
	return dir, file, m
}

// withPages makes a store's file with pages of a size, as older programs did.
func withPages(t *testing.T, dir string, page int) {
	t.Helper()
	c, err := sqlite.OpenConn(filepath.Join(dir, FileName), sqlite.OpenReadWrite|sqlite.OpenCreate)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if err := runEach(c, fmt.Sprintf("PRAGMA page_size = %d; CREATE TABLE x (y); DROP TABLE x;", page)); err != nil {
		t.Fatal(err)
	}
}

// blockPages finds the pages that hold parts of each block, by looking for the
// block's bytes in the file: nothing of the salvage is used for it.
func blockPages(t *testing.T, dir string, file []byte, page int) (frames []int, on []map[int]bool) {
	t.Helper()
	c, err := sqlite.OpenConn(immutable(filepath.Join(dir, FileName)), sqlite.OpenReadOnly|sqlite.OpenURI)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	const piece = 24
	err = query(c, "SELECT frames, data FROM block ORDER BY id", func(r *sqlite.Stmt) error {
		data := make([]byte, r.ColumnLen(1))
		r.ColumnBytes(1, data)
		pages := make(map[int]bool)
		for i := 0; i+piece <= len(data); i += piece {
			if at := bytes.Index(file, data[i:i+piece]); at >= 0 {
				pages[at/page] = true
				pages[(at+piece-1)/page] = true
			}
		}
		frames, on = append(frames, r.ColumnInt(0)), append(on, pages)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return frames, on
}

// TestSalvageGetsWhatIsIntact blanks pages and cuts the file's end off: of the
// blocks that lie on intact pages every frame comes back, and of rows all but
// those of a blanked page, with pages of either size.
func TestSalvageGetsWhatIsIntact(t *testing.T) {
	for _, page := range pageSizes {
		t.Run(fmt.Sprint(page), func(t *testing.T) { salvageWhatIsIntact(t, page) })
	}
}

func salvageWhatIsIntact(t *testing.T, page int) {
	rowsPerPage := page / 27
	dir, file, m := manyBlocks(t, page)
	frames, on := blockPages(t, dir, file, page)
	if len(frames) < 20 || frames[len(frames)-1] > 48 {
		t.Fatalf("%d blocks, the last of %d frames: the test wants more, and small ones", len(frames), frames[len(frames)-1])
	}
	rows := len(m.frames("larch-05", 0, 0))
	last := slices.Max(slices.Collect(maps.Keys(on[len(on)-1])))
	hurt := t.TempDir()
	try := func(name string, bad []byte, lost func(page int) bool, lostPages int) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(hurt, FileName), bad, 0o644); err != nil {
			t.Fatal(err)
		}
		whole := openTest(t, t.TempDir())
		defer whole.Close()
		counts, damage, err := whole.Salvage(t.Context(), hurt)
		if err != nil || counts.Conflict > 0 {
			t.Errorf("%s: %+v, %v", name, counts, err)
			return
		}
		intact := 0
		for i, n := range frames {
			if !slices.ContainsFunc(slices.Collect(maps.Keys(on[i])), lost) {
				intact += n
			}
		}
		got, gotRows := 0, 0
		for _, k := range slices.Collect(maps.Keys(whole.nodes)) {
			n := int(whole.nodes[k].frames)
			if k.dwelling == "larch-05" || k == (nodeKey{salvagedDwelling, "node-2"}) {
				gotRows = n
			} else {
				got += n
			}
			want := m.frames("larch-04", 0, 0)
			if k.dwelling == "larch-05" {
				want = m.frames("larch-05", 0, 0)
			}
			if k.dwelling != salvagedDwelling && !contains(want, collect(t, whole, k.dwelling, 0, 0)) {
				t.Errorf("%s: %v has frames that were never stored", name, k)
			}
		}
		if got < intact || gotRows < rows-min(rows, lostPages*rowsPerPage) {
			t.Errorf("%s: %d frames of %d that are intact, %d rows of %d came back; reported %v", name, got, intact, gotRows, rows, damage)
		}
		if (got < m.count("larch-04") || gotRows < rows) && len(damage) == 0 {
			t.Errorf("%s: %d frames and %d rows came back, and no damage is reported", name, got, gotRows)
		}
		if after, err := os.ReadFile(filepath.Join(hurt, FileName)); err != nil || !bytes.Equal(after, bad) {
			t.Errorf("%s: the damaged file was changed", name)
		}
	}
	blank := func(n int) {
		bad := bytes.Clone(file)
		copy(bad[n*page:(n+1)*page], make([]byte, page))
		try(fmt.Sprintf("page %d blank", n+1), bad, func(p int) bool { return p == n }, 1)
	}
	try("nothing lost", file, func(int) bool { return false }, 0)
	blank(last) // where the highest id is
	pages := len(file) / page
	step := max(1, pages/(4**rounds))
	for n := 0; n < pages; n += step {
		blank(n)
	}
	for _, size := range []int{len(file) - 1, len(file) - page, len(file) * 99 / 100, len(file) * 9 / 10, len(file) / 2} {
		kept := size / page
		try(fmt.Sprintf("cut to %d of %d bytes", size, len(file)), file[:size], func(p int) bool { return p >= kept }, pages-kept)
	}
	// A sector lost costs the rows in it; no row comes back with a wrong value.
	for n := 1; n < pages; n += 2 * step {
		bad := bytes.Clone(file)
		copy(bad[n*page+page/2:][:sector], make([]byte, sector))
		try(fmt.Sprintf("page %d with a blank sector", n+1), bad, func(p int) bool { return p == n }, 1)
	}
	// Both places of all names, and the file's header.
	bad := bytes.Clone(file)
	first := 6 * 4096 / page
	copy(bad, make([]byte, first*page))
	try("first pages blank", bad, func(p int) bool { return p < first }, first)
}

func (m model) count(dwelling string) int { return len(m.frames(dwelling, 0, 0)) }

// contains reports whether all of some frames, in order of time, are among all.
func contains(all, some []greywatt.Frame) bool {
	for i := range some {
		j, ok := slices.BinarySearchFunc(all, some[i].At, func(f greywatt.Frame, at greywatt.Instant) int { return int(f.At - at) })
		if !ok || !sameFrames(all[j:j+1], some[i:i+1]) {
			return false
		}
	}
	return true
}

// A store that was not closed has its newest readings in the log only.
func TestSalvageReadsTheLog(t *testing.T) {
	dir, m := t.TempDir(), make(model)
	s := openTest(t, dir)
	for seq := range 40 {
		rs := crashBatch(seq)
		m.append(rs)
		if _, err := s.Append(t.Context(), rs); err != nil {
			t.Fatal(err)
		}
	}
	if _, _, err := openTest(t, t.TempDir()).Salvage(t.Context(), dir); !errors.As(err, new(*LockedError)) {
		t.Fatalf("salvage beside a writer: %v", err)
	}
	killed := t.TempDir() // as a kill leaves it
	for _, suffix := range []string{"", "-wal"} {
		b, err := os.ReadFile(filepath.Join(dir, FileName+suffix))
		if err != nil || len(b) == 0 {
			t.Fatalf("%s: %d bytes, %v", suffix, len(b), err)
		}
		// What follows the last commit, torn or of an earlier use of the log, does not count.
		if suffix == "-wal" {
			b = append(b, bytes.Repeat([]byte{0xa5}, 5000)...)
		}
		if err := os.WriteFile(filepath.Join(killed, FileName+suffix), b, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	whole := openTest(t, t.TempDir())
	if _, damage, err := whole.Salvage(t.Context(), killed); err != nil || len(damage) > 0 {
		t.Fatalf("salvage: %v, %v", damage, err)
	}
	compareAll(t, whole, m)
}

// FuzzSalvage: no file makes a salvage panic or run without end.
func FuzzSalvage(f *testing.F) {
	f.Add(uint32(0), uint32(64), []byte{1, 2, 3}, uint32(100_000))
	f.Add(uint32(4096), uint32(3), []byte{0xff}, uint32(9000))
	var file []byte
	f.Fuzz(func(t *testing.T, at, step uint32, garbage []byte, size uint32) {
		if file == nil {
			dir, _ := filled(t)
			file, _ = os.ReadFile(filepath.Join(dir, FileName))
		}
		bad := bytes.Clone(file)
		for i, c := range garbage {
			bad[(int(at)+i*int(step%9973+1))%len(bad)] = c
		}
		bad = bad[:1+int(size)%len(bad)]
		dir := t.TempDir()
		if err := os.WriteFile(filepath.Join(dir, FileName), bad, 0o644); err != nil {
			t.Fatal(err)
		}
		_, _, err := openTest(t, t.TempDir()).Salvage(t.Context(), dir)
		if err != nil && !errors.Is(err, ErrNotStore) && !errors.Is(err, ErrNewer) {
			t.Fatal(err)
		}
	})
}

// TestSalvageQuarantine: what is kept whole comes along, on one page or on many.
func TestSalvageQuarantine(t *testing.T) {
	dir := t.TempDir()
	s := openTest(t, dir)
	var want []ingest.Quarantined
	for i, n := range []int{0, 300, 50_000} {
		want = append(want, ingest.Quarantined{
			ID: int64(i + 1), Topic: "greywatt/elm/n1/senml", Body: bytes.Repeat([]byte{'0' + byte(i)}, n), At: t0 + greywatt.Instant(i),
			Dwelling: "elm", Node: "n1", Reason: ingest.UnknownDwelling, Records: int64(2 * n), Retained: i == 1, OwnNames: i == 2,
		})
	}
	if err := errors.Join(s.AppendQuarantined(t.Context(), want), s.AppendQuarantined(t.Context(), want[1:]), s.Close()); err != nil {
		t.Fatal(err)
	}
	to := openTest(t, t.TempDir())
	if _, damage, err := to.Salvage(t.Context(), dir); err != nil || len(damage) > 0 {
		t.Fatalf("%v, %v", damage, err)
	}
	got, err := to.Quarantined(t.Context(), 0, 9, 1<<20)
	slices.SortFunc(got, func(a, b ingest.Quarantined) int { return int(a.At - b.At) })
	for i := range got {
		got[i].ID = int64(i + 1) // pages come in any order
	}
	if err != nil || !reflect.DeepEqual(got, want) {
		t.Errorf("%d messages of %d, or others; %v", len(got), len(want), err)
	}
}
