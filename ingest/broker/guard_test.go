package broker

import (
	"bytes"
	"errors"
	"io"
	"math/rand/v2"
	"net"
	"net/netip"
	"os"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"
)

// frame is an MQTT packet of the given type with n bytes after its header, the
// length encoded as MQTT 3.1.1 section 2.2.3 has it.
func frame(kind byte, n int) []byte {
	b := []byte{kind << 4}
	for rest := n; ; {
		digit := byte(rest % 128)
		if rest /= 128; rest > 0 {
			digit |= 128
		}
		b = append(b, digit)
		if rest == 0 {
			return append(b, bytes.Repeat([]byte{0xff}, n)...) // which look like a length that does not end
		}
	}
}

// guarded returns both ends of a guarded connection.
func guarded(t *testing.T, l *limits) (client net.Conn, server *guard) {
	t.Helper()
	client, c := net.Pipe()
	conn, err := guarding{oneConn{c: c}, time.Second, l, func(string, ...any) {}}.Accept()
	if err != nil {
		t.Fatal(err)
	}
	return client, conn.(*guard)
}

// unused reports whether all that connections share is free again.
func (l *limits) unused() bool {
	return l.room.used == 0 && len(l.room.by) == 0 && len(l.room.holders) == 0 && l.open == 0 && l.unknown == 0 && l.handled.TryAcquire(handled)
}

type oneConn struct {
	net.Listener
	c net.Conn
}

func (l oneConn) Accept() (net.Conn, error) { return l.c, nil }

func TestGuardFollowsPackets(t *testing.T) {
	l := newLimits(true)
	client, server := guarded(t, l)
	var sent []byte
	for i, n := range []int{10, 0, 127, 128, 2, 16_383, 16_384, 100_000, 1 << 20, 0, smallPacket, smallPacket + 1, 5} {
		kind := byte(3)
		if i == 0 {
			kind = 1
		}
		sent = append(sent, frame(kind, n)...)
	}
	go func() {
		defer client.Close()
		for b := sent; len(b) > 0; { // in pieces that heed no boundary
			n := min(len(b), 1+rand.IntN(3000))
			client.Write(b[:n])
			b = b[n:]
		}
	}()
	got, err := io.ReadAll(server)
	if err != nil || !bytes.Equal(got, sent) {
		t.Errorf("read %d bytes, %v; want all %d as they were sent", len(got), err, len(sent))
	}
	server.Close()
	if !l.unused() {
		t.Error("room is still held after the end")
	}
}

func TestGuardRefuses(t *testing.T) {
	tests := []struct {
		name string
		sent []byte
		want string
	}{
		{"large CONNECT", frame(1, 20_000), "first packet"},
		{"endless length", append(frame(1, 10), 0x30, 0xff, 0xff, 0xff, 0xff, 0x7f), "four bytes"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			client, server := guarded(t, newLimits(true))
			go client.Write(tt.sent)
			if _, err := io.ReadAll(server); err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("%v, want a word of %q", err, tt.want)
			}
			if _, err := client.Read(make([]byte, 1)); err == nil {
				t.Error("the connection is still open")
			}
		})
	}
}

func TestSilentConnectionTimesOut(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		client, server := guarded(t, newLimits(true))
		defer client.Close()
		begin := time.Now()
		var timeout net.Error
		if _, err := server.Read(make([]byte, 1)); !errors.As(err, &timeout) || !timeout.Timeout() || time.Since(begin) != time.Second {
			t.Errorf("%v after %v, want a timeout after 1 s", err, time.Since(begin))
		}
		server.Close()
	})
}

// Clients that announce large packets and send nothing more take no memory from
// those who do send, and do not last.
func TestAnnouncedPacketsTakeNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLimits(true)
		hello := frame(1, 10)
		var clients []net.Conn
		ended := make(chan error, 24)
		start := func(account string) (net.Conn, *guard) {
			c, s := guarded(t, l)
			clients = append(clients, c)
			go c.Write(hello)
			if _, err := io.ReadFull(s, make([]byte, len(hello))); err != nil {
				t.Fatal(err)
			}
			s.introduced(account)
			return c, s
		}
		large := frame(3, 4<<20)
		for range cap(ended) {
			c, s := start("hostile")
			go func() {
				_, err := s.Read(make([]byte, 10))
				s.Close()
				ended <- err
			}()
			c.Write(large[:5])
		}
		synctest.Wait()
		if l.room.used > arrivingEach {
			t.Errorf("%d bytes are held for nothing", l.room.used)
		}
		begin := time.Now()
		c, s := start("honest")
		go c.Write(large)
		got := make([]byte, len(large))
		if _, err := io.ReadFull(s, got); err != nil || !bytes.Equal(got, large) || time.Since(begin) > time.Second {
			t.Errorf("the honest packet: %v after %v", err, time.Since(begin))
		}
		s.Close()
		if l.unused() {
			t.Error("a packet that is being handled counts for nothing")
		}
		s.end()
		for range cap(ended) {
			if err := <-ended; err == nil {
				t.Error("a packet that never came was passed on")
			}
		}
		if took := time.Since(begin); took > chunkTimeout {
			t.Errorf("the last of them was ended after %v", took)
		}
		for _, c := range clients {
			c.Close()
		}
		if !l.unused() {
			t.Error("room is still held after the end")
		}
	})
}

// Where the room is full, the account that has most of it gives way.
func TestRoomIsShared(t *testing.T) { synctest.Test(t, testRoomIsShared) }

func testRoomIsShared(t *testing.T) {
	r := newRoom(100, 60)
	evicted := ""
	holder := func(owner string) *holding {
		return &holding{room: r, owner: owner, evict: func() { evicted += owner }}
	}
	a1, a2, b, c := holder("a"), holder("a"), holder("b"), holder("c")
	for i, step := range []struct {
		h       *holding
		n       int
		ok      bool
		evicted string
	}{
		{a1, 30, true, ""}, {a2, 30, true, ""},
		{a2, 1, false, ""}, // its share is used up
		{b, 40, true, ""},  // all is used up
		{c, 20, true, "a"}, // at the cost of the oldest of the one who has most
		{a1, 1, false, "a"},
		{c, 10, true, "a"},  // 30, 40, 30: full again
		{c, 10, false, "a"}, // nobody has more than it would then
	} {
		time.Sleep(time.Millisecond) // of the test's clock: each is younger than those before it
		if err := step.h.take(step.n, time.Millisecond); (err == nil) != step.ok || evicted != step.evicted {
			t.Fatalf("step %d: %v, evicted %q; want ok %t, %q", i, err, evicted, step.ok, step.evicted)
		}
	}
	for _, h := range []*holding{a1, a2, b, c} {
		h.release()
	}
	if r.used != 0 || len(r.by) != 0 || len(r.holders) != 0 {
		t.Errorf("%+v is left", r)
	}
	waiter := holder("a")
	if err := waiter.take(60, time.Millisecond); err != nil {
		t.Fatal(err)
	}
	go func() { time.Sleep(time.Second); waiter.release() }() // of the test's clock: the other waits by then
	if err := holder("a").take(10, 10*time.Second); err != nil {
		t.Errorf("after the account's other packet: %v", err)
	}
}

// A listener that fails for a while, as where the process has no file left, is
// asked again until it is closed.
func TestAcceptGoesOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		client, c := net.Pipe()
		defer client.Close()
		l := guarding{&failing{left: 12, c: c}, time.Second, newLimits(false), func(string, ...any) {}}
		conn, err := l.Accept()
		if err != nil {
			t.Fatalf("after failures that passed: %v", err)
		}
		conn.Close()
		if n := l.acceptErrors.Load(); n != 12 {
			t.Errorf("%d failures counted, want 12", n)
		}
		if _, err := l.Accept(); !errors.Is(err, net.ErrClosed) {
			t.Errorf("of a closed listener: %v", err)
		}
	})
}

type failing struct {
	net.Listener
	left int
	c    net.Conn
}

func (l *failing) Accept() (net.Conn, error) {
	if l.left--; l.left >= 0 {
		return nil, &net.OpError{Op: "accept", Err: os.NewSyscallError("accept4", syscall.EMFILE)}
	}
	if c := l.c; c != nil {
		l.c = nil
		return c, nil
	}
	return nil, net.ErrClosed
}

func TestStrangersAreLimited(t *testing.T) {
	l := newLimits(true)
	from := netip.MustParseAddr("192.0.2.7")
	for i := range maxStrangersEach {
		if !l.enter(from) {
			t.Fatalf("the connection %d of an address is turned away", i+1)
		}
	}
	if l.enter(from) || !l.enter(netip.MustParseAddr("192.0.2.8")) {
		t.Error("one address takes the room of others, or more than its own")
	}
	l.leaveStrangers(from) // it has shown who it is
	if !l.enter(from) {
		t.Error("turned away though another has shown who it is")
	}
}
