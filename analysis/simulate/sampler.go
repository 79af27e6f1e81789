package simulate

import (
	"math"
	"math/rand/v2"
	"slices"

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
	late      float64 // s, the most that it is late to wake
	wakeAt    float64 // when it does, after a reason; +Inf without one
}

// leastLateS is the least by which a node that wakes late is late.
const leastLateS = 10

func newSampler(n *Node, seed, index uint64, roomC float64) sampler {
	r := generator(seed^(index+1)<<32, noiseStream)
	due := between(r, 0, n.IdleS)
	return sampler{Node: n, r: r, grid: due, due: due, fastUntil: math.Inf(-1), reference: roomC, wakeAt: math.Inf(1)}
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
		s.wakeAt = math.Inf(1)
		return
	}
	if s.late > 0 && !s.fast {
		if math.IsInf(s.wakeAt, 1) {
			s.wakeAt = t + between(s.r, min(leastLateS, s.late), s.late)
		}
		if t < s.wakeAt {
			return
		}
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
		s.wake(from, dt, r.drawing, r.probes[r.watched(s)].now, room)
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

// watched returns the channel by whose temperature a node wakes: its first one
// that is alive.
func (r *run) watched(s *sampler) greywatt.Channel {
	for _, c := range s.Channels {
		if !c.IsFlow() && r.dead[c] == nil {
			return c
		}
	}
	return s.Channels[0]
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
		f.Value[c] = r.reported(c, f.Value[c])
	}
	if !r.lost(s.ID, at) && !r.out.Frame(f) {
		r.stopped = true
	}
}

// reported returns what a channel reports in place of a reading.
func (r *run) reported(c greywatt.Channel, reading float64) float64 {
	f := r.dead[c]
	switch {
	case f == nil:
		r.last[c] = reading
	case f.Death == Missing:
		return math.NaN()
	case f.Death == Railed:
		return f.Size
	case math.IsNaN(r.last[c]): // frozen from its first reading on
		r.last[c] = reading
	default:
		return r.last[c]
	}
	return reading
}

func (r *run) lost(node string, at greywatt.Instant) bool {
	within := func(g Gap) bool { return (g.Node == "" || g.Node == node) && at >= g.From && at < g.To }
	return slices.ContainsFunc(r.Gaps, within) || slices.ContainsFunc(r.silences, within)
}
