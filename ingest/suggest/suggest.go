// Package suggest finds the word that somebody probably meant.
package suggest

import "strings"

// minPrefix is how many letters must be there before a word counts as the
// beginning of a longer one.
const minPrefix = 3

// Nearest finds the word that somebody probably meant, for a key, a verb or a flag
// that does not exist: it returns the candidate with the smallest edit distance to word, the
// first of equals. ok is false where none is near: at most a third of the
// longer word's bytes may differ, and always one may. A candidate that begins
// with word is near too, as one letter away.
func Nearest(word string, candidates []string) (nearest string, ok bool) {
	best := -1
	for _, c := range candidates {
		d := distance(word, c)
		if len(word) >= minPrefix && strings.HasPrefix(c, word) {
			d = min(d, 1)
		}
		if d > max(1, max(len(word), len(c))/3) {
			continue
		}
		if best < 0 || d < best {
			nearest, best = c, d
		}
	}
	return nearest, best >= 0
}

// distance is the optimal string alignment distance in bytes: insertions,
// deletions, substitutions and swaps of neighbours each count one.
func distance(a, b string) int {
	// Three rows of the dynamic programme: the one before last is needed for swaps.
	before, last, row := make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range last {
		last[j] = j
	}
	for i := range len(a) {
		row[0] = i + 1
		for j := range len(b) {
			cost := 1
			if a[i] == b[j] {
				cost = 0
			}
			row[j+1] = min(last[j+1]+1, row[j]+1, last[j]+cost)
			if i > 0 && j > 0 && a[i] == b[j-1] && a[i-1] == b[j] {
				row[j+1] = min(row[j+1], before[j-1]+1)
			}
		}
		before, last, row = last, row, before
	}
	return last[len(b)]
}
