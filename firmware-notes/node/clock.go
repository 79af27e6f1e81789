package main

import (
	"context"
	"time"
)

// A clock is the node's time. What it counts since it was switched on is even
// and never steps; the time of day may not be known at first, and may step.
type clock interface {
	uptime() time.Duration
	// wall returns the time of day. known is false until the clock has been set.
	wall() (now time.Time, known bool)
	// wait returns once the uptime has been reached, or with ctx's error.
	wait(ctx context.Context, uptime time.Duration) error
}

// notBefore is when this program was written: a clock that shows less has not
// been set.
var notBefore = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

// A hostClock is the computer's.
type hostClock struct {
	start    time.Time     // carries Go's monotonic reading
	unsynced time.Duration // how long it pretends not to have been set
}

func (c hostClock) uptime() time.Duration { return time.Since(c.start) }

func (c hostClock) wall() (time.Time, bool) {
	now := time.Now()
	return now, c.uptime() >= c.unsynced && !now.Before(notBefore)
}

func (c hostClock) wait(ctx context.Context, uptime time.Duration) error {
	return sleep(ctx, uptime-c.uptime())
}

// A virtualClock starts where it is told and passes at its own speed. It moves
// only while somebody waits for it, so the same run gives the same instants.
// Only one goroutine may use it.
type virtualClock struct {
	start    time.Time
	unsynced time.Duration
	speed    float64 // virtual seconds in a real one; 0: as fast as it goes

	passed time.Duration
	began  time.Time
}

func (c *virtualClock) uptime() time.Duration { return c.passed }

func (c *virtualClock) wall() (time.Time, bool) {
	return c.start.Add(c.passed), c.passed >= c.unsynced
}

func (c *virtualClock) wait(ctx context.Context, uptime time.Duration) error {
	if c.began.IsZero() {
		c.began = time.Now()
	}
	c.passed = max(c.passed, uptime)
	if c.speed == 0 {
		return ctx.Err()
	}
	due := c.began.Add(time.Duration(float64(c.passed) / c.speed))
	return sleep(ctx, time.Until(due))
}

// sleep waits for d, or until ctx ends and returns its error then.
func sleep(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return ctx.Err()
	case <-ctx.Done():
		return ctx.Err()
	}
}
