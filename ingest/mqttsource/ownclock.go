package mqttsource

import (
	"errors"
	"time"

	"greywatt"
)

// ErrClock is returned for readings from the future while the logger's own clock
// is in doubt: set aside they would be lost, though the nodes may be right.
var ErrClock = errors.New("this machine's clock is in doubt: it is behind what was stored before, or behind most nodes; nothing from its future is acknowledged until it is set right")

const (
	// clockSlack is how far the own clock may be behind what has certainly passed.
	clockSlack = 3600e6 // µs
	// agreesFor is how long a node whose time agrees speaks for the own clock.
	agreesFor = time.Hour
	// aheadNodes is how many nodes, and more than half of those heard, must be
	// ahead to put the own clock in doubt.
	aheadNodes = 3
)

// An ownClock collects evidence of the logger's own clock.
type ownClock struct {
	passed greywatt.Instant // has certainly passed; 0 where nothing is known
	agreed time.Time        // when a node's time last agreed
	ahead  map[nodeKey]bool // nodes heard, and whether their newest pack was from the future
	future int              // how many were
	since  time.Time        // of the doubt; zero without
}

// judge takes a pack into account and reports whether its readings from the
// future are to stay with the node.
func (o *ownClock) judge(s clockSample, future bool) (refuse bool) {
	if s.node == "" || s.relative {
		return false
	}
	if was, known := o.ahead[s.nodeKey]; known || len(o.ahead) < maxClocks {
		if was {
			o.future--
		}
		if future {
			o.future++
		}
		o.ahead[s.nodeKey] = future
	}
	switch {
	case !future:
		if s.behind > -clockTolerance && s.behind < clockTolerance {
			o.agreed, o.since = time.Now(), time.Time{}
		}
		return false
	case !o.agreed.IsZero() && time.Since(o.agreed) < agreesFor:
		return false
	case s.arrival+clockSlack >= o.passed && (o.future < aheadNodes || 2*o.future <= len(o.ahead)):
		return false
	}
	if o.since.IsZero() {
		o.since = time.Now()
	}
	return true
}
