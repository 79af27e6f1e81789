package broker

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"sync/atomic"
	"time"

	"golang.org/x/sync/semaphore"
)

// The server sets memory aside for a packet as soon as its length is announced.
// Without bounds of our own anyone who can connect could announce many large
// packets at once, before showing a password even.
const (
	maxConnect = 16 << 10 // bytes of a CONNECT packet, with its last will
	// smallPacket is taken from anyone at any time; larger ones wait for each
	// other where together they would exceed largePackets.
	smallPacket   = 8 << 10
	largePackets  = 64 << 20         // bytes, of all connections
	packetTimeout = 60 * time.Second // for a large packet to arrive, once begun
)

// guarding is a listener whose connections are guarded.
type guarding struct {
	net.Listener
	timeout time.Duration // for introducing itself
	room    *semaphore.Weighted
}

func (l guarding) Accept() (net.Conn, error) {
	c, err := l.Listener.Accept()
	if err != nil {
		return nil, err
	}
	// The server replaces the deadline once the client has introduced itself.
	if err := c.SetDeadline(time.Now().Add(l.timeout)); err != nil {
		c.Close()
		return nil, err
	}
	return &guard{Conn: c, room: l.room, limit: maxConnect, shift: -1}, nil
}

// A guard follows the boundaries of a client's packets (MQTT 3.1.1 section 2.2)
// and lets no large packet begin before there is room for it. One goroutine
// reads and handles a client's packets in turn, so that when it reads on after
// the end of a packet it is done with it.
type guard struct {
	net.Conn
	room  *semaphore.Weighted
	limit int // bytes of the next packet; 0 after the first: the server checks

	left  int    // bytes of the packet at hand still to come
	size  int    // of the packet whose header is being read
	shift int    // of the next part of size; -1 before a packet's first byte
	later []byte // received and not yet handed on

	held   atomic.Int64 // of room
	closed atomic.Bool
}

func (g *guard) Read(b []byte) (n int, err error) {
	if g.left == 0 {
		g.release()
	}
	if len(g.later) > 0 {
		n = copy(b, g.later)
		g.later = g.later[n:]
	} else {
		n, err = g.Conn.Read(b)
	}
	now, refusal := g.follow(b[:n])
	if refusal != nil {
		g.Close()
		return 0, refusal
	}
	if now < n {
		g.later = append(bytes.Clone(b[now:n]), g.later...)
		return now, nil // an error comes again
	}
	return n, err
}

// follow passes over received bytes, admits the packets that begin there, and
// returns how many bytes may be handed on now: none after the end of a packet
// that holds room, until that is handled.
func (g *guard) follow(b []byte) (now int, err error) {
	for now < len(b) {
		if g.left > 0 {
			n := min(g.left, len(b)-now)
			g.left -= n
			now += n
			if g.left == 0 && g.held.Load() > 0 {
				return now, nil
			}
			continue
		}
		c := b[now]
		now++
		if g.shift < 0 {
			g.shift, g.size = 0, 0
			continue
		}
		g.size |= int(c&0x7f) << g.shift
		g.shift += 7
		switch {
		case c&0x80 == 0:
			if err := g.admit(g.size); err != nil {
				return now, err
			}
			g.left, g.shift = g.size, -1
		case g.shift > 21:
			return now, errors.New("a packet's length has more than four bytes")
		}
	}
	return now, nil
}

func (g *guard) admit(size int) error {
	if g.limit > 0 && size > g.limit {
		return fmt.Errorf("%d bytes in the first packet, at most %d are taken", size, g.limit)
	}
	g.limit = 0
	if size <= smallPacket {
		return nil
	}
	need := min(2*int64(size), largePackets) // the server copies it once
	ctx, cancel := context.WithTimeout(context.Background(), packetTimeout)
	defer cancel()
	if err := g.room.Acquire(ctx, need); err != nil {
		return fmt.Errorf("no room for a packet of %d bytes: %w", size, err)
	}
	g.held.Store(need)
	if g.closed.Load() {
		g.release()
	}
	return g.SetReadDeadline(time.Now().Add(packetTimeout))
}

func (g *guard) release() {
	if n := g.held.Swap(0); n > 0 {
		g.room.Release(n)
	}
}

func (g *guard) Close() error {
	g.closed.Store(true)
	g.release()
	return g.Conn.Close()
}
