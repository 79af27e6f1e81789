package broker

import (
	"errors"
	"sync"
	"time"
)

// A room is memory that connections share for packets that are still coming.
// It is charged as the bytes arrive, not as they are announced. Nobody's share
// exceeds a part of it, and where it is full, the one who has most of it gives
// way: a holder of much cannot keep a holder of little out.
type room struct {
	limit, share int

	mu      sync.Mutex
	used    int
	by      map[string]int // by account, or address where there are no accounts
	holders map[*holding]struct{}
	changed chan struct{} // closed and replaced when something was given back
}

// A holding is what one connection has of a room.
type holding struct {
	room  *room
	owner string
	evict func() // ends the connection; must not call back
	n     int
	since time.Time
	ended bool // evicted
}

var errNoRoom = errors.New("no room for a packet")

func newRoom(limit, share int) *room {
	return &room{limit: limit, share: share, by: make(map[string]int), holders: make(map[*holding]struct{}), changed: make(chan struct{})}
}

// take adds n bytes to the holding. It waits for the owner's other connections
// where its share is used up, at most for wait.
func (h *holding) take(n int, wait time.Duration) error {
	r := h.room
	timeout := time.NewTimer(wait)
	defer timeout.Stop()
	for {
		r.mu.Lock()
		if h.ended {
			r.mu.Unlock()
			return errNoRoom
		}
		if r.by[h.owner]+n <= r.share {
			for r.used+n > r.limit && r.evictFor(h.owner, n) {
			}
			if r.used+n <= r.limit {
				if h.n == 0 {
					h.since = time.Now()
				}
				h.n += n
				r.used += n
				r.by[h.owner] += n
				r.holders[h] = struct{}{}
				r.mu.Unlock()
				return nil
			}
		}
		changed := r.changed
		r.mu.Unlock()
		select {
		case <-changed:
		case <-timeout.C:
			return errNoRoom
		}
	}
}

// evictFor ends the oldest holding of the owner who has most, unless that would
// not be more than the newcomer then has. The caller holds r.mu.
func (r *room) evictFor(owner string, n int) bool {
	most, who := r.by[owner]+n, ""
	for other, used := range r.by {
		if used > most {
			most, who = used, other
		}
	}
	var victim *holding
	for h := range r.holders {
		if h.owner == who && who != "" && (victim == nil || h.since.Before(victim.since)) {
			victim = h
		}
	}
	if victim == nil {
		return false
	}
	r.drop(victim)
	victim.ended = true
	victim.evict()
	return true
}

func (r *room) drop(h *holding) {
	if h.n == 0 {
		return
	}
	r.used -= h.n
	if r.by[h.owner] -= h.n; r.by[h.owner] == 0 {
		delete(r.by, h.owner)
	}
	h.n = 0
	delete(r.holders, h)
	close(r.changed)
	r.changed = make(chan struct{})
}

// release gives all of the holding back. It may be called again.
func (h *holding) release() {
	h.room.mu.Lock()
	defer h.room.mu.Unlock()
	h.room.drop(h)
}
