package broker

import (
	"bytes"
	"errors"
	"io"
	"math/rand/v2"
	"net"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"golang.org/x/sync/semaphore"
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
func guarded(t *testing.T, room *semaphore.Weighted) (client, server net.Conn) {
	t.Helper()
	client, c := net.Pipe()
	server, err := guarding{oneConn{c: c}, time.Second, room}.Accept()
	if err != nil {
		t.Fatal(err)
	}
	return client, server
}

type oneConn struct {
	net.Listener
	c net.Conn
}

func (l oneConn) Accept() (net.Conn, error) { return l.c, nil }

func TestGuardFollowsPackets(t *testing.T) {
	room := semaphore.NewWeighted(largePackets)
	client, server := guarded(t, room)
	var sent []byte
	for i, n := range []int{10, 0, 127, 128, 2, 16_383, 16_384, 100_000, 1 << 20, 0, 5} {
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
	if !room.TryAcquire(largePackets) {
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
			client, server := guarded(t, semaphore.NewWeighted(largePackets))
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
		client, server := guarded(t, semaphore.NewWeighted(largePackets))
		defer client.Close()
		begin := time.Now()
		var timeout net.Error
		if _, err := server.Read(make([]byte, 1)); !errors.As(err, &timeout) || !timeout.Timeout() || time.Since(begin) != time.Second {
			t.Errorf("%v after %v, want a timeout after 1 s", err, time.Since(begin))
		}
		server.Close()
	})
}

// Large packets wait for each other and small ones do not; a connection that is
// closed gives its room back.
func TestLargePacketsShareTheRoom(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		room := semaphore.NewWeighted(largePackets)
		hello := frame(1, 10)
		var clients, servers []net.Conn
		begun := make(chan int, 3)
		for i := range 3 {
			c, s := guarded(t, room)
			clients, servers = append(clients, c), append(servers, s)
			go func() {
				io.ReadFull(s, make([]byte, len(hello)))
				if _, err := s.Read(make([]byte, 10)); err == nil {
					begun <- i
				}
			}()
			c.Write(hello)
		}
		large := frame(3, largePackets/3)
		go clients[0].Write(large[:10])
		synctest.Wait()
		go clients[1].Write(large[:10])
		go clients[2].Write(frame(3, 100))
		synctest.Wait()
		if a, b := <-begun, <-begun; a != 0 || b != 2 || len(begun) != 0 {
			t.Errorf("begun: %d, %d and %d more; want the first large packet and the small one", a, b, len(begun))
		}
		servers[0].Close()
		synctest.Wait()
		if len(begun) != 1 || <-begun != 1 {
			t.Error("the second large packet does not begin when the first's connection is closed")
		}
		for i := range clients {
			clients[i].Close()
			servers[i].Close()
		}
		if !room.TryAcquire(largePackets) {
			t.Error("room is still held after the end")
		}
	})
}
