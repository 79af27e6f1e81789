package event

import "greywatt"

// restPace is the usual interval between flow readings at rest: the mean of the
// latest ones, in whole microseconds, so that it forgets.
type restPace struct {
	of   [paceOf]greywatt.Instant
	next int // place of the oldest
	sum  greywatt.Instant
}

const (
	paceOf   = 32
	unknownS = 60.0 // taken before readings tell
)

func newRestPace() (p restPace) {
	for i := range p.of {
		p.of[i] = greywatt.Instant(0).Add(unknownS)
		p.sum += p.of[i]
	}
	return p
}

func (p *restPace) add(dt greywatt.Instant) {
	p.sum += dt - p.of[p.next]
	p.of[p.next] = dt
	p.next = (p.next + 1) % paceOf
}

func (p *restPace) restS() float64 { return p.sum.Sub(0) / paceOf }
