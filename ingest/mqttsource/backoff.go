package mqttsource

import (
	"context"
	"math/rand/v2"
	"time"
)

// A backoff gives growing waits between attempts: from least, doubling, to
// most, each shortened at random by up to half so that many loggers do not come
// back in step.
type backoff struct {
	least, most time.Duration
	next        time.Duration
}

func (b *backoff) reset() { b.next = 0 }

// step returns the next wait.
func (b *backoff) step() time.Duration {
	d := max(b.next, b.least)
	b.next = min(2*d, b.most)
	return d - rand.N(d/2+1)
}

// sleep waits for d and reports whether it did, or ctx ended first.
func sleep(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-ctx.Done():
		return false
	}
}
