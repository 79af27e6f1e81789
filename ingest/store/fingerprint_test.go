package store

import (
	"math/rand/v2"
	"slices"
	"testing"

	"greywatt"

	"zombiezen.com/go/sqlite"
)

var printBounds = []greywatt.Instant{0, t0 + 5_000e6, t0 + 10_000e6, t0 + 15_000e6, t0 + 40_000e6, maxInstant}

func prints(t testing.TB, s *Store, dwelling string) []Fingerprint {
	t.Helper()
	of, err := s.Fingerprints(t.Context(), dwelling, printBounds)
	if err != nil || len(of) != len(printBounds)-1 {
		t.Fatalf("%d fingerprints, %v", len(of), err)
	}
	return of
}

// TestFingerprints: in random histories the same fingerprint never stands for two
// contents, as the model has them, and nothing but a change of the store changes one.
func TestFingerprints(t *testing.T) {
	for seed := range uint64(*rounds) {
		rng := rand.New(rand.NewPCG(seed, 7))
		dir := t.TempDir()
		s, m := openTest(t, dir), make(model)
		type contents struct {
			span int
			of   Fingerprint
		}
		meant := map[contents][]greywatt.Frame{}
		var before []Fingerprint
		for step := range 60 {
			quiet := false
			switch op := rng.IntN(20); {
			case op < 10:
				rs := randomBatch(rng)
				m.append(rs)
				if _, err := s.Append(t.Context(), rs); err != nil {
					t.Fatal(err)
				}
			case op < 13: // one channel more of an instant that may be there
				rs := randomBatch(rng)[:1]
				m.append(rs)
				if _, err := s.Append(t.Context(), rs); err != nil {
					t.Fatal(err)
				}
			case op < 16:
				if _, err := s.Seal(t.Context(), t0+greywatt.Instant(rng.IntN(200_000))*1_000_000); err != nil {
					t.Fatal(err)
				}
			case op < 17:
				if err := s.Erase(t.Context(), "larch-04"); err != nil {
					t.Fatal(err)
				}
				for k := range m {
					if k.dwelling == "larch-04" {
						delete(m, k)
					}
				}
			case op < 18: // as an earlier build left them
				if err := run(s.w, "UPDATE block SET id = (SELECT count(*) FROM block b WHERE b.id <= block.id)"); err != nil {
					t.Fatal(err)
				}
			default:
				if err := s.Close(); err != nil {
					t.Fatal(err)
				}
				s, quiet = openTest(t, dir), true
			}
			compareAll(t, s, m)
			of := prints(t, s, "larch-04")
			if quiet && before != nil && !slices.Equal(of, before) {
				t.Fatalf("seed %d step %d: another fingerprint of the same store", seed, step)
			}
			for i, f := range of {
				frames := m.frames("larch-04", printBounds[i], printBounds[i+1])
				if had, ok := meant[contents{i, f}]; ok && !sameFrames(had, frames) {
					t.Fatalf("seed %d step %d: one fingerprint for %d frames and for %d others", seed, step, len(had), len(frames))
				}
				meant[contents{i, f}] = frames
			}
			before = of
		}
	}
}

// A late reading touches the fingerprint of its time alone; of another dwelling, none.
func TestFingerprintOfLateReading(t *testing.T) {
	s := openTest(t, t.TempDir())
	var rs []greywatt.Reading
	for i := range greywatt.Instant(20_000) {
		rs = append(rs, reading("larch-04", "n1", greywatt.WasteIn, t0+i*1e6, float64(i%7)), reading("elm", "n1", greywatt.WasteIn, t0+i*1e6, 5))
	}
	if _, err := s.Append(t.Context(), rs); err != nil {
		t.Fatal(err)
	}
	before := prints(t, s, "larch-04")
	for _, r := range []greywatt.Reading{reading("elm", "n2", greywatt.Flow, t0+12_000e6, 0.1), reading("larch-04", "n1", greywatt.Flow, t0+12_000e6, 0.1)} {
		if _, err := s.Append(t.Context(), []greywatt.Reading{r}); err != nil {
			t.Fatal(err)
		}
		for i, f := range prints(t, s, "larch-04") {
			if changed := f != before[i]; changed != (r.Dwelling == "larch-04" && i == 2) {
				t.Errorf("a reading of %s: fingerprint %d changed: %t", r.Dwelling, i, changed)
			}
		}
	}
}

// What an earlier build puts in the place of the newest block is not taken for it.
func TestFingerprintOfEarlierBuild(t *testing.T) {
	s := openTest(t, t.TempDir())
	var rs []greywatt.Reading
	for i := range greywatt.Instant(600) {
		rs = append(rs, reading("larch-04", "n1", greywatt.WasteIn, t0+i*1e6, 21))
	}
	if _, err := s.Append(t.Context(), rs); err != nil {
		t.Fatal(err)
	}
	var ids []int64
	if err := query(s.w, "SELECT id FROM block", func(r *sqlite.Stmt) error { ids = append(ids, r.ColumnInt64(0)); return nil }); err != nil {
		t.Fatal(err)
	}
	if len(ids) != 1 || !saysContent(ids[0]) || saysContent(ids[0]+1) || saysContent(1) {
		t.Fatalf("ids %x", ids)
	}
	// Its numbers, and other data of the same frames.
	if err := run(s.w, "UPDATE block SET id = id + 1"); err != nil {
		t.Fatal(err)
	}
	before := prints(t, s, "larch-04")
	if err := run(s.w, "UPDATE block SET data = x'01' || substr(data, 3) || x'00'"); err != nil {
		t.Fatal(err)
	}
	if after := prints(t, s, "larch-04"); slices.Equal(before, after) {
		t.Error("other data, and the same fingerprint")
	}
}

func BenchmarkFingerprints(b *testing.B) {
	for _, sealed := range []bool{false, true} {
		b.Run(map[bool]string{false: "rows", true: "blocks"}[sealed], func(b *testing.B) {
			s := openTest(b, b.TempDir())
			var bounds []greywatt.Instant
			for day := range greywatt.Instant(60) {
				bounds = append(bounds, t0+day*86_400e6)
				var rs []greywatt.Reading
				for i := range greywatt.Instant(11_000) {
					for c := range greywatt.Channel(5) {
						rs = append(rs, reading("larch-04", "n1", c, t0+day*86_400e6+i*7e6, float64(i*i%977)/16))
					}
					if !sealed && i%100 == 99 || len(rs) > 50_000 {
						if _, err := s.Append(b.Context(), rs); err != nil {
							b.Fatal(err)
						}
						rs = rs[:0]
					}
				}
				if _, err := s.Append(b.Context(), rs); err != nil {
					b.Fatal(err)
				}
			}
			if sealed {
				if _, err := s.Seal(b.Context(), maxInstant); err != nil {
					b.Fatal(err)
				}
			}
			for b.Loop() {
				if _, err := s.Fingerprints(b.Context(), "larch-04", bounds); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(b.Elapsed().Milliseconds())/float64(b.N)/60*365, "ms/year")
		})
	}
}
