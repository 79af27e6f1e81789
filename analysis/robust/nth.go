package robust

import "math"

// A Selection picks values by their rank and keeps its working memory in between. The
// zero value is ready; it is for one goroutine at a time.
type Selection struct{ keys, spare []uint64 }

// Nth returns the value that would stand at place n, from 0 on, if x were sorted. x
// holds no NaN and is not changed. It panics where x has no place n.
func (s *Selection) Nth(x []float64, n int) float64 {
	if len(s.keys) < len(x) {
		s.keys, s.spare = make([]uint64, len(x)), make([]uint64, len(x))
	}
	keys := s.keys[:len(x)]
	for i, v := range x {
		keys[i] = key(v)
	}
	return value(nth(keys, s.spare[:len(x)], n))
}

// key maps values to integers below 2^63 where they are not negative, which go in the
// same order: comparing them is a subtraction, without a branch that the processor
// would guess wrongly half of the time.
func key(v float64) uint64 {
	b := math.Float64bits(v)
	return b ^ (uint64(int64(b)>>63) | 1<<63)
}

func value(k uint64) float64 {
	return math.Float64frombits(k ^ (^uint64(int64(k)>>63) | 1<<63))
}

// nth returns the key of rank n of x by parting it around a pivot again and again; x
// and spare are scratch of one length.
func nth(x, spare []uint64, n int) uint64 {
	for len(x) > 6 {
		pivot := middle(x[len(x)/4], x[len(x)/2], x[3*len(x)/4])
		low, high := 0, len(x)
		for _, k := range x {
			spare[low], spare[high-1] = k, k
			below := less(k, pivot)
			low += below
			high -= 1 - below
		}
		switch {
		case n < low:
			x, spare = spare[:low], x
		case low > 0:
			x, spare = spare[low:len(x)], x
			n -= low
		default: // the pivot is the least
			above := 0
			for _, k := range x {
				spare[above] = k
				above += less(pivot, k)
			}
			if n < len(x)-above {
				return pivot
			}
			n -= len(x) - above
			x, spare = spare[:above], x
		}
	}
	for i := 1; i < len(x); i++ {
		for j := i; j > 0 && x[j] < x[j-1]; j-- {
			x[j], x[j-1] = x[j-1], x[j]
		}
	}
	return x[n]
}

// less returns 1 where a is below b, else 0.
func less(a, b uint64) int {
	if a < b {
		return 1
	}
	return 0
}

func middle(a, b, c uint64) uint64 { return max(min(a, b), min(max(a, b), c)) }
