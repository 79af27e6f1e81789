// Package share splits work among workers that do not know of each other: each
// is told which of how many it is, and all agree on who has what.
//
// It is rendezvous hashing (Thaler and Ravishankar, IEEE/ACM Trans. Networking 6
// (1998) 1-14): every worker has a score for every piece of work, and the highest
// has it. When a worker is added, what moves goes to it and nothing else moves.
package share

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"strconv"
	"strings"
)

// A Share is worker I of N, counted from 1. The zero Share is the only worker.
type Share struct{ I, N int }

// Parse reads a share as in "2/3".
func Parse(text string) (Share, error) {
	first, second, ok := strings.Cut(text, "/")
	i, errI := strconv.Atoi(first)
	n, errN := strconv.Atoi(second)
	if !ok || errI != nil || errN != nil || i < 1 || i > n {
		return Share{}, fmt.Errorf("%q: want I/N, worker I of N, as in 2/3", text)
	}
	return Share{i, n}, nil
}

// Has reports whether the piece of work of that name is this worker's.
func (s Share) Has(name string) bool { return s.N <= 1 || Owner(name, s.N) == s.I }

// Owner returns which of n workers has the piece of work of that name, from 1
// to n: the one with the greatest score, the score of worker i being the first
// eight bytes, big-endian, of the SHA-256 of "i/name". It is the same on every
// machine and in every version.
func Owner(name string, n int) int {
	owner, best := 1, uint64(0)
	for i := 1; i <= n; i++ {
		sum := sha256.Sum256([]byte(strconv.Itoa(i) + "/" + name))
		if score := binary.BigEndian.Uint64(sum[:]); score > best {
			owner, best = i, score
		}
	}
	return owner
}
