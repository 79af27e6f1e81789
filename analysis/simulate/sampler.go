package simulate

import (
	"math"
	"math/rand/v2"

	"greywatt"
)

// sampler is a Node in motion.
type sampler struct {
	*Node
	r         *rand.Rand
	grid, due float64 // s, of the next sample: planned, and with its scatter
	fastUntil float64
	fast      bool
	reference float64 // °C, slow mean of its first temperature
}

func newSampler(n *Node, seed, index uint64, roomC float64) sampler {
	r := generator(seed^(index+1)<<32, noiseStream)
	due := between(r, 0, n.IdleS)
	return sampler{Node: n, r: r, grid: due, due: due, fastUntil: math.Inf(-1), reference: roomC}
}

// warmK above the room, a waste pipe is in use or was just now.
const warmK = 6

// wake notes in a step that starts at t whether there is reason to sample fast.
func (s *sampler) wake(t, dt float64, flowing bool, first, roomC float64) {
	reason := flowing
	if s.Wake == OnTemperature {
		reason = math.Abs(first-s.reference) > 0.4 || math.Abs(first-roomC) > warmK
		s.reference += (first - s.reference) * -math.Expm1(-dt/400) // slower than any shower
	}
	if !reason {
		return
	}
	if !s.fast {
		s.fast = true
		s.due = min(s.due, t+between(s.r, 0, s.IntervalS))
		s.grid = s.due
	}
	s.fastUntil = t + s.HoldS
}

// next plans the sample after the one at due. Instants scatter about a grid
// that does not move with them.
func (s *sampler) next() {
	last := s.due
	s.fast = last < s.fastUntil
	every := s.IdleS
	if s.fast {
		every = s.IntervalS
	}
	s.grid += every
	s.due = max(s.grid+s.JitterS*(2*s.r.Float64()-1), last+0.1*every)
}

// measure lets the instruments follow a step and takes the samples that fall
// in it.
func (r *run) measure(from, dt, mainsLS, wasteLS float64) {
	room := r.weather.roomC
	for c := greywatt.Channel(0); c < greywatt.NumChannels; c++ {
		switch {
		case !r.Sensors[c].Fitted:
		case c == greywatt.Flow:
			r.meters[c].follow(dt, mainsLS)
		case c == greywatt.WasteFlow:
			r.meters[c].follow(dt, wasteLS)
		case c == greywatt.Ambient:
			r.probes[c].follow(dt, room, room)
		default:
			r.probes[c].follow(dt, r.port[r.probes[c].on], room)
		}
	}
	for i := range r.nodes {
		s := &r.nodes[i]
		s.wake(from, dt, mainsLS > 0, r.probes[s.Channels[0]].now, room)
	}
	for !r.stopped {
		s := r.firstDue()
		if s == nil || s.due > r.t {
			return
		}
		r.sample(s, (max(s.due, from)-from)/dt)
		s.next()
	}
}

func (r *run) firstDue() *sampler {
	var first *sampler
	for i := range r.nodes {
		if first == nil || r.nodes[i].due < first.due {
			first = &r.nodes[i]
		}
	}
	return first
}

// sample sends one frame of a node, taken a fraction of the way through the
// last step.
func (r *run) sample(s *sampler, fraction float64) {
	at := r.origin.Add(s.due)
	at -= at % 1000 // nodes count milliseconds
	f := greywatt.Frame{At: at, Node: s.ID, Value: greywatt.NoValues()}
	years := s.due / (365.25 * daySeconds)
	for _, c := range s.Channels {
		switch {
		case !r.Sensors[c].Fitted:
		case c.IsFlow():
			f.Value[c] = r.meters[c].read(s.due, s.IntervalS, s.r)
		default:
			f.Value[c] = r.probes[c].read(fraction, years, s.r)
		}
	}
	if !r.lost(s.ID, at) && !r.out.Frame(f) {
		r.stopped = true
	}
}

func (r *run) lost(node string, at greywatt.Instant) bool {
	for _, g := range r.Gaps {
		if (g.Node == "" || g.Node == node) && at >= g.From && at < g.To {
			return true
		}
	}
	return false
}
