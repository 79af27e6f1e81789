// Package retry spaces attempts at what others must come back for: a broker, a
// server, a disk with room.
package retry

import (
	"context"
	"math/rand/v2"
	"time"
)

// A Backoff gives growing waits between attempts: from Least, doubling, to
// Most, each shortened at random by up to half so that many programs do not come
// back in step. Least is above 0 and Most no less.
type Backoff struct {
	Least, Most time.Duration
	next        time.Duration
}

// Reset begins again at Least.
func (b *Backoff) Reset() { b.next = 0 }

// Step returns the next wait.
func (b *Backoff) Step() time.Duration {
	d := max(b.next, b.Least)
	b.next = min(2*d, b.Most)
	return d - rand.N(d/2+1)
}

// Sleep waits for d and reports whether it did, or ctx ended first.
func Sleep(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-ctx.Done():
		return false
	}
}
