package live

import (
	"math"
	"slices"

	"greywatt"
)

// flowingLMin is the mains flow, l/min, from which the page says that water
// runs: what opens a run in package draw.
const flowingLMin = 0.8

const (
	drawnS      = 600.0 // what the drawing of the last minutes reaches back
	keptS       = drawnS + 60
	pointEveryS = 0.4               // closer readings are not drawn
	drawnAtMost = 2000              // points of a channel
	handOverS   = 3600.0            // silence after which another node may speak for a channel, as in the analysis
	litreMin    = 60.0              // l/s to l/min
	drawn       = greywatt.Flow + 1 // the channels of the drawing: the four ports and the flow
)

// A present is what a dwelling's sensors say now: the clamps with their offset
// taken off, in °C, and flows in l/min.
type present struct {
	latest   [greywatt.NumChannels]latest
	track    [drawn][]point
	seq      uint32           // of the newest point; enough for decades of ten points a second
	newest   greywatt.Instant // of all channels
	lastFlow greywatt.Instant // when water was last seen to run
	flowing  int              // readings with flow in a row, up to the newest
	pulses   int              // that stood alone, of late: the meter counts in large ones
	sensors  map[string]*[greywatt.NumChannels]sensorUse
}

// A meter of which so many readings with flow stood alone counts in pulses. Water
// that it has shown to run is taken to run until no pulse came for pulseS, as the
// analysis does.
const (
	fewPulses = 3
	pulseS    = 25.0
)

// latest is the newest reading of a channel; At is 0 where there is none.
type latest struct {
	At    greywatt.Instant
	Value float64
	node  string
}

type point struct {
	at  greywatt.Instant
	v   float32
	seq uint32
}

type sensorUse struct {
	greywatt.Sensor
	use bool
}

// take notes a reading, unless it is older than what is known of its channel or
// of a node that the study does not use there.
func (p *present) take(d *greywatt.Dwelling, r *greywatt.Reading) {
	l := &p.latest[r.Channel]
	if r.At <= l.At {
		return
	}
	s := &p.sensor(d, r.Node)[r.Channel]
	if !s.use || s.Node == "" && l.node != r.Node && l.At != 0 && r.At.Sub(l.At) < handOverS {
		return
	}
	v := r.Value - s.OffsetK
	if r.Channel.IsFlow() {
		v = r.Value * s.Scale * litreMin
	}
	*l = latest{At: r.At, Value: v, node: r.Node}
	p.newest = max(p.newest, r.At)
	if r.Channel == greywatt.Flow {
		p.watchFlow(r.At, v)
	}
	if r.Channel < drawn {
		p.draw(r.Channel, r.At, v)
	}
}

func (p *present) sensor(d *greywatt.Dwelling, node string) *[greywatt.NumChannels]sensorUse {
	if s, ok := p.sensors[node]; ok {
		return s
	}
	if p.sensors == nil {
		p.sensors = map[string]*[greywatt.NumChannels]sensorUse{}
	}
	s := new([greywatt.NumChannels]sensorUse)
	for c := range s {
		s[c].Sensor, s[c].use = d.Last().Sensor(greywatt.Channel(c), node)
	}
	p.sensors[node] = s
	return s
}

// watchFlow notes when water runs, and by what sort of meter.
func (p *present) watchFlow(at greywatt.Instant, lmin float64) {
	if lmin >= flowingLMin {
		p.lastFlow = at
		p.flowing++
		return
	}
	switch {
	case p.flowing == 1:
		p.pulses++
	case p.flowing > 3:
		p.pulses = 0
	}
	p.flowing = 0
}

// draw adds a point to the drawing.
func (p *present) draw(c greywatt.Channel, at greywatt.Instant, v float64) {
	t := p.track[c]
	if n := len(t); n > 0 && at.Sub(t[n-1].at) < pointEveryS {
		return
	}
	p.seq++
	t = append(t, point{at, float32(v), p.seq})
	old := 0
	for old < len(t) && (at.Sub(t[old].at) > keptS || len(t)-old > drawnAtMost) {
		old++
	}
	if old > 64 { // not at every reading
		t = slices.Clone(t[old:]) // a shower's room is given back
	}
	p.track[c] = t
}

// since returns the points of a channel that came after seq, oldest first. They
// are not to be changed and hold until the next reading.
func (p *present) since(c greywatt.Channel, seq uint32) []point {
	t := p.track[c]
	n := len(t)
	for n > 0 && t[n-1].seq > seq {
		n--
	}
	return t[n:]
}

// running reports whether water runs.
func (p *present) running() bool {
	f := &p.latest[greywatt.Flow]
	return f.At != 0 && (f.Value >= flowingLMin || p.pulses >= fewPulses && f.At.Sub(p.lastFlow) <= pulseS)
}

// value returns a channel's value now; NaN where there is none, or where it has
// been silent while others of the dwelling have not.
func (p *present) value(c greywatt.Channel) float64 {
	l := &p.latest[c]
	if l.At == 0 || p.newest.Sub(l.At) > silentChannelS {
		return math.NaN()
	}
	return l.Value
}

// silentChannelS is the silence, s, after which a channel's last value is not
// shown as the present one: ten missed readings at rest.
const silentChannelS = 600.0
