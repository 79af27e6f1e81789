package watch

import (
	"time"

	"greywatt"
)

// A job is what a follower has to do.
type job struct {
	held     Inventory
	full     bool             // analyse the full log up to until, exclusive
	until    greywatt.Instant // else what is new up to until, exclusive; 0: nothing
	peek     bool             // look at what is not analysed yet
	findings bool             // to be worked out again
	pending  bool             // report what could not be noted
}

func (j *job) empty() bool { return j.until == 0 && !j.peek && !j.findings && !j.pending }

// due says what there is to do.
func (f *follower) due() job {
	f.mu.Lock()
	j := job{held: f.held}
	moved := f.moved
	f.mu.Unlock()
	now := f.w.cfg.Now()
	if j.held.Newest == 0 || now.Before(f.retry) {
		return j
	}
	until := j.held.until(now.Sub(moved))
	switch {
	case f.reading == nil || f.late(j.held, now) && now.Sub(f.began) >= againShare*f.took:
		j.full, j.until = true, until
	case until > f.reading.next:
		j.until = until
	}
	j.pending = f.unsaved || len(f.pending.Events)+len(f.pending.Alarms) > 0
	if f.w.cfg.View == nil {
		return j
	}
	j.peek = j.held.stamp() != f.peeked && (!f.w.cfg.Busy() || now.Sub(f.lookedBack) >= lookBackEvery)
	j.findings = f.stale && now.Sub(f.diagnosed) >= againShare*f.diagnosing
	if f.diagnosed.IsZero() && f.w.waits() {
		j.findings = false // those that were kept do, until all have been shown
	}
	return j
}

// late reports whether it is time to analyse everything again because readings came late. Where
// the log does not count readings that cannot be known, and a full analysis is made daily.
func (f *follower) late(h Inventory, now time.Time) bool {
	if h.Readings == 0 {
		return f.w.cfg.View != nil && now.Sub(f.began) >= fullEvery
	}
	return !f.lateSince.IsZero() && now.Sub(f.lateSince) >= againAfter
}

// until returns the instant before which all has come, as far as is known,
// when nothing new came for quiet.
func (h *Inventory) until(quiet time.Duration) greywatt.Instant {
	if quiet >= settled {
		return h.Newest + 1
	}
	until := h.Newest.Add(-lagS)
	for _, n := range h.Nodes {
		if n.Last >= h.Newest.Add(-packLagS) {
			until = min(until, n.Last+1)
		}
	}
	return until
}
