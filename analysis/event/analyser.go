package event

import (
	"math"
	"slices"

	"greywatt"
	"greywatt/analysis/uncert"
)

// An Analyser turns the frames of one dwelling into events as they come. It
// keeps the readings of half an hour, not the history: the cost of a new event
// does not depend on how long the study runs.
type Analyser struct {
	study    *greywatt.Study
	dwelling *greywatt.Dwelling // with the description in force
	whole    *greywatt.Dwelling // with all of them
	change   greywatt.Instant   // of the next one; 0: there is none
	leftOut  []greywatt.Instant // starts of the events left out since TakeLeftOut

	nodes  map[string]*nodeUse
	last   *nodeUse                       // of the latest frame
	source [greywatt.NumChannels]*nodeUse // whose readings are used, where the study leaves it open
	buf    [greywatt.NumChannels]series
	newest greywatt.Instant

	open     bool             // a session: water runs, or ran until a moment ago
	began    greywatt.Instant // its first reading with flow
	lastFlow greywatt.Instant // latest reading with flow
	pace     restPace
	room     roomEstimate

	work workspace

	lean          bool         // events without budgets
	contributions bool         // see KeepContributions
	clamps        []uncert.Row // of the last of them: shared

	traceID string // the event whose series are wanted
	traced  traced
}

// nodeUse is how the readings of one node are used.
type nodeUse struct {
	name string
	of   []channelUse // the channels that may be used
	seen [greywatt.NumChannels]greywatt.Instant
}

// channelUse is how a reading v of one channel is corrected: to v·scale - offset.
type channelUse struct {
	channel       greywatt.Channel
	scale, offset float64
	sensor        greywatt.Sensor
}

// declare notes which channels of the node a description of the dwelling has.
func (n *nodeUse) declare(d *greywatt.Dwelling) {
	n.of = nil // series refer to the old ones
	for c := range greywatt.Channel(greywatt.NumChannels) {
		s, ok := d.Sensor(c, n.name)
		if !ok {
			continue
		}
		u := channelUse{channel: c, scale: 1, offset: s.OffsetK, sensor: s}
		if c.IsFlow() {
			u.scale, u.offset = s.Scale*LMinPerLS, 0
		}
		n.of = append(n.of, u)
	}
}

// series is one channel's readings, corrected for offset and scale; flows in
// l/min.
type series struct {
	at     []greywatt.Instant
	v      []float64
	sensor greywatt.Sensor // of the latest reading
	by     *channelUse     // that sensor belongs to, where it is known
}

// from returns the readings from at on.
func (b *series) from(at greywatt.Instant) series {
	i, _ := slices.BinarySearch(b.at, at)
	return series{at: b.at[i:], v: b.v[i:], sensor: b.sensor}
}

const (
	quietS    = 240.0      // s without flow that end a session: longer than any pause, with the drain's tail
	roomS     = 45 * 60.0  // s of the room's readings kept from before: its sensor may be slow
	sessionS  = 6 * 3600.0 // s after which a session is cut: a tap left running, a stuck meter
	handOver  = 3600.0     // s of silence after which another node may take over a channel
	restMostS = 1200.0     // s between two readings at rest, beyond which one is missing
	LMinPerLS = 60.0       // l/s to l/min
	second    = greywatt.Instant(1e6)
)

// NewAnalyser returns an analyser for a dwelling of the study.
func NewAnalyser(study *greywatt.Study, d *greywatt.Dwelling) *Analyser {
	a := &Analyser{study: study, dwelling: d.At(math.MinInt64), whole: d, nodes: map[string]*nodeUse{}, pace: newRestPace()}
	a.change, _ = d.NextChange(math.MinInt64)
	return a
}

// TakeLeftOut returns the starts of the events that were left out since it was
// last called, for the periods that the dwelling's journal leaves out.
func (a *Analyser) TakeLeftOut() []greywatt.Instant {
	out := a.leftOut
	a.leftOut = nil
	return out
}

// describe brings the description in force at an instant to bear. An open session
// keeps the one that it began with. What was read before stays as it was
// corrected then.
func (a *Analyser) describe(at greywatt.Instant) {
	a.dwelling = a.whole.At(at)
	a.change, _ = a.whole.NextChange(at)
	for _, n := range a.nodes {
		n.declare(a.dwelling)
	}
	a.work.rating = nil
}

// Push takes the next frames, in time order, and returns the events that are
// complete by now. A frame older than one before it is out of order and is left
// out: analyse from the store, which orders.
func (a *Analyser) Push(frames []greywatt.Frame) []Event {
	var done []Event
	for i := range frames {
		f := &frames[i]
		if f.At < a.newest {
			continue
		}
		a.newest = f.At
		if a.open && (f.At-a.lastFlow > quietS*second || f.At-a.began > sessionS*second) {
			done = append(done, a.finish()...)
		}
		if a.change != 0 && f.At >= a.change && !a.open {
			a.describe(f.At)
		}
		a.take(f)
	}
	if a.work.all != nil && len(frames) < inBulk {
		a.giveBack()
	}
	return done
}

// inBulk is the number of frames from which a call of Push is taken to be one of
// many in a row. Who follows readings as they come has fewer, and hours to wait
// for the next session: the memory that one took is given back.
const inBulk = 256

// giveBack lets go of what only a session needs.
func (a *Analyser) giveBack() {
	a.work = workspace{}
	for c := range a.buf {
		b := &a.buf[c]
		b.at, b.v = slices.Clone(b.at), slices.Clone(b.v)
	}
}

// Close ends the data and returns the events still open.
func (a *Analyser) Close() []Event {
	if !a.open {
		return nil
	}
	return a.finish()
}

// take files the frame's readings.
func (a *Analyser) take(f *greywatt.Frame) {
	n := a.last
	if n == nil || n.name != f.Node {
		n = a.node(f.Node)
		a.last = n
	}
	for i := range n.of {
		u := &n.of[i]
		c := u.channel
		v := f.Value[c]
		if !c.Plausible(v) || a.source[c] != n && !a.claim(n, u, f.At) {
			continue
		}
		n.seen[c] = f.At
		b := &a.buf[c]
		if k := len(b.at); k > 0 && b.at[k-1] == f.At {
			continue // another node's reading of the same instant
		}
		v = v*u.scale - u.offset
		if c == greywatt.Flow {
			a.watchFlow(f.At, v, b)
		}
		b.at = append(b.at, f.At)
		b.v = append(b.v, v)
		if b.by != u {
			b.sensor, b.by = u.sensor, u
		}
	}
	if !a.open {
		a.rest(f.At)
	}
}

func (a *Analyser) node(name string) *nodeUse {
	if n, ok := a.nodes[name]; ok {
		return n
	}
	n := &nodeUse{name: name}
	n.declare(a.dwelling)
	a.nodes[name] = n
	return n
}

// claim makes node n the one to believe on a channel, unless another is. Where the
// study names no node and two report the channel, it is the one that came first,
// until it has been silent for an hour.
func (a *Analyser) claim(n *nodeUse, u *channelUse, at greywatt.Instant) bool {
	c := u.channel
	if cur := a.source[c]; cur != nil && u.sensor.Node == "" && at.Sub(cur.seen[c]) < handOver {
		return false
	}
	a.source[c] = n
	return true
}

// watchFlow opens a session at the first flow and learns the pace of sampling
// at rest.
func (a *Analyser) watchFlow(at greywatt.Instant, lmin float64, b *series) {
	if lmin >= FlowingLMin {
		if !a.open {
			a.open, a.began = true, at
		}
		a.lastFlow = at
		return
	}
	if k := len(b.at); k > 0 && !a.open {
		if dt := at.Sub(b.at[k-1]); dt > 10 && dt < restMostS {
			a.pace.add(at - b.at[k-1])
		}
	}
}

// rest learns the room's temperature from the clamps while nothing runs and
// forgets what is older than the lead-up.
func (a *Analyser) rest(at greywatt.Instant) {
	a.room.learn(a, at)
	if k := len(a.buf[greywatt.Flow].at); k > 512 && at.Sub(a.buf[greywatt.Flow].at[k/2]) > a.leadUp() {
		a.trim(at)
	}
}

// leadUp is how much before its first flow a window's flow begins, s.
func (a *Analyser) leadUp() float64 { return max(leadS, 3.5*a.pace.restS()) }

// wants is for how long a reading of channel c at rest may still be wanted, s. No
// session to come looks further back: the pace at rest grows by a thirty-second
// part of an interval, no faster than time passes.
func (a *Analyser) wants(c greywatt.Channel) float64 {
	switch c {
	case greywatt.Flow:
		return max(restMostS, a.leadUp())
	case greywatt.Ambient:
		return max(roomS, a.leadUp())
	}
	return leadS
}

func (a *Analyser) trim(now greywatt.Instant) {
	for c := range a.buf {
		b := &a.buf[c]
		i, _ := slices.BinarySearch(b.at, now.Add(-a.wants(greywatt.Channel(c))))
		if i > 0 {
			b.at = slices.Delete(b.at, 0, i)
			b.v = slices.Delete(b.v, 0, i)
		}
	}
}

// forget lets go of what is older than the session wants, so that its figures do
// not hang on when the buffers were last trimmed. A channel that is silent since is
// as one that never was.
func (a *Analyser) forget() {
	for c := range a.buf {
		b := &a.buf[c]
		if i, _ := slices.BinarySearch(b.at, a.began.Add(-a.wants(greywatt.Channel(c)))); i == len(b.at) {
			*b = series{at: b.at[:0], v: b.v[:0]}
		}
	}
}

// finish analyses the open session and closes it.
func (a *Analyser) finish() []Event {
	a.forget()
	w := a.window()
	events := w.events()
	for i := range events {
		if a.traceID != "" && events[i].ID == a.traceID {
			a.traced = traced{event: events[i], trace: w.trace(&events[i]), found: true}
		}
	}
	a.open = false
	a.trim(a.newest)
	if len(a.whole.LeftOut) == 0 {
		return events
	}
	return slices.DeleteFunc(events, func(e Event) bool {
		_, out := a.whole.LeftOutIn(e.Start, e.End)
		if out {
			a.leftOut = append(a.leftOut, e.Start)
		}
		return out
	})
}
