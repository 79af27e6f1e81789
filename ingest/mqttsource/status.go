package mqttsource

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"greywatt/ingest"
)

// A Status says how a [Committer] fares. Counts are since it was made.
type Status struct {
	Messages   int64 // taken
	TurnedAway int64 // not taken, as too much was waiting
	Readings   int64 // in the messages taken
	New        int64 // of the readings committed so far
	Duplicates int64
	Conflicts  int64
	Dwellings  int                     // of which readings were committed
	Rejected   map[ingest.Reason]int64 // records and messages rejected

	Quarantined       int64     // messages kept whole, as records of theirs cannot be stored yet
	QuarantineRefused int64     // not taken, as there was no room for that; counted as turned away too
	QuarantineBytes   int64     // in the quarantine now
	QuarantineFull    time.Time // since when it is full; zero while it is not

	Held      int // messages taken and not yet committed
	HeldBytes int // estimate of the memory they take

	Commits    int64
	LastCommit time.Time
	CommitTook time.Duration // of the last commit
	AckTook    time.Duration // of the last group: from its first message to all safe

	FailingSince time.Time // zero unless the log refuses to take what is held, or the own clock is in doubt
	LastError    string    // of the log
	LastErrorAt  time.Time
}

func (s *Status) count(c ingest.Counts) {
	s.New += int64(c.New)
	s.Duplicates += int64(c.Duplicate)
	s.Conflicts += int64(c.Conflict)
	if c.Rejected > 0 {
		s.Rejected[ingest.ServerRefused] += int64(c.Rejected)
	}
}

// Status returns a copy of the counters.
func (c *Committer) Status() Status {
	c.mu.Lock()
	defer c.mu.Unlock()
	s := c.status
	s.Rejected = maps.Clone(s.Rejected)
	if c.cfg.Quarantine != nil {
		s.QuarantineBytes = c.cfg.Quarantine.QuarantineBytes()
	}
	s.Held, s.HeldBytes = c.messages, c.bytes
	if s.FailingSince.IsZero() && !c.own.since.IsZero() {
		s.FailingSince, s.LastError, s.LastErrorAt = c.own.since, ErrClock.Error(), c.own.since
	}
	return s
}

type nodeKey struct{ dwelling, node string }

// maxPresences bounds how many nodes are remembered, in case someone makes them up.
const maxPresences = 100_000

// track remembers a presence. What is reported again, as by a broker after every
// reconnect, is no news. The caller holds c.mu.
func (c *Committer) track(p ingest.Presence) {
	k := nodeKey{p.Dwelling, p.Node}
	old, known := c.presence[k]
	if known && old.Up != p.Up || !known && len(c.presence) < maxPresences {
		c.presence[k] = p
	}
}

// Presences returns what is known of each node since the start, Since being when
// that was first received, by dwelling and node.
func (c *Committer) Presences() []ingest.Presence {
	c.mu.Lock()
	ps := slices.Collect(maps.Values(c.presence))
	c.mu.Unlock()
	slices.SortFunc(ps, func(p, q ingest.Presence) int {
		return cmp.Or(cmp.Compare(p.Dwelling, q.Dwelling), cmp.Compare(p.Node, q.Node))
	})
	return ps
}
