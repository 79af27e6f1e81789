package mqttsource_test

import (
	"fmt"
	"maps"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"greywatt"
)

// A fleet of nodes publishes numbered readings.
type fleet struct {
	all      map[greywatt.Reading]bool
	nodes    [][]parcel
	readings [][][]greywatt.Reading // of each parcel of each node

	wg    sync.WaitGroup // of the publishing nodes
	mu    sync.Mutex
	acked map[greywatt.Reading]bool
}

func newFleet(dwelling string, nodes, packs, perPack int) *fleet {
	f := &fleet{
		all: make(map[greywatt.Reading]bool), acked: make(map[greywatt.Reading]bool),
		nodes: make([][]parcel, nodes), readings: make([][][]greywatt.Reading, nodes),
	}
	for i := range nodes {
		for seq := range packs {
			p, rs := pack(dwelling, fmt.Sprintf("n%d", i), seq, perPack)
			f.nodes[i], f.readings[i] = append(f.nodes[i], p), append(f.readings[i], rs)
			for _, r := range rs {
				f.all[r] = true
			}
		}
	}
	return f
}

// publish starts the nodes; each sends again what was not acknowledged when its
// connection is lost.
func (f *fleet) publish(t testing.TB, url string, window int) {
	for i, parcels := range f.nodes {
		f.wg.Go(func() {
			err := deliver(url, fmt.Sprintf("node-%d", i), window, parcels, time.Now().Add(2*time.Minute), func(k int) {
				f.mu.Lock()
				defer f.mu.Unlock()
				for _, r := range f.readings[i][k] {
					f.acked[r] = true
				}
			})
			if err != nil {
				t.Error(err)
			}
		})
	}
}

// acknowledged returns the readings acknowledged so far.
func (f *fleet) acknowledged() map[greywatt.Reading]bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return maps.Clone(f.acked)
}

// A proxy is a network between a logger and its broker that can fail.
type proxy struct {
	url string
	to  string

	mu     sync.Mutex
	conns  []net.Conn
	frozen chan struct{} // closed while bytes flow
}

func newProxy(t testing.TB, url string) *proxy {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &proxy{url: "tcp://" + l.Addr().String(), to: strings.TrimPrefix(url, "tcp://"), frozen: make(chan struct{})}
	close(p.frozen)
	var wg sync.WaitGroup
	wg.Go(func() {
		for {
			from, err := l.Accept()
			if err != nil {
				return
			}
			to, err := net.Dial("tcp", p.to)
			if err != nil {
				from.Close()
				continue
			}
			p.mu.Lock()
			p.conns = append(p.conns, from, to)
			p.mu.Unlock()
			wg.Go(func() { p.copy(to, from) })
			wg.Go(func() { p.copy(from, to) })
		}
	})
	t.Cleanup(func() {
		l.Close()
		p.thaw()
		p.cut()
		wg.Wait()
	})
	return p
}

func (p *proxy) copy(to, from net.Conn) {
	defer to.Close()
	defer from.Close()
	buf := make([]byte, 32<<10)
	for {
		n, err := from.Read(buf)
		p.mu.Lock()
		frozen := p.frozen
		p.mu.Unlock()
		<-frozen
		if n > 0 {
			if _, err := to.Write(buf[:n]); err != nil {
				return
			}
		}
		if err != nil {
			return
		}
	}
}

// cut breaks all connections.
func (p *proxy) cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, c := range p.conns {
		c.Close()
	}
	p.conns = nil
}

// freeze stops the bytes, on old and new connections, and breaks none.
func (p *proxy) freeze() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.frozen = make(chan struct{})
}

func (p *proxy) thaw() {
	p.mu.Lock()
	defer p.mu.Unlock()
	select {
	case <-p.frozen:
	default:
		close(p.frozen)
	}
}
