package live

import (
	"slices"
	"sync"
	"time"

	"greywatt"
	"greywatt/cmd/greywatt/internal/watch"
)

// A dwelling is what the page knows of one.
type dwelling struct {
	*greywatt.Dwelling

	mu       sync.Mutex
	present  present
	held     watch.Inventory
	past     past
	clocks   []WrongClock
	run      guidedRun
	live     bool  // it has been up since the page began
	version  int64 // counts up when past, nodes or clocks change
	watchers map[chan struct{}]struct{}
}

// A past is what was found in the log.
type past struct{ watch.State }

// Versions begin at the clock, so that a page from before a restart is known to
// be of another time.
func newDwelling(d *greywatt.Dwelling) *dwelling {
	now := time.Now().UnixMilli()
	return &dwelling{Dwelling: d, version: now, past: past{watch.State{Edition: now}}, watchers: map[chan struct{}]struct{}{}}
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
	from := d.held.Newest.Add(-keptS)
	if n := len(frames); n == 0 || frames[n-1].At < from {
		return
	}
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

// hold notes what the log has.
func (d *dwelling) hold(h watch.Inventory) {
	d.mu.Lock()
	defer d.mu.Unlock()
	changed := len(h.Nodes) != len(d.held.Nodes)
	for i := range h.Nodes {
		changed = changed || h.Nodes[i].Heard != d.held.Nodes[i].Heard || h.Nodes[i].Up != d.held.Nodes[i].Up
	}
	d.held = h
	if changed {
		d.changed()
	}
}

// clocksAre notes which of the nodes' clocks are wrong.
func (d *dwelling) clocksAre(wrong []WrongClock) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if !slices.Equal(wrong, d.clocks) {
		d.clocks = wrong
		d.changed()
	}
}

// found notes what was found in the log.
func (d *dwelling) found(f watch.State) {
	d.mu.Lock()
	defer d.mu.Unlock()
	old := &d.past
	changed := f.Edition != old.Edition || f.Ready != old.Ready || f.Provisional != old.Provisional || f.Damaged != old.Damaged ||
		f.Late != old.Late || f.Trouble != old.Trouble || len(f.Alarms) != len(old.Alarms)
	d.past = past{f}
	if changed {
		d.changed()
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

// isLive reports whether nodes send, as far as is known: they report presence, or
// readings have come as they were measured. Files of old readings are no node that
// has fallen silent. The caller holds d.mu.
func (d *dwelling) isLive() bool {
	return d.live || slices.ContainsFunc(d.held.Nodes, func(n watch.Node) bool { return n.Heard })
}

// state returns how the dwelling fares at now. The caller holds d.mu.
func (d *dwelling) state(now time.Time) state {
	newest := max(d.held.Newest, d.present.newest)
	if newest == 0 {
		return never
	}
	age := now.Sub(newest.Time())
	heard, ups := 0, 0
	for _, n := range d.held.Nodes {
		if n.Heard {
			heard++
		}
		if n.Up {
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
