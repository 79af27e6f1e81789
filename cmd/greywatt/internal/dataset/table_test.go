package dataset

import (
	"cmp"
	"math/rand/v2"
	"slices"
	"sort"
	"testing"

	"greywatt"
)

// Rows in blocks are as those of a slice, about the ends of the blocks too.
func TestRows(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for _, n := range []int{0, 1, rowsPerBlock - 1, rowsPerBlock, rowsPerBlock + 1, 3*rowsPerBlock + 7} {
		var got rows
		var want []row
		for range n {
			r := row{at: greywatt.Instant(rng.IntN(n)), cells: rng.Int64()}
			got.add(r)
			want = append(want, r)
		}
		check := func(after string) {
			t.Helper()
			i := 0
			for r := range got.all() {
				if i >= len(want) || *r != want[i] || *got.at(i) != want[i] {
					t.Fatalf("%d rows, after %s: row %d is %v", n, after, i, *r)
				}
				i++
			}
			if i != len(want) || got.len() != len(want) {
				t.Fatalf("%d rows, after %s: %d yielded, %d counted, want %d", n, after, i, got.len(), len(want))
			}
		}
		check("adding")
		byTime := func(a, b *row) int { return cmp.Or(cmp.Compare(a.at, b.at), cmp.Compare(a.cells, b.cells)) }
		sort.Sort(ordered{&got, byTime})
		slices.SortFunc(want, func(a, b row) int { return byTime(&a, &b) })
		check("sorting")
		got.drop(func(r *row) bool { return r.cells%3 == 0 })
		want = slices.DeleteFunc(want, func(r row) bool { return r.cells%3 == 0 })
		check("dropping")
	}
}
