package broker

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/sync/semaphore"
)

// The server sets memory aside for a packet as soon as its length is announced,
// and ends for good at the first connection that cannot be accepted. The guard
// stands between it and the network and lets neither happen.
const (
	maxConnect = 16 << 10 // bytes of a CONNECT packet, with its last will
	// smallPacket is passed on as it comes; a larger one once all of it is there.
	smallPacket = 8 << 10
	chunk       = 32 << 10 // of a large packet, for which memory is taken at once
	// chunkTimeout is how long a chunk may take: 2 kB/s is the least rate.
	chunkTimeout = 15 * time.Second
	roomTimeout  = 60 * time.Second // how long a packet waits for the account's others
	arriving     = 48 << 20         // bytes of large packets that are not yet complete, of all connections
	arrivingEach = 8 << 20          // of one account
	handled      = 32 << 20         // of complete ones being handled

	// Connections that have not shown who they are, in all and of one address.
	maxStrangers     = 4096
	maxStrangersEach = 2048
)

// limits are what the connections of a broker share.
type limits struct {
	room    *room
	handled *semaphore.Weighted

	mu        sync.Mutex
	strangers map[netip.Addr]int
	unknown   int // sum of strangers
	open      int
	most      int // connections

	turnedAway, acceptErrors atomic.Int64
}

func newLimits(accounts bool) *limits {
	share := arriving
	if accounts {
		share = arrivingEach
	}
	return &limits{
		room: newRoom(arriving, share), handled: semaphore.NewWeighted(handled),
		strangers: make(map[netip.Addr]int), most: maxConnections(),
	}
}

// connections returns how many are open. What was done for those that have closed has happened
// before it returns.
func (l *limits) connections() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.open
}

// guarding is a listener whose connections are guarded.
type guarding struct {
	net.Listener
	timeout time.Duration // for introducing itself
	*limits
	log func(msg string, args ...any)
}

// Waits after an accept that failed, as when the process has no file left.
const (
	leastAcceptWait = 5 * time.Millisecond
	mostAcceptWait  = time.Second
)

// Accept returns the next connection. It fails only once the listener is closed.
func (l guarding) Accept() (net.Conn, error) {
	wait := leastAcceptWait
	for {
		c, err := l.Listener.Accept()
		if errors.Is(err, net.ErrClosed) {
			return nil, err
		}
		if err != nil {
			l.acceptErrors.Add(1)
			l.log("a connection could not be accepted; trying again", "error", err)
			time.Sleep(wait)
			wait = min(2*wait, mostAcceptWait)
			continue
		}
		wait = leastAcceptWait
		g := &guard{Conn: c, limits: l.limits, from: address(c), first: true}
		g.hold = holding{room: l.room, owner: g.from.String(), evict: func() { c.SetDeadline(time.Now()) }}
		// The server replaces the deadline once the client has introduced itself.
		if !l.enter(g.from) {
			l.turnedAway.Add(1)
			c.Close()
			continue
		}
		if err := c.SetDeadline(time.Now().Add(l.timeout)); err != nil {
			g.Close()
			continue
		}
		return g, nil
	}
}

// address returns where a connection comes from; of IPv6 the network, which is
// what one subscriber has.
func address(c net.Conn) netip.Addr {
	at, err := netip.ParseAddrPort(c.RemoteAddr().String())
	if err != nil {
		return netip.Addr{}
	}
	a := at.Addr().Unmap()
	if a.Is6() {
		if p, err := a.WithZone("").Prefix(64); err == nil {
			a = p.Addr()
		}
	}
	return a
}

func (l *limits) enter(from netip.Addr) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.open >= l.most || l.unknown >= maxStrangers || l.strangers[from] >= maxStrangersEach {
		return false
	}
	l.open++
	l.unknown++
	l.strangers[from]++
	return true
}

// leaveStrangers is called once of each connection: when it has shown who it
// is, or when it ends before.
func (l *limits) leaveStrangers(from netip.Addr) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.unknown--
	if l.strangers[from]--; l.strangers[from] == 0 {
		delete(l.strangers, from)
	}
}

func (l *limits) leave() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.open--
}

// A guard follows the boundaries of a client's packets (MQTT 3.1.1 section 2.2).
// One goroutine reads and handles a client's packets in turn, so that when it
// reads on after the end of a packet it is done with it.
type guard struct {
	net.Conn
	*limits
	from  netip.Addr
	first bool // the first packet is yet to come

	in    []byte       // received, and not yet looked at
	pass  int          // bytes of a small packet to be passed on as they come
	ready [][]byte     // a large packet, complete
	hold  holding      // what it takes
	held  atomic.Int64 // of handled

	known  atomic.Bool // it has shown who it is
	closed atomic.Bool
}

// introduced notes that the client is the one with this account, or may be anyone.
func (g *guard) introduced(account string) {
	if account != "" {
		g.hold.owner = "account " + account
	}
	if !g.known.Swap(true) {
		g.leaveStrangers(g.from)
	}
}

func (g *guard) Read(b []byte) (n int, err error) {
	for {
		switch {
		case len(g.ready) > 0:
			n := copy(b, g.ready[0])
			if g.ready[0] = g.ready[0][n:]; len(g.ready[0]) == 0 {
				g.ready[0] = nil // the server has it now
				g.ready = g.ready[1:]
			}
			return n, nil
		case g.pass > 0 && len(g.in) > 0:
			n := copy(b, g.in[:min(len(g.in), g.pass)])
			g.in, g.pass = g.in[n:], g.pass-n
			return n, nil
		case g.pass > 0:
			n, err := g.Conn.Read(b[:min(len(b), g.pass)])
			g.pass -= n
			return n, err
		}
		g.done()
		if err := g.next(); err != nil {
			return 0, err
		}
	}
}

// next reads up to the header of the next packet, and a large packet to its end.
func (g *guard) next() error {
	size, length, err := header(g.in)
	switch {
	case err != nil:
		return g.refuse(err)
	case length == 0:
		return g.fill()
	case g.first && size > maxConnect:
		return g.refuse(fmt.Errorf("%d bytes in the first packet, at most %d are taken", size, maxConnect))
	case g.first || size <= smallPacket:
		g.first, g.pass = false, length+size
		return nil
	}
	return g.gather(length + size)
}

func (g *guard) refuse(err error) error {
	g.Close()
	return err
}

// fill reads some bytes.
func (g *guard) fill() error {
	const some = 2 << 10
	if cap(g.in)-len(g.in) < some {
		g.in = append(make([]byte, 0, 2*some), g.in...)
	}
	n, err := g.Conn.Read(g.in[len(g.in) : len(g.in)+some])
	g.in = g.in[:len(g.in)+n]
	if n > 0 {
		return nil // an error comes again
	}
	return err
}

// header returns the size of what follows a packet's header, and the header's
// length, 0 where not all of it is there.
func header(b []byte) (size, length int, err error) {
	for i := 1; i < len(b); i++ {
		if i == 5 {
			return 0, 0, errors.New("a packet's length has more than four bytes")
		}
		size |= int(b[i]&0x7f) << (7 * (i - 1))
		if b[i]&0x80 == 0 {
			return size, i + 1, nil
		}
	}
	return 0, 0, nil
}

// gather reads all of a large packet, taking memory as it comes.
func (g *guard) gather(total int) error {
	var chunks [][]byte
	for left := total; left > 0; {
		n := min(left, chunk)
		if err := g.hold.take(n, roomTimeout); err != nil {
			return g.refuse(fmt.Errorf("%w of %d bytes", err, total))
		}
		c := make([]byte, n)
		have := copy(c, g.in)
		g.in = g.in[have:]
		if err := g.SetReadDeadline(time.Now().Add(chunkTimeout)); err != nil {
			return err
		}
		for have < n {
			more, err := g.Conn.Read(c[have:])
			if have += more; err != nil && have < n {
				return g.refuse(fmt.Errorf("after %d bytes of a packet of %d: %w", total-left+have, total, err))
			}
		}
		chunks = append(chunks, c)
		left -= n
	}
	ctx, cancel := context.WithTimeout(context.Background(), roomTimeout)
	defer cancel()
	need := min(2*int64(total), handled) // the server copies it once
	if err := g.limits.handled.Acquire(ctx, need); err != nil {
		return g.refuse(fmt.Errorf("%w of %d bytes", errNoRoom, total))
	}
	g.held.Store(need)
	g.ready = chunks
	return nil
}

// done gives back what the last packet took.
func (g *guard) done() {
	if n := g.held.Swap(0); n > 0 {
		g.limits.handled.Release(n)
		g.hold.release()
	}
}

// alive reports whether the client is still there. It is for the goroutine that
// reads.
func (g *guard) alive() bool {
	if len(g.in) >= smallPacket {
		return true
	}
	if err := g.SetReadDeadline(time.Now().Add(time.Millisecond)); err != nil {
		return false
	}
	err := g.fill()
	var timeout net.Error
	return (err == nil || errors.As(err, &timeout) && timeout.Timeout()) && g.SetDeadline(time.Now().Add(connectTimeout)) == nil
}

// Close ends the connection. What a complete packet takes is not given back yet:
// it is still there while it is handled. See end.
func (g *guard) Close() error {
	if g.closed.Swap(true) {
		return g.Conn.Close()
	}
	if !g.known.Swap(true) {
		g.leaveStrangers(g.from)
	}
	g.leave()
	if g.held.Load() == 0 {
		g.hold.release()
	}
	return g.Conn.Close()
}

// end is called by the goroutine that reads, which has left its last packet.
func (g *guard) end() {
	g.ready = nil
	g.done()
	g.hold.release()
}
