package mqttsource

import (
	"cmp"
	"log/slog"
	"maps"
	"slices"

	"greywatt"
)

// maxClocks bounds how many nodes' clocks are watched; each takes a kilobyte.
const maxClocks = 20_000

// A watchedClock is a clock and what was last said of it.
type watchedClock struct {
	Clock
	faulty bool
}

// noteClock takes into account when a pack of a node arrived, and what time it
// states. It returns what is to be told of it, nil mostly. The caller holds c.mu.
func (c *Committer) noteClock(s clockSample) (tell func(*slog.Logger)) {
	if s.node == "" {
		return nil
	}
	w := c.clocks[s.nodeKey]
	if w == nil {
		if len(c.clocks) >= maxClocks {
			return nil
		}
		w = &watchedClock{Clock: Clock{Dwelling: s.dwelling, Node: s.node}}
		c.clocks[s.nodeKey] = w
	}
	w.note(s.arrival, s.behind, s.relative)
	if w.Hours[len(w.Hours)-1].Packs > aheadPacks && !w.faulty {
		return nil // an hour that goes on brings no news
	}
	f := w.Fault()
	if (f != nil) == w.faulty {
		return nil
	}
	w.faulty = f != nil
	if f == nil {
		return func(l *slog.Logger) {
			l.Info("the node's clock is right again", "dwelling", s.dwelling, "node", s.node)
		}
	}
	return func(l *slog.Logger) {
		l.Warn("the node's clock "+f.What, "dwelling", s.dwelling, "node", s.node, "see", "greywatt clocks")
	}
}

// A clockSample is what one pack says of its node's clock; zero: nothing.
type clockSample struct {
	nodeKey
	arrival  greywatt.Instant
	behind   float64 // s, of the pack's newest time
	relative bool    // which was stated relative to now
}

// Clocks returns what is known of the clocks of the nodes, by dwelling and node.
func (c *Committer) Clocks() []Clock {
	c.mu.Lock()
	all := make([]Clock, 0, len(c.clocks))
	for w := range maps.Values(c.clocks) {
		clock := w.Clock
		clock.Hours = slices.Clone(clock.Hours)
		all = append(all, clock)
	}
	c.mu.Unlock()
	slices.SortFunc(all, func(a, b Clock) int { return cmp.Or(cmp.Compare(a.Dwelling, b.Dwelling), cmp.Compare(a.Node, b.Node)) })
	return all
}

// RestoreClocks goes on from what an earlier Committer knew of the clocks.
func (c *Committer) RestoreClocks(clocks []Clock) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, clock := range clocks {
		k := nodeKey{clock.Dwelling, clock.Node}
		w := c.clocks[k]
		if w == nil {
			if len(c.clocks) >= maxClocks {
				return
			}
			w = &watchedClock{Clock: Clock{Dwelling: clock.Dwelling, Node: clock.Node}}
			c.clocks[k] = w
		}
		hours := slices.Clone(clock.Hours)
		for _, h := range w.Hours { // of packs that came meanwhile
			if n := len(hours); n == 0 || hours[n-1].Hour < h.Hour {
				hours = append(hours, h)
			}
		}
		w.Hours = hours[max(0, len(hours)-clockHours):]
	}
}
