package mqttsource

import (
	"context"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"greywatt"
	"greywatt/ingest/payload"
	"greywatt/ingest/store"
)

// Packs in any order, some twice, some never: those that never came are the
// missing ones.
func TestPacksModel(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 1))
	for range 300 {
		n := 1 + r.IntN(100)
		lost := map[uint64]bool{}
		var order []uint64
		for i := 1; i <= n; i++ {
			if r.IntN(4) == 0 && i > 1 && i < n {
				lost[uint64(i)] = true
				continue
			}
			order = append(order, uint64(i))
			if r.IntN(5) == 0 {
				order = append(order, uint64(i))
			}
		}
		p := &Packs{Runs: []packRun{{Run: "before", Newest: 3}}} // the node is known: a run begins with 1
		r.Shuffle(len(order), func(i, j int) { order[i], order[j] = order[j], order[i] })
		for _, i := range order {
			p = p.clone()
			p.came(payload.Sequence{Run: "a", N: i}, 1)
		}
		if got := p.Missing(); got != uint64(len(lost)) {
			t.Fatalf("%d missing of %d, want %d: %+v", got, n, len(lost), p)
		}
		for _, m := range p.Runs[1].Missing {
			for i := m[0]; i <= m[1]; i++ {
				if !lost[i] {
					t.Fatalf("%d came: %+v", i, p)
				}
			}
		}
	}
}

// What is not remembered in detail stays counted, and memory is bounded.
func TestPacksAreBounded(t *testing.T) {
	p := &Packs{}
	for run := range 20 {
		for i := uint64(1); i <= 1000; i += 2 {
			p.came(payload.Sequence{Run: fmt.Sprint("r", run), N: i}, 1)
		}
	}
	if len(p.Runs) != maxRuns || len(p.Runs[0].Missing) != maxMissing || p.Missing() != 20*499 {
		t.Errorf("%d runs, %d ranges, %d missing", len(p.Runs), len(p.Runs[0].Missing), p.Missing())
	}
	if s := p.String(); !strings.HasPrefix(s, "998 of run r19, 996 of run r19") || !strings.HasSuffix(s, ", 9975 earlier ones") {
		t.Errorf("%s", s)
	}
}

// The packs that a broker lost are counted across restarts of the logger; one that
// comes late fills its gap; a logger that is new to a node does not miss what was
// before it.
func TestLostPacksAreNamed(t *testing.T) {
	dir := t.TempDir()
	logger := func(numbers ...int) *Packs {
		t.Helper()
		st, err := store.Open(dir, store.Options{})
		if err != nil {
			t.Fatal(err)
		}
		defer st.Close()
		notes, err := st.NotesOf(t.Context(), PacksNote)
		if err != nil {
			t.Fatal(err)
		}
		cfg := CommitterConfig{Prefix: "greywatt", Log: st, Notes: st}
		for _, n := range notes {
			p, err := ParsePacks(n.Dwelling, n.Key, n.Value)
			if err != nil {
				t.Fatal(err)
			}
			cfg.Packs = append(cfg.Packs, p)
		}
		c := NewCommitter(cfg)
		for _, n := range numbers {
			body := fmt.Sprintf(`[{"seq":%d,"n":"flow","u":"l/s","t":%d,"v":0.1}]`, n, 1_770_000_000+n)
			if err := c.Offer("greywatt/larch-04/n1/senml", []byte(body), func() {}); err != nil {
				t.Fatal(err)
			}
		}
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		if err := c.Run(ctx); err != nil {
			t.Fatal(err)
		}
		return c.Packs()[0]
	}
	if p := logger(1000, 1001, 1003); p.Missing() != 1 || p.String() != "1002" || p.Since == 0 {
		t.Errorf("%v: %d", p, p.Missing())
	}
	if p := logger(1010, 1003); p.Missing() != 7 || p.String() != "1004 to 1009, 1002" {
		t.Errorf("%v: %d", p, p.Missing())
	}
	if p := logger(1006, 1002, 1011); p.Missing() != 5 || p.String() != "1007 to 1009, 1004 to 1005" {
		t.Errorf("%v: %d", p, p.Missing())
	}
	// A note is in the store if and only if its pack's readings are.
	st, err := store.Open(dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	st.NoteNext("larch-04", PacksNote+"n2", []byte("{}"))
	if notes, err := st.NotesOf(t.Context(), PacksNote); err != nil || len(notes) != 1 {
		t.Errorf("before a commit: %d notes, %v", len(notes), err)
	}
	if _, err := st.Append(t.Context(), []greywatt.Reading{{Dwelling: "larch-04", Node: "n2", Channel: greywatt.Flow, At: 1, Value: -1}}); err != nil {
		t.Fatal(err)
	}
	if notes, err := st.NotesOf(t.Context(), PacksNote); err != nil || len(notes) != 2 {
		t.Errorf("after it: %d notes, %v", len(notes), err)
	}
	if err := st.Erase(t.Context(), "larch-04"); err != nil {
		t.Fatal(err)
	}
	if notes, err := st.NotesOf(t.Context(), PacksNote); err != nil || len(notes) != 0 {
		t.Errorf("after erasing: %d notes, %v", len(notes), err)
	}
}
