package plots

import (
	"math"
	"sort"
)

// spread returns places as near as can be, in the least-squares sense, to
// those wanted, in the same order, at least gap apart and within [lo, hi].
// Where [lo, hi] cannot hold them all at that gap they share it evenly.
func spread(want []float64, gap, lo, hi float64) []float64 {
	n := len(want)
	if n == 0 {
		return nil
	}
	if n > 1 {
		gap = math.Min(gap, (hi-lo)/float64(n-1))
	}
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	sort.SliceStable(order, func(i, j int) bool { return want[order[i]] < want[order[j]] })

	// With the gaps taken out this is isotonic regression: pool neighbours
	// that are out of order into their mean.
	type block struct {
		sum float64
		n   int
	}
	mean := func(b block) float64 { return b.sum / float64(b.n) }
	var blocks []block
	for i, k := range order {
		b := block{want[k] - float64(i)*gap, 1}
		for len(blocks) > 0 && mean(blocks[len(blocks)-1]) >= mean(b) {
			b.sum += blocks[len(blocks)-1].sum
			b.n += blocks[len(blocks)-1].n
			blocks = blocks[:len(blocks)-1]
		}
		blocks = append(blocks, b)
	}
	out := make([]float64, n)
	i := 0
	for _, b := range blocks {
		for range b.n {
			base := math.Min(math.Max(mean(b), lo), hi-float64(n-1)*gap)
			out[order[i]] = base + float64(i)*gap
			i++
		}
	}
	return out
}

// rows assigns each of the spans [x0, x1], given in any order, to the first
// row in which it touches no other. A span that finds room in none of the
// first most rows gets -1.
func rows(spans [][2]float64, apart float64, most int) []int {
	out := make([]int, len(spans))
	taken := make([][][2]float64, most)
	for i, s := range spans {
		out[i] = -1
		for r := range taken {
			free := true
			for _, t := range taken[r] {
				if s[0] < t[1]+apart && t[0] < s[1]+apart {
					free = false
				}
			}
			if free {
				out[i] = r
				taken[r] = append(taken[r], s)
				break
			}
		}
	}
	return out
}
