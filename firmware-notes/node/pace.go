package main

import (
	"math"
	"time"

	"greywatt"
)

// A pace decides which polls of the sensors become readings: all while water
// runs and for a while after, few otherwise. On a board with an interrupt from
// its flow sensor the polls at rest would be sleep.
type pace struct {
	rest time.Duration // between readings at rest
	hold time.Duration // how long after water was last seen all are kept

	begun     bool
	kept      bool // the last poll was kept
	lastKept  time.Duration
	fastUntil time.Duration
	warmth    warmth
}

// A verdict is what becomes of a poll.
type verdict uint8

const (
	skip     verdict = iota
	keep             // it is a reading
	keepBoth         // and so is the poll before it, the last before water ran
)

// runningLS is the flow from which water counts as running, l/s: 0.3 l/min,
// above the creeping of a meter at rest and below what any meter of this size
// measures well. This project's choice.
const runningLS = 0.005

// judge takes the polls one after the other.
func (p *pace) judge(at time.Duration, v *greywatt.Values) verdict {
	q := v[greywatt.Flow]
	if q >= runningLS || math.IsNaN(q) && p.warmth.shows(at, v) {
		p.fastUntil = at + p.hold
	}
	fast := at < p.fastUntil
	before := fast && p.begun && !p.kept
	p.kept = fast || !p.begun || at-p.lastKept >= p.rest
	if !p.kept {
		return skip
	}
	p.begun, p.lastKept = true, at
	if !fast {
		p.warmth.settle(v)
	}
	if before {
		return keepBoth
	}
	return keep
}

// A warmth tells from temperatures alone that water runs, for a node whose flow
// sensor is another's: one of them moves, or is still far from where it rested
// and has moved within the hour.
type warmth struct {
	begun     bool
	last      time.Duration
	trail     greywatt.Values // follows each temperature with a lag
	rested    greywatt.Values // as it was at rest
	lastMove  time.Duration
	everMoved bool
}

// This project's choices. A pipe that cools by itself falls by up to about 0.8 K
// a minute, which trails by less than movedK.
const (
	trailS    = 20.0 // lag of the trail, s
	movedK    = 0.5  // away from the trail: moving
	awayK     = 3.0  // away from rest
	stillMost = time.Hour
)

func (w *warmth) shows(at time.Duration, v *greywatt.Values) bool {
	if !w.begun {
		w.begun, w.last, w.trail, w.rested = true, at, *v, *v
		return false
	}
	follow := 1 - math.Exp(-(at-w.last).Seconds()/trailS)
	w.last = at
	away := false
	for c, t := range v {
		if greywatt.Channel(c).IsFlow() || greywatt.Channel(c) == greywatt.Ambient || math.IsNaN(t) {
			continue
		}
		switch {
		case math.IsNaN(w.trail[c]):
			w.trail[c], w.rested[c] = t, t
		case math.Abs(t-w.trail[c]) > movedK:
			w.lastMove, w.everMoved = at, true
		}
		w.trail[c] += (t - w.trail[c]) * follow
		away = away || math.Abs(t-w.rested[c]) > awayK
	}
	return w.everMoved && (w.lastMove == at || away && at-w.lastMove < stillMost)
}

// settle notes the temperatures at rest.
func (w *warmth) settle(v *greywatt.Values) {
	if w.begun {
		w.rested = *v
	}
}
