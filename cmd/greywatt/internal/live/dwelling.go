package live

import (
	"sync"
	"time"

	"greywatt"
	"greywatt/analysis"
	"greywatt/ingest/store"
)

// A dwelling is what the page knows of one.
type dwelling struct {
	*greywatt.Dwelling
	wake chan struct{} // the log has been looked at: see follower

	mu       sync.Mutex
	present  present
	held     holdings
	moved    time.Time // when held.readings last changed
	past     past
	soFar    *analysis.Event // of the water that runs, or ran until a moment ago
	version  int64           // counts up when past, soFar or nodes change
	watchers map[chan struct{}]struct{}
}

// holdings are what the log has of a dwelling.
type holdings struct {
	readings int64
	newest   greywatt.Instant
	nodes    []node
}

type node struct {
	store.NodeSummary
	heard, up bool // heard: it has reported its presence
	since     greywatt.Instant
}

// A past is what the analysis made of the log. What its slices hold does not
// change.
type past struct {
	ready     bool  // the log has been read to its end once
	edition   int64 // counts up with new events
	events    []analysis.Event
	diagnosis analysis.Diagnosis
	complete  analysis.Completeness
	damaged   int    // parts of the log that cannot be read
	late      bool   // readings have come that are not in it yet
	trouble   string // why it stands still
}

// Versions begin at the clock, so that a page from before a restart is known to
// be of another time.
func newDwelling(d *greywatt.Dwelling) *dwelling {
	now := time.Now().UnixMilli()
	return &dwelling{
		Dwelling: d, wake: make(chan struct{}, 1),
		version: now, past: past{edition: now}, watchers: map[chan struct{}]struct{}{},
	}
}

// take shows readings that have just been committed.
func (d *dwelling) take(rs []greywatt.Reading) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for i := range rs {
		d.present.take(d.Dwelling, &rs[i])
	}
	d.notify()
}

// takeFrames shows what the log has, where nothing newer is shown yet.
func (d *dwelling) takeFrames(frames []greywatt.Frame) {
	d.mu.Lock()
	defer d.mu.Unlock()
	from := d.held.newest.Add(-keptS)
	for i := range frames {
		f := &frames[i]
		if f.At < from {
			continue
		}
		for c, v := range f.Value {
			if v == v {
				d.present.take(d.Dwelling, &greywatt.Reading{Node: f.Node, Channel: greywatt.Channel(c), At: f.At, Value: v})
			}
		}
	}
	d.notify()
}

// hold notes what the log has and wakes the follower.
func (d *dwelling) hold(h holdings, now time.Time) {
	d.mu.Lock()
	if h.readings != d.held.readings {
		d.moved = now
	}
	changed := len(h.nodes) != len(d.held.nodes)
	for i := range h.nodes {
		changed = changed || h.nodes[i].heard != d.held.nodes[i].heard || h.nodes[i].up != d.held.nodes[i].up
	}
	d.held = h
	if changed {
		d.changed()
	}
	d.mu.Unlock()
	select {
	case d.wake <- struct{}{}:
	default:
	}
}

// changed tells the viewers of something that only a new version shows. The
// caller holds d.mu.
func (d *dwelling) changed() {
	d.version++
	d.notify()
}

// notify wakes the viewers. The caller holds d.mu.
func (d *dwelling) notify() {
	for w := range d.watchers {
		select {
		case w <- struct{}{}:
		default:
		}
	}
}

// watch returns a channel that is sent to when there is something new.
func (d *dwelling) watch() (news chan struct{}, leave func()) {
	news = make(chan struct{}, 1)
	d.mu.Lock()
	defer d.mu.Unlock()
	d.watchers[news] = struct{}{}
	return news, func() {
		d.mu.Lock()
		defer d.mu.Unlock()
		delete(d.watchers, news)
	}
}

// A state is how a dwelling fares, in a word.
type state string

const (
	running state = "running" // water runs now
	up      state = "up"
	partly  state = "partly" // of several nodes some are down
	down    state = "down"
	silent  state = "silent" // nothing says that it is down, and no readings come
	never   state = "never"  // no readings yet
)

// A node that reports its presence may gather an hour's readings at rest before
// it sends them; of one that does not, silence is all that can be noticed. Both
// are this project's choice.
const (
	silentAfter  = 75 * time.Minute
	unheardAfter = 15 * time.Minute
	runningFor   = time.Minute // water runs, unless the last reading is older
)

// state returns how the dwelling fares at now. The caller holds d.mu.
func (d *dwelling) state(now time.Time) state {
	newest := max(d.held.newest, d.present.newest)
	if newest == 0 {
		return never
	}
	age := now.Sub(newest.Time())
	heard, ups := 0, 0
	for _, n := range d.held.nodes {
		if n.heard {
			heard++
		}
		if n.up {
			ups++
		}
	}
	limit := unheardAfter
	if ups > 0 {
		limit = silentAfter
	}
	switch {
	case d.present.running() && age < runningFor:
		return running
	case heard > 0 && ups == 0:
		return down
	case age > limit:
		return silent
	case ups < heard:
		return partly
	}
	return up
}

// latestRatio returns the newest shower with a ratio to what is expected; nil
// where there is none.
func (p *past) latestRatio() *analysis.Event {
	for i := len(p.events) - 1; i >= 0; i-- {
		if e := &p.events[i]; e.Kind != analysis.OtherDraw && e.Ratio == e.Ratio {
			return e
		}
	}
	return nil
}

// event returns the place of the event with the given id; -1 where there is
// none.
func (p *past) event(id string) int {
	for i := len(p.events) - 1; i >= 0; i-- {
		if p.events[i].ID == id {
			return i
		}
	}
	return -1
}
