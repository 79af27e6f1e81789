package store

import (
	"cmp"
	"flag"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"greywatt"
	"greywatt/ingest"
)

var rounds = flag.Int("rounds", 3, "how many random histories and crashes to try")

// A model is what a store must hold, kept the plainest way.
type model map[nodeKey]map[greywatt.Instant]greywatt.Values

func (m model) append(rs []greywatt.Reading) (c ingest.Counts) {
	for _, r := range rs {
		k := nodeKey{r.Dwelling, r.Node}
		if m[k] == nil {
			m[k] = make(map[greywatt.Instant]greywatt.Values)
		}
		v, ok := m[k][r.At]
		if !ok {
			v = greywatt.NoValues()
		}
		switch {
		case math.IsNaN(v[r.Channel]):
			v[r.Channel] = r.Value
			if r.Value == 0 {
				v[r.Channel] = 0 // SQLite knows no -0
			}
			m[k][r.At] = v
			c.New++
		case v[r.Channel] == r.Value:
			c.Duplicate++
		default:
			c.Conflict++
		}
	}
	return c
}

func (m model) frames(dwelling string, from, to greywatt.Instant) []greywatt.Frame {
	var all []greywatt.Frame
	for k, frames := range m {
		if k.dwelling != dwelling {
			continue
		}
		for at, v := range frames {
			if at >= from && (to == 0 || at < to) {
				all = append(all, greywatt.Frame{At: at, Node: k.node, Value: v})
			}
		}
	}
	slices.SortFunc(all, func(f, g greywatt.Frame) int {
		return cmp.Or(cmp.Compare(f.At, g.At), cmp.Compare(f.Node, g.Node))
	})
	return all
}

func (m model) summary() []ingest.NodeSummary {
	var all []ingest.NodeSummary
	for _, k := range slices.SortedFunc(maps.Keys(m), compareKeys) {
		n := ingest.NodeSummary{Dwelling: k.dwelling, Node: k.node}
		frames := m.frames(k.dwelling, 0, 0)
		frames = slices.DeleteFunc(frames, func(f greywatt.Frame) bool { return f.Node != k.node })
		n.Frames, n.First, n.Last = int64(len(frames)), frames[0].At, frames[len(frames)-1].At
		for _, f := range frames {
			n.Readings += int64(present(&f.Value))
		}
		all = append(all, n)
	}
	return all
}

func sameFrames(a, b []greywatt.Frame) bool {
	return slices.EqualFunc(a, b, func(f, g greywatt.Frame) bool {
		for i := range f.Value {
			if math.Float64bits(f.Value[i]) != math.Float64bits(g.Value[i]) && !(math.IsNaN(f.Value[i]) && math.IsNaN(g.Value[i])) {
				return false
			}
		}
		return f.At == g.At && f.Node == g.Node
	})
}

// awkward are values that a careless encoding would change.
var awkward = []float64{0, math.Copysign(0, -1), 21.37, 1e-300, 5e-324, math.MaxFloat64, -1.0 / 3, math.Pi, float64(float32(36.6)), 9.5 / 60, 1 << 60, 0.1 + 0.2}

// randomBatch makes readings that meet earlier ones often: in order, late,
// repeated, conflicting, few or many.
func randomBatch(rng *rand.Rand) []greywatt.Reading {
	dwelling := []string{"larch-04", "larch-041", "elm"}[rng.IntN(3)]
	node := []string{"n1", "n2"}[rng.IntN(2)]
	n := 1 + rng.IntN(30)
	if rng.IntN(3) == 0 {
		n = directFrames + rng.IntN(3*blockFrames)
	}
	step := []greywatt.Instant{1, 1000, 1_000_000, 60_000_000}[rng.IntN(4)]
	at := t0 + greywatt.Instant(rng.IntN(20_000))*1_000_000
	odd := rng.IntN(4) == 0
	var rs []greywatt.Reading
	for range n {
		at += step * greywatt.Instant(rng.IntN(3))
		for ch := range greywatt.Channel(greywatt.NumChannels) {
			if rng.IntN(3) == 0 {
				continue
			}
			// A function of the instant, so that what meets is mostly the same.
			v := 10 + float64(at/1_000_000%97)/16
			if odd {
				v = awkward[at%greywatt.Instant(len(awkward))]
			}
			if rng.IntN(50) == 0 {
				v += 0.01
			}
			rs = append(rs, reading(dwelling, node, ch, at, v))
		}
	}
	if rng.IntN(3) == 0 {
		rng.Shuffle(len(rs), func(i, j int) { rs[i], rs[j] = rs[j], rs[i] })
	}
	return rs
}

// TestModel does random things to a store and to a model and compares them.
func TestModel(t *testing.T) {
	for seed := range uint64(*rounds) {
		rng := rand.New(rand.NewPCG(seed, 1))
		dir := t.TempDir()
		s, m := openTest(t, dir), make(model)
		if err := s.Mirror(t.Context(), "copy"); err != nil {
			t.Fatal(err)
		}
		mirror := make(model)
		for step := range 40 {
			switch op := rng.IntN(20); {
			case op < 12:
				rs := randomBatch(rng)
				got, err := s.Append(t.Context(), rs)
				if want := m.append(rs); err != nil || got != want {
					t.Fatalf("seed %d step %d: append %+v, %v, want %+v", seed, step, got, err, want)
				}
			case op < 15:
				before := t0 + greywatt.Instant(rng.IntN(200_000))*1_000_000
				if _, err := s.Seal(t.Context(), before); err != nil {
					t.Fatal(err)
				}
			case op < 16:
				follow(t, s, mirror)
			case op < 18:
				if err := s.Close(); err != nil {
					t.Fatal(err)
				}
				s = openTest(t, dir)
			case op < 19 && rng.IntN(5) == 0:
				follow(t, s, mirror)
				if err := s.Erase(t.Context(), "elm"); err != nil {
					t.Fatal(err)
				}
				for _, x := range []model{m, mirror} {
					maps.DeleteFunc(x, func(k nodeKey, _ map[greywatt.Instant]greywatt.Values) bool { return k.dwelling == "elm" })
				}
			default:
				from := t0 + greywatt.Instant(rng.IntN(30_000))*1_000_000
				to := from + greywatt.Instant(rng.IntN(30_000))*1_000_000
				if got, want := collect(t, s, "larch-04", from, to), m.frames("larch-04", from, to); !sameFrames(got, want) {
					t.Fatalf("seed %d step %d: %d frames from %s to %s, want %d", seed, step, len(got), from, to, len(want))
				}
			}
		}
		compareAll(t, s, m)
		if _, err := s.Seal(t.Context(), maxInstant); err != nil {
			t.Fatal(err)
		}
		compareAll(t, s, m)
		follow(t, s, mirror)
		for _, dwelling := range []string{"larch-04", "larch-041", "elm"} {
			if !sameFrames(mirror.frames(dwelling, 0, 0), m.frames(dwelling, 0, 0)) {
				t.Fatalf("seed %d: mirror of %s differs", seed, dwelling)
			}
		}
	}
}

func compareAll(t *testing.T, s *Store, m model) {
	t.Helper()
	for _, dwelling := range []string{"larch-04", "larch-041", "elm"} {
		if got, want := collect(t, s, dwelling, 0, 0), m.frames(dwelling, 0, 0); !sameFrames(got, want) {
			t.Fatalf("%s: %d frames, want %d", dwelling, len(got), len(want))
		}
	}
	got, err := s.Nodes(t.Context())
	for i := range got {
		got[i].Conflicts = 0 // the model does not tell repeated conflicts apart
	}
	if want := m.summary(); err != nil || !slices.Equal(got, want) {
		t.Fatalf("nodes %+v, %v, want %+v", got, err, want)
	}
	damage, err := s.Check(t.Context())
	if err != nil || len(damage) > 0 {
		t.Fatalf("check: %v, %v", damage, err)
	}
}

// follow brings a mirror up to date, which must be given each reading once.
func follow(t *testing.T, s *Store, mirror model) {
	t.Helper()
	for {
		changes, next, err := s.Changes(t.Context(), "copy", 1000)
		if err != nil {
			t.Fatal(err)
		}
		if len(changes) == 0 {
			return
		}
		for _, ch := range changes {
			if c := mirror.append(readings(ch.Dwelling, ch.Frames)); c.Duplicate+c.Conflict > 0 {
				t.Fatalf("mirror was given %+v", c)
			}
		}
		if err := s.Confirm(t.Context(), "copy", next); err != nil {
			t.Fatal(err)
		}
	}
}
