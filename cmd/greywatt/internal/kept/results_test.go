package kept

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"iter"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"zombiezen.com/go/sqlite"
	"zombiezen.com/go/sqlite/sqlitex"

	"greywatt"
	"greywatt/analysis"
	"greywatt/analysis/simulate"
	"greywatt/cmd/greywatt/internal/framefile"
	"greywatt/ingest/ingesttest"
	"greywatt/ingest/store"
)

// counted counts the frames that are read of a store.
type counted struct {
	*store.Store
	frames int
}

func (c *counted) Frames(ctx context.Context, dwelling string, from, to greywatt.Instant) iter.Seq2[[]greywatt.Frame, error] {
	return func(yield func([]greywatt.Frame, error) bool) {
		for batch, err := range c.Store.Frames(ctx, dwelling, from, to) {
			c.frames += len(batch)
			if !yield(batch, err) {
				return
			}
		}
	}
}

func openStore(t testing.TB, dir string) *store.Store {
	t.Helper()
	st, err := store.Open(dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { st.Close() })
	return st
}

func appendFrames(t testing.TB, st *store.Store, dwelling string, frames []greywatt.Frame) {
	t.Helper()
	for part := range slices.Chunk(frames, 20_000) {
		var rs []greywatt.Reading
		for i := range part {
			rs = framefile.AppendReadings(rs, dwelling, &part[i])
		}
		if _, err := st.Append(t.Context(), rs); err != nil {
			t.Fatal(err)
		}
	}
}

// opened opens what is kept and gathers what is said.
func opened(t testing.TB, dir string) (r *Results, said *[]string) {
	t.Helper()
	said = new([]string)
	r = Open(dir, func(what string, err error) { *said = append(*said, fmt.Sprint(what, ": ", err)) })
	t.Cleanup(func() { r.Close() })
	return r, said
}

// text is a result in which figures that are not known are alike.
func text(r *analysis.Result) string {
	var b strings.Builder
	for e := range r.All() {
		fmt.Fprintf(&b, "%+v\n", *e)
	}
	fmt.Fprintf(&b, "%+v\n%+v\n%+v\n%v %d", r.Health, r.Diagnosis, r.Completeness, r.Damaged, r.LeftOut)
	return address.ReplaceAllString(b.String(), "")
}

var address = regexp.MustCompile(`0x[0-9a-f]+`)

// around returns a little of where a text differs from another.
func around(a, b string) string {
	i := 0
	for i < min(len(a), len(b)) && a[i] == b[i] {
		i++
	}
	return a[max(0, i-200):min(len(a), i+100)]
}

// same compares what is kept with an analysis of all frames, and of those of periods.
func same(t *testing.T, r *Results, st *store.Store, study *greywatt.Study, when string, periods ...analysis.Period) {
	t.Helper()
	var all []analysis.Options
	for _, p := range periods {
		all = append(all, analysis.Options{Period: p})
	}
	all = append(all, analysis.Options{}, analysis.Options{Compact: true, Sums: true})
	for i := range study.Dwellings {
		for _, o := range all {
			gives(t, r, st, study, &study.Dwellings[i], o, fresh(t, st, study, &study.Dwellings[i], o), when)
		}
	}
}

// fresh is the text of an analysis of frames.
func fresh(t *testing.T, st *store.Store, study *greywatt.Study, d *greywatt.Dwelling, o analysis.Options) string {
	t.Helper()
	from, to := o.Period.Around()
	r, err := analysis.Run(study, d, st.Frames(t.Context(), d.ID, from, to), o)
	if err != nil {
		t.Fatal(err)
	}
	return text(&r)
}

// gives compares what is kept with that.
func gives(t *testing.T, r *Results, st Store, study *greywatt.Study, d *greywatt.Dwelling, o analysis.Options, want, when string) {
	t.Helper()
	got, err := r.Run(t.Context(), st, study, d, o, 1)
	if err != nil {
		t.Fatalf("%s: %v", when, err)
	}
	if got := text(&got); got != want {
		t.Fatalf("%s: %+v:\n%s\nwant\n%s", when, o, around(got, want), around(want, got))
	}
}

// TestRandomHistories: whatever happens to store, study and file, what comes of
// kept results is what an analysis of all readings gives.
func TestRandomHistories(t *testing.T) {
	for seed := range uint64(2) {
		rng := rand.New(rand.NewPCG(seed, 3))
		h := simulate.NewHouse("larch-04", seed, simulate.Options{Days: 14, ShowersPerDay: 2.2})
		frames := slices.Collect(h.Frames(nil))
		begin := frames[0].At
		dir := t.TempDir()
		st := openStore(t, dir)
		study := &greywatt.Study{Dwellings: []greywatt.Dwelling{h.Dwelling}}
		var late [][]greywatt.Frame
		var facts []greywatt.Fact
		written := *study
		r, _ := opened(t, dir)
		reopen := func() { r.Close(); r, _ = opened(t, dir) }
		for step := 0; len(frames) > 0 || len(late) > 0; step++ {
			when := ""
			switch op := rng.IntN(24); {
			case op < 7 && len(frames) > 0:
				n := min(len(frames), 1000+rng.IntN(30_000))
				when = fmt.Sprintf("%d frames", n)
				if rng.IntN(3) == 0 {
					when += ", some held back"
					a := rng.IntN(n)
					b := min(n, a+1+rng.IntN(3000))
					late = append(late, slices.Clone(frames[a:b]))
					appendFrames(t, st, "larch-04", frames[:a])
					appendFrames(t, st, "larch-04", frames[b:n])
				} else {
					appendFrames(t, st, "larch-04", frames[:n])
				}
				frames = frames[n:]
			case op < 12 && len(late) > 0:
				k := rng.IntN(len(late))
				when = "late frames"
				appendFrames(t, st, "larch-04", late[k])
				late = slices.Delete(late, k, k+1)
			case op < 14:
				when = "sealed"
				if _, err := st.Seal(t.Context(), begin.Add(float64(rng.IntN(14))*86_400)); err != nil {
					t.Fatal(err)
				}
			case op < 15:
				when = "a fact"
				at := begin.Add(float64(rng.IntN(14 * 86_400)))
				f := greywatt.Fact{ID: fmt.Sprint(step), Dwelling: "larch-04", At: at, Kind: greywatt.FactLeftOut, Until: at.Add(float64(rng.IntN(200_000)))}
				if rng.IntN(2) == 0 {
					f = greywatt.Fact{ID: fmt.Sprint(step), Dwelling: "larch-04", At: at, Kind: greywatt.FactOffset, Channel: greywatt.WasteIn, OffsetK: 0.1, U95K: 0.2}
				}
				facts = append(facts, f)
				study = written.With(facts)
			case op < 16:
				when = "another description"
				written.Dwellings[0].Heater.HotC = 50 + float64(rng.IntN(10))
				study = written.With(facts)
			case op < 17:
				when = "another build"
				r.by = HashOf([]byte(fmt.Sprint(rng.IntN(2))))
			case op < 18 && rng.IntN(3) == 0:
				when = "erased"
				if err := errors.Join(Erase(dir, "larch-04"), st.Erase(t.Context(), "larch-04")); err != nil {
					t.Fatal(err)
				}
			case op < 21:
				when = "a damaged file"
				r.Close()
				path := filepath.Join(dir, FileName)
				data, err := os.ReadFile(path)
				if err != nil {
					t.Fatal(err)
				}
				for range 1 + rng.IntN(30) {
					data[rng.IntN(len(data))] ^= byte(1 + rng.IntN(255))
				}
				if err := os.WriteFile(path, data, 0o600); err != nil {
					t.Fatal(err)
				}
				r, _ = opened(t, dir)
				if r.file == nil { // its head is that of no file of ours
					if err := os.Remove(path); err != nil {
						t.Fatal(err)
					}
				}
			default:
				when = "opened again"
				if err := st.Close(); err != nil {
					t.Fatal(err)
				}
				st = openStore(t, dir)
				reopen()
			}
			if r.file == nil {
				reopen()
			}
			same(t, r, st, study, fmt.Sprintf("seed %d step %d: %s", seed, step, when), randomPeriods(rng, begin, 14)...)
		}
	}
}

// randomPeriods returns none to two periods of so many days and a little around them.
func randomPeriods(rng *rand.Rand, begin greywatt.Instant, days float64) (ps []analysis.Period) {
	for range rng.IntN(3) {
		a, b := (days+2)*rng.Float64()-1, (days+2)*rng.Float64()-1
		p := analysis.Period{From: begin.Add(min(a, b) * 86400), To: begin.Add(max(a, b)*86400 + 1)}
		switch rng.IntN(3) {
		case 0:
			p.From = 0
		case 1:
			p.To = 0
		}
		ps = append(ps, p)
	}
	return ps
}

// What is kept costs what is new, and what came late the stretches that it touches.
func TestOnlyNewIsRead(t *testing.T) {
	h := simulate.NewHouse("larch-04", 5, simulate.Options{Days: 40, ShowersPerDay: 2.2})
	frames := slices.Collect(h.Frames(nil))
	dir := t.TempDir()
	st := openStore(t, dir)
	study := &greywatt.Study{Dwellings: []greywatt.Dwelling{h.Dwelling}}
	d := &study.Dwellings[0]
	frames, rest := frames[:len(frames)*9/10], frames[len(frames)*9/10:len(frames)*9/10+500]
	a, b := len(frames)/3, len(frames)/3+300
	late := slices.Clone(frames[a:b])
	appendFrames(t, st, d.ID, slices.Delete(slices.Clone(frames), a, b))
	if _, err := st.Seal(t.Context(), frames[len(frames)-1].At); err != nil {
		t.Fatal(err)
	}
	day := float64(len(frames)) / 36
	read := func(what string, most float64) {
		t.Helper()
		r, said := opened(t, dir)
		defer r.Close()
		from := counted{Store: st}
		if _, err := r.Run(t.Context(), &from, study, d, analysis.Options{}, 1); err != nil {
			t.Fatal(err)
		}
		if days := float64(from.frames) / day; days > most {
			t.Errorf("%s: %.1f days of frames are read, want %v at most", what, days, most)
		} else {
			t.Logf("%s: %.1f days of frames", what, days)
		}
		if len(*said) > 0 {
			t.Errorf("%s: %q", what, *said)
		}
	}
	read("first", 60)
	read("again", 0)
	appendFrames(t, st, d.ID, late)
	read("late frames", 8*pieceDays)
	read("after late frames", 0)
	if _, err := st.Seal(t.Context(), frames[len(frames)-1].At); err != nil {
		t.Fatal(err)
	}
	read("packed anew", 5*pieceDays) // to see that the frames are the same
	read("after that", 0)
	appendFrames(t, st, d.ID, rest)
	read("what is new", 2*pieceDays)
	same(t, func() *Results { r, _ := opened(t, dir); return r }(), st, study, "at the end")
	info, err := os.Stat(filepath.Join(dir, FileName))
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%d kB a day", info.Size()/40>>10)
}

// Parts that are worked out side by side give what one walk gives, kept as it keeps
// them.
func TestPartsSideBySide(t *testing.T) {
	was := partDays
	t.Cleanup(func() { partDays = was })
	partDays = 4
	h := simulate.NewHouse("larch-04", 11, simulate.Options{Days: 36, ShowersPerDay: 1.5, GapsPerWeek: 2, Nodes: 2})
	frames := slices.Collect(h.Frames(nil))
	third := len(frames) / 3
	frames = slices.Delete(frames, third, third+third/3) // days without any
	study := &greywatt.Study{Dwellings: []greywatt.Dwelling{h.Dwelling}}
	d := &study.Dwellings[0]
	dir := t.TempDir()
	st := openStore(t, dir)
	appendFrames(t, st, d.ID, frames)
	var want []Piece
	for _, workers := range []int{1, 2, 3, 7} {
		r, said := opened(t, t.TempDir())
		got, err := r.Run(t.Context(), st, study, d, analysis.Options{}, workers)
		if err != nil {
			t.Fatal(err)
		}
		fresh, err := analysis.Run(study, d, st.Frames(t.Context(), d.ID, 0, 0), analysis.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if a, b := text(&got), text(&fresh); a != b {
			t.Fatalf("%d workers:\n%s\nwant\n%s", workers, around(a, b), around(b, a))
		}
		pieces := r.pieces(d.ID, analysis.Period{})
		if want == nil {
			want = pieces
		}
		if !reflect.DeepEqual(pieces, want) || len(pieces) < 10 {
			t.Errorf("%d workers: %d pieces, want %d alike", workers, len(pieces), len(want))
		}
		if len(*said) > 0 {
			t.Errorf("%d workers: %q", workers, *said)
		}
	}
}

// A file that is none of ours is left as it is, one that cannot be made costs
// nothing but time, and either is said once.
func TestNotKept(t *testing.T) {
	h := simulate.NewHouse("larch-04", 5, simulate.Options{Days: 5, ShowersPerDay: 2.2})
	dir := t.TempDir()
	st := openStore(t, dir)
	study := &greywatt.Study{Dwellings: []greywatt.Dwelling{h.Dwelling}}
	appendFrames(t, st, "larch-04", slices.Collect(h.Frames(nil)))

	for name, make := range map[string]func(dir string) error{
		"no folder": func(dir string) error { return os.WriteFile(dir, nil, 0o600) },
		"a folder":  func(dir string) error { return os.MkdirAll(filepath.Join(dir, FileName), 0o700) },
		"another file": func(dir string) error {
			if err := os.Mkdir(dir, 0o700); err != nil {
				return err
			}
			c, err := sqlite.OpenConn(filepath.Join(dir, FileName))
			if err != nil {
				return err
			}
			return errors.Join(sqlitex.ExecuteTransient(c, "CREATE TABLE other (x)", nil), c.Close())
		},
	} {
		dir := filepath.Join(t.TempDir(), "results")
		if err := make(dir); err != nil {
			t.Fatal(err)
		}
		r, said := opened(t, dir)
		same(t, r, st, study, name)
		if len(*said) != 1 {
			t.Errorf("%s: %q", name, *said)
		}
	}
	if err := Erase(filepath.Join(dir, "none"), "larch-04"); err != nil {
		t.Error(err)
	}
}

// A full disk costs nothing but time, and is said once; with room again, results are
// kept.
func TestFullDisk(t *testing.T) {
	h := simulate.NewHouse("larch-04", 5, simulate.Options{Days: 9, ShowersPerDay: 2.2})
	study := &greywatt.Study{Dwellings: []greywatt.Dwelling{h.Dwelling}}
	dir := t.TempDir()
	st := openStore(t, dir)
	appendFrames(t, st, "larch-04", slices.Collect(h.Frames(nil)))
	r, said := opened(t, dir)
	if err := r.file.query("PRAGMA max_page_count = 8", nil); err != nil { // as SQLite meets a full disk
		t.Fatal(err)
	}
	same(t, r, st, study, "full")
	if len(*said) != 1 || len(r.pieces("larch-04", analysis.Period{})) != 0 {
		t.Errorf("full: %q, and %d pieces", *said, len(r.pieces("larch-04", analysis.Period{})))
	}
	if err := r.file.query("PRAGMA max_page_count = 100000", nil); err != nil {
		t.Fatal(err)
	}
	same(t, r, st, study, "room again")
	if len(r.pieces("larch-04", analysis.Period{})) < 3 {
		t.Error("with room again nothing is kept")
	}
}

// What a study does not name any more is not kept either.
func TestForget(t *testing.T) {
	dir := t.TempDir()
	r, said := opened(t, dir)
	for _, id := range []string{"larch-04", "elm-17"} {
		if err := r.file.Keep(id, &Change{By: r.by, New: []Piece{{From: 1, To: 2, Stretch: []byte(id)}}}); err != nil {
			t.Fatal(err)
		}
		if err := r.file.KeepDiagnosis(id, "all", Hash{1}, []byte("findings of "+id)); err != nil {
			t.Fatal(err)
		}
	}
	r.Forget(&greywatt.Study{Dwellings: []greywatt.Dwelling{{ID: "elm-17"}}})
	data, err := os.ReadFile(filepath.Join(dir, FileName))
	if err != nil {
		t.Fatal(err)
	}
	if bytes.Contains(data, []byte("larch-04")) || !bytes.Contains(data, []byte("elm-17")) || len(*said) > 0 {
		t.Errorf("larch-04 is there: %t, elm-17 is: %t; %q", bytes.Contains(data, []byte("larch-04")), bytes.Contains(data, []byte("elm-17")), *said)
	}
	for id, want := range map[string]string{"elm-17": "findings of elm-17", "larch-04": ""} {
		if b, err := r.file.Diagnosis(id, "all", Hash{1}); err != nil || string(b) != want {
			t.Errorf("%s: %q, %v", id, b, err)
		}
	}
}

// A file of another layout, and a damaged one, is made anew, and that is said.
func TestMadeAnew(t *testing.T) {
	h := simulate.NewHouse("larch-04", 5, simulate.Options{Days: 7, ShowersPerDay: 2.2})
	study := &greywatt.Study{Dwellings: []greywatt.Dwelling{h.Dwelling}}
	frames := slices.Collect(h.Frames(nil))
	for name, spoil := range map[string]func(path string) error{
		"another layout": func(path string) error {
			f, err := openFile(path)
			if err != nil {
				return err
			}
			return errors.Join(f.query("PRAGMA user_version = 99", nil), f.Close())
		},
		"cut short": func(path string) error { return os.Truncate(path, 5000) },
		"no database": func(path string) error {
			return os.WriteFile(path, []byte(strings.Repeat("no database ", 1000)), 0o600)
		},
	} {
		dir := t.TempDir()
		st := openStore(t, dir)
		appendFrames(t, st, "larch-04", frames)
		r, _ := opened(t, dir)
		same(t, r, st, study, name)
		r.Close()
		if err := spoil(filepath.Join(dir, FileName)); err != nil {
			t.Fatal(err)
		}
		r, said := opened(t, dir)
		same(t, r, st, study, name)
		if len(*said) != 1 {
			t.Errorf("%s: %q", name, *said)
		}
		r.Close()
		r, said = opened(t, dir)
		same(t, r, st, study, name)
		if len(*said) > 0 || r.file == nil || len(r.pieces("larch-04", analysis.Period{})) == 0 {
			t.Errorf("%s: then %q", name, *said)
		}
	}
}

// Several processes may keep results of one dwelling at once.
func TestTwoAtOnce(t *testing.T) {
	h := simulate.NewHouse("larch-04", 5, simulate.Options{Days: 9, ShowersPerDay: 2.2})
	study := &greywatt.Study{Dwellings: []greywatt.Dwelling{h.Dwelling}}
	dir := t.TempDir()
	st := openStore(t, dir)
	appendFrames(t, st, "larch-04", slices.Collect(h.Frames(nil)))
	done := make(chan error)
	for range 4 {
		r, said := opened(t, dir)
		go func() {
			_, err := r.Run(t.Context(), st, study, &study.Dwellings[0], analysis.Options{}, 1)
			if len(*said) > 0 {
				err = errors.Join(err, errors.New(strings.Join(*said, "; ")))
			}
			done <- err
		}()
	}
	for range 4 {
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
	r, _ := opened(t, dir)
	same(t, r, st, study, "after four at once")
}

// Nothing of an erased dwelling is in any byte of the file; the others' is.
func TestEraseLeavesNothing(t *testing.T) {
	dir := t.TempDir()
	r, said := opened(t, dir)
	if r.file == nil {
		t.Fatal(*said)
	}
	marks := map[string][]byte{}
	rng := rand.New(rand.NewPCG(1, 2))
	for _, id := range []string{"larch-04", "elm-17"} {
		mark := make([]byte, 64)
		for i := range mark {
			mark[i] = byte(rng.Uint32())
		}
		marks[id] = mark
		for i := range greywatt.Instant(50) {
			body := slices.Concat(mark, []byte(id), binaryNoise(rng, 3000))
			c := Change{By: r.by, New: []Piece{{From: i*100 + 1, To: i*100 + 101, Stretch: body, State: body}}}
			if err := r.file.Keep(id, &c); err != nil {
				t.Fatal(err)
			}
		}
	}
	for id, mark := range marks {
		if !ingesttest.Holds(t, dir, []byte(id)) || !ingesttest.Holds(t, dir, mark[:32]) {
			t.Fatalf("nothing of %s in the file: the test cannot fail", id)
		}
	}
	if err := Erase(dir, "larch-04"); err != nil {
		t.Fatal(err)
	}
	if ingesttest.Holds(t, dir, []byte("larch-04")) || ingesttest.Holds(t, dir, marks["larch-04"][:32]) {
		t.Error("the erased dwelling is still in the file")
	}
	if pieces, damaged, err := r.file.Pieces("elm-17", r.by, 0, toEnd); err != nil || damaged > 0 || len(pieces) != 50 {
		t.Errorf("of the other %d pieces, %d damaged, %v", len(pieces), damaged, err)
	}
	if names, err := r.file.Dwellings(); err != nil || !slices.Equal(names, []string{"elm-17"}) {
		t.Errorf("%v, %v", names, err)
	}
}

func binaryNoise(rng *rand.Rand, n int) []byte {
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(rng.Uint32())
	}
	return b
}
