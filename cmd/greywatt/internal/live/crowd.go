package live

import (
	"net"
	"net/http"
	"net/netip"
	"sync"
	"time"
)

// A crowd is a listener with a bounded number of connections that never makes a
// newcomer wait: where there are too many, in all or of the newcomer's address,
// one that is not being answered goes, the one that has rested longest of the
// address that has most. Where all are being answered, the newcomer goes, unless
// another address has more than half of them.
type crowd struct {
	net.Listener
	most, each int

	mu     sync.Mutex
	guests map[*guest]struct{}
	from   map[netip.Addr]int
}

type guest struct {
	net.Conn
	crowd *crowd
	from  netip.Addr
	busy  bool      // being answered
	since time.Time // of that, or of its rest
	gone  bool
}

func newCrowd(l net.Listener, most, each int) *crowd {
	return &crowd{Listener: l, most: most, each: each, guests: map[*guest]struct{}{}, from: map[netip.Addr]int{}}
}

func (c *crowd) Accept() (net.Conn, error) {
	for {
		conn, err := c.Listener.Accept()
		if err != nil {
			return nil, err
		}
		g := &guest{Conn: conn, crowd: c, from: addressOf(conn), since: time.Now()}
		if c.enter(g) {
			return g, nil
		}
		conn.Close()
	}
}

func addressOf(conn net.Conn) netip.Addr {
	at, err := netip.ParseAddrPort(conn.RemoteAddr().String())
	if err != nil {
		return netip.Addr{}
	}
	return at.Addr().Unmap()
}

func (c *crowd) enter(g *guest) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	if !g.from.IsLoopback() && c.from[g.from] >= c.each { // on loopback may be a proxy for many
		if !c.evict(func(other *guest) bool { return other.from == g.from && !other.busy }) {
			return false
		}
	}
	if len(c.guests) >= c.most {
		crowded := c.crowded()
		rests := func(other *guest) bool { return !other.busy }
		if !c.evict(func(other *guest) bool { return rests(other) && other.from == crowded }) && !c.evict(rests) &&
			!(crowded != g.from && c.from[crowded] > c.most/2 && c.evict(func(other *guest) bool { return other.from == crowded })) {
			return false
		}
	}
	c.guests[g] = struct{}{}
	c.from[g.from]++
	return true
}

// crowded returns the address that has most guests.
func (c *crowd) crowded() (who netip.Addr) {
	most := 0
	for from, n := range c.from {
		if n > most {
			who, most = from, n
		}
	}
	return who
}

// evict ends the connection of the one that has been as it is longest, of those
// that may go. The caller holds c.mu.
func (c *crowd) evict(may func(*guest) bool) bool {
	var longest *guest
	for g := range c.guests {
		if may(g) && (longest == nil || g.since.Before(longest.since)) {
			longest = g
		}
	}
	if longest == nil {
		return false
	}
	c.leave(longest)
	longest.Conn.Close()
	return true
}

func (c *crowd) leave(g *guest) {
	if g.gone {
		return
	}
	g.gone = true
	delete(c.guests, g)
	if c.from[g.from]--; c.from[g.from] == 0 {
		delete(c.from, g.from)
	}
}

func (g *guest) Close() error {
	g.crowd.mu.Lock()
	g.crowd.leave(g)
	g.crowd.mu.Unlock()
	return g.Conn.Close()
}

// note follows what the server says of its connections.
func (c *crowd) note(conn net.Conn, state http.ConnState) {
	if wrapped, ok := conn.(interface{ NetConn() net.Conn }); ok { // TLS
		conn = wrapped.NetConn()
	}
	g, ok := conn.(*guest)
	if !ok {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if busy := state == http.StateActive; busy != g.busy {
		g.busy, g.since = busy, time.Now()
	}
}
