package live

import (
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/netip"
	"strings"
	"testing"
	"time"

	"greywatt"
	"greywatt/cmd/greywatt/internal/watch"
	"greywatt/ingest"
	"greywatt/ingest/mqttsource"
)

// Connections that say nothing, begin a request and do not end it, or rest after
// one, more than the page takes, keep nobody from its health; a page that is being
// sent is sent to its end.
func TestCrowdOfIdleConnections(t *testing.T) {
	p := New(Config{Study: twoDwellings(), Log: openStore(t), Rejected: openStore(t)})
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	served := make(chan error, 1)
	go func() { served <- p.Serve(ctx, l, nil) }()
	defer func() {
		cancel()
		if err := <-served; err != nil {
			t.Error(err)
		}
	}()
	addr := l.Addr().String()
	var idle []net.Conn
	defer func() {
		for _, c := range idle {
			c.Close()
		}
	}()
	for i := range mostConnections + 50 {
		c, err := net.Dial("tcp", addr)
		if err != nil {
			t.Fatal(err)
		}
		idle = append(idle, c)
		if i%2 == 0 { // rests after a request
			fmt.Fprint(c, "GET /healthz HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
			c.SetReadDeadline(time.Now().Add(10 * time.Second))
			if _, err := c.Read(make([]byte, 1024)); err != nil {
				t.Fatalf("connection %d: %v", i, err)
			}
		}
	}
	client := http.Client{Timeout: headerTimeout, Transport: &http.Transport{DisableKeepAlives: true}}
	for range 20 {
		begin := time.Now()
		r, err := client.Get("http://" + addr + "/healthz")
		if err != nil {
			t.Fatalf("after %v: %v", time.Since(begin), err)
		}
		text, err := io.ReadAll(r.Body)
		r.Body.Close()
		if err != nil || !strings.HasPrefix(string(text), "ok") {
			t.Errorf("%q, %v", text, err)
		}
	}
}

// fakeConn has an address and notes its end.
type fakeConn struct {
	net.Conn
	addr   net.TCPAddr
	closed bool
}

func (c *fakeConn) RemoteAddr() net.Addr { return &c.addr }
func (c *fakeConn) Close() error         { c.closed = true; return nil }

// Who has most gives way; what is being answered stays, unless one address has
// more than half of all.
func TestCrowdIsFair(t *testing.T) {
	c := newCrowd(nil, 8, 6)
	enter := func(addr string, busy bool) (*guest, bool) {
		conn := &fakeConn{addr: net.TCPAddr{IP: net.ParseIP(addr), Port: 1}}
		g := &guest{Conn: conn, crowd: c, from: addressOf(conn), since: time.Now()}
		ok := c.enter(g)
		if ok && busy {
			c.note(g, http.StateActive)
		}
		return g, ok
	}
	ended := func(g *guest) bool { return g.Conn.(*fakeConn).closed }
	good, _ := enter("192.0.2.1", false)
	var many []*guest
	for i := range 6 {
		g, ok := enter("192.0.2.9", i > 0)
		if !ok {
			t.Fatal("not let in")
		}
		many = append(many, g)
	}
	if _, ok := enter("192.0.2.9", true); !ok || !ended(many[0]) || ended(good) {
		t.Errorf("the seventh of an address: let in %t, the one at rest ended: %t", ok, ended(many[0]))
	}
	if _, ok := enter("192.0.2.9", true); ok {
		t.Error("an address has more than its share while all are answered")
	}
	second, _ := enter("192.0.2.2", true)
	third, ok := enter("192.0.2.3", false) // full: the only one that rests goes
	if !ok || !ended(good) {
		t.Errorf("let in %t; ended %t", ok, ended(good))
	}
	c.note(third, http.StateActive)
	fourth, ok := enter("192.0.2.4", true)
	if !ok || !ended(many[1]) || ended(second) || ended(third) {
		t.Errorf("one of those who have most gives way: %t %t", ok, ended(many[1]))
	}
	for g := range c.guests {
		if g != fourth {
			g.Close()
		}
	}
	if len(c.guests) != 1 || c.from[netip.MustParseAddr("192.0.2.4")] != 1 || len(c.from) != 1 {
		t.Errorf("%d, %v", len(c.guests), c.from)
	}
}

// Names that somebody made up do not make a page that a phone cannot take.
func TestManyNodesArePaged(t *testing.T) {
	f := newFullPage(t, 1)
	f.d.mu.Lock()
	for i := range 8000 {
		f.d.held.Nodes = append(f.d.held.Nodes, watch.Node{
			NodeSummary: ingest.NodeSummary{Dwelling: f.d.ID, Node: fmt.Sprintf("made-up-%04d", i), Conflicts: 1, Last: greywatt.Instant(i + 1)},
		})
		f.d.clocks = append(f.d.clocks, WrongClock{f.d.ID, fmt.Sprintf("made-up-%04d", i), "is 2 h ahead"})
	}
	f.d.mu.Unlock()
	for _, path := range []string{"/", "/dwelling/" + f.d.ID, "/rejected"} {
		if text := f.page(t, path, 200); len(text) > 200_000 {
			t.Errorf("%s has %d bytes", path, len(text))
		}
	}
	text := f.page(t, "/dwelling/"+f.d.ID, 200)
	has(t, text, "The 50 of", "made-up-7999", "more clocks are wrong")
}

// Packs that nodes have numbered and that have not come are named, and counted in
// the metrics.
func TestMissingPacksAreShown(t *testing.T) {
	f := newFullPage(t, 1)
	p, err := mqttsource.ParsePacks("larch-04", "packs/n1", []byte(`{"runs":[{"run":"b41f","newest":20,"missing":[[3,3],[7,9]]}]}`))
	if err != nil {
		t.Fatal(err)
	}
	f.cfg.Packs = func() []*mqttsource.Packs { return []*mqttsource.Packs{p, {Dwelling: "larch-04", Node: "n2"}} }
	text := f.page(t, "/rejected", 200)
	has(t, text, "larch-04, node n1: 4 packs have not come: 7 to 9 of run b41f, 3 of run b41f")
	if strings.Contains(text, "node n2") {
		t.Error("a node of which all has come is named")
	}
	has(t, f.get("/metrics").Body.String(), "greywatt_packs_missing 4")
}

// What is kept whole is said, and where there is room for no more.
func TestQuarantineIsShown(t *testing.T) {
	f := newFullPage(t, 1)
	f.cfg.Quarantine = f.store.QuarantineCounts
	if err := f.store.AppendQuarantined(t.Context(), []ingest.Quarantined{{Topic: "greywatt/elm/n1/senml", At: 1, Dwelling: "elm", Reason: ingest.UnknownDwelling, Records: 3}}); err != nil {
		t.Fatal(err)
	}
	has(t, f.page(t, "/rejected", 200), "1 message with 3 records that cannot be stored yet is kept whole.", "greywatt readmit --list")
	f.ingest.QuarantineFull = today
	has(t, f.page(t, "/rejected", 200), "There is room for no more")
	if w := f.get("/healthz"); w.Code != 200 || !strings.Contains(w.Body.String(), "the quarantine is full since") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}
