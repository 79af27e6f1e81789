package live

import (
	"bufio"
	"context"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"greywatt"
	"greywatt/ingest/store"
	"greywatt/plots/wording"
)

// streamTimeout is how long a test waits for a message; none takes so long.
const streamTimeout = 20 * time.Second

// A follow is a page's stream as a browser follows it.
type follow struct {
	t      testing.TB
	status int
	header http.Header
	lines  chan string
	cancel context.CancelFunc
}

// received is a message as the script sees it.
type received struct {
	Text map[string]string `json:"t"`
	HTML map[string]string `json:"h"`
	Row  map[string]string `json:"r"`
	S    *struct {
		Base, Edge int64
		P          [5][]float64
	} `json:"s"`
}

func followStream(t testing.TB, server *httptest.Server, path string, cookies map[string]string) *follow {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), streamTimeout)
	r, err := http.NewRequestWithContext(ctx, "GET", server.URL+path, nil)
	if err != nil {
		t.Fatal(err)
	}
	for name, value := range cookies {
		r.AddCookie(&http.Cookie{Name: name, Value: value})
	}
	resp, err := server.Client().Do(r)
	if err != nil {
		t.Fatal(err)
	}
	f := &follow{t: t, status: resp.StatusCode, header: resp.Header, lines: make(chan string, 1000), cancel: cancel}
	done := make(chan struct{})
	go func() {
		defer close(done)
		defer close(f.lines)
		defer resp.Body.Close()
		for lines := bufio.NewScanner(resp.Body); lines.Scan(); {
			if data, ok := strings.CutPrefix(lines.Text(), "data: "); ok {
				f.lines <- data
			}
		}
	}()
	t.Cleanup(func() { cancel(); <-done })
	return f
}

// next returns the next message; ok is false at the end of the stream.
func (f *follow) next() (m received, ok bool) {
	f.t.Helper()
	line, ok := <-f.lines
	if !ok {
		return m, false
	}
	if err := json.Unmarshal([]byte(line), &m); err != nil {
		f.t.Fatalf("%v: %s", err, line)
	}
	return m, true
}

// until reads messages until one satisfies want.
func (f *follow) until(what string, want func(m received) bool) received {
	f.t.Helper()
	for {
		m, ok := f.next()
		if !ok {
			f.t.Fatalf("the stream ended without %s", what)
		}
		if want(m) {
			return m
		}
	}
}

// served is a page that runs behind a server.
func served(t testing.TB, cfg Config) (*Page, *httptest.Server, *store.Store) {
	t.Helper()
	log := openStore(t)
	cfg.Log, cfg.Rejected = log, log
	if cfg.Study == nil {
		cfg.Study = twoDwellings()
	}
	p := New(cfg)
	server := httptest.NewServer(p.Handler())
	ctx, cancel := context.WithCancel(context.Background())
	var work sync.WaitGroup
	work.Go(func() { p.Run(ctx) })
	work.Go(func() { watching(p, log).Run(ctx) })
	t.Cleanup(func() {
		cancel()
		work.Wait()
		server.Client().CloseIdleConnections()
		server.Close()
	})
	return p, server, log
}

func oneFrame(node string, at greywatt.Instant, values map[greywatt.Channel]float64) []greywatt.Frame {
	f := greywatt.Frame{Node: node, At: at, Value: greywatt.NoValues()}
	for c, v := range values {
		f.Value[c] = v
	}
	return []greywatt.Frame{f}
}

// What is committed is on the dwelling's stream: its figures, its points and
// the state, and not what was sent before.
func TestDwellingStream(t *testing.T) {
	p, server, log := served(t, Config{})
	f := followStream(t, server, "/dwelling/larch-05/stream?since=0", nil)
	if f.status != 200 || f.header.Get("Content-Type") != "text/event-stream" || f.header.Get("Content-Encoding") != "" {
		t.Fatalf("%d %v", f.status, f.header)
	}
	first, _ := f.next()
	if first.Text["v-waste-in"] != wording.Unknown || !strings.Contains(first.HTML["state"], "No readings yet") {
		t.Errorf("first message %+v", first)
	}
	at := greywatt.InstantOf(time.Now())
	p.Committed(commit(t, log, "larch-05", oneFrame("n1", at, map[greywatt.Channel]float64{greywatt.WasteIn: 36.25, greywatt.Flow: 0.15})), time.Millisecond)
	m := f.until("the reading", func(m received) bool { return m.Text["v-waste-in"] != "" })
	if m.Text["v-waste-in"] != "36.2" || m.Text["v-flow"] != "9.0" || !strings.Contains(m.HTML["state"], "Water runs") {
		t.Errorf("message %+v", m)
	}
	if m.S == nil || len(m.S.P[0]) != 2 || m.S.P[0][1] != 36.25 || m.S.P[4][1] != 9 || len(m.S.P[1]) != 0 {
		t.Fatalf("points %+v", m.S)
	}
	if got := m.S.Base + int64(m.S.P[0][0])*100; got > int64(at)/1000 || got < int64(at)/1000-100 {
		t.Errorf("the point is at %d ms, want %d to a tenth of a second", got, int64(at)/1000)
	}
	p.Committed(commit(t, log, "larch-05", oneFrame("n1", at.Add(1), map[greywatt.Channel]float64{greywatt.WasteOut: 21})), time.Millisecond)
	m = f.until("the second reading", func(m received) bool { return m.Text["v-waste-out"] != "" })
	if _, again := m.Text["v-waste-in"]; again || len(m.S.P[0]) != 0 || len(m.S.P[1]) != 2 {
		t.Errorf("sent again: %+v %+v", m.Text, m.S)
	}
}

var sincePattern = regexp.MustCompile(`data-stream="([^"]*)"`)

// The overview's stream brings rows that have changed since the page was made,
// and those alone.
func TestOverviewStream(t *testing.T) {
	p, server, log := served(t, Config{})
	settle(t, watching(p, log))
	text := visit(t, p).get("/").Body.String()
	path := sincePattern.FindStringSubmatch(text)[1]
	f := followStream(t, server, path, nil)
	p.Committed(commit(t, log, "larch-05", oneFrame("n1", greywatt.InstantOf(time.Now()), map[greywatt.Channel]float64{greywatt.Flow: 0.15})), 0)
	m := f.until("a row", func(m received) bool { return m.Row != nil })
	if !strings.Contains(m.Row["row-larch-05"], "Water runs") || m.Row["row-larch-04"] != "" || !strings.Contains(m.HTML["summary"], "Water runs in 1.") {
		t.Errorf("rows %v, summary %q", m.Row, m.HTML["summary"])
	}
	// A page of another run of the program gets all.
	other := followStream(t, server, "/stream?since=9999999999999", nil)
	if m := other.until("all rows", func(m received) bool { return m.Row != nil }); len(m.Row) != 2 {
		t.Errorf("%d rows, want both", len(m.Row))
	}
}

// More viewers than there is room for are told so, and one who leaves makes room.
func TestViewersAreBounded(t *testing.T) {
	p, server, _ := served(t, Config{Viewers: 2})
	a := followStream(t, server, "/stream", nil)
	b := followStream(t, server, "/dwelling/larch-04/stream", nil)
	if a.status != 200 || b.status != 200 {
		t.Fatal(a.status, b.status)
	}
	c := followStream(t, server, "/stream", nil)
	if c.status != http.StatusServiceUnavailable || c.header.Get("Retry-After") == "" {
		t.Errorf("a third viewer: %d", c.status)
	}
	resp, err := server.Client().Head(server.URL + "/stream")
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	if resp.StatusCode != http.StatusServiceUnavailable {
		t.Errorf("the question why: %d", resp.StatusCode)
	}
	b.cancel()
	for range b.lines {
	}
	deadline := time.Now().Add(streamTimeout)
	for len(p.viewerSlots) > 1 {
		if time.Now().After(deadline) {
			t.Fatal("the room of a viewer who left is not given back")
		}
		<-time.After(time.Millisecond)
	}
	if d := followStream(t, server, "/stream", nil); d.status != 200 {
		t.Errorf("after one left: %d", d.status)
	}
	p.byID["larch-04"].mu.Lock()
	defer p.byID["larch-04"].mu.Unlock()
	if n := len(p.byID["larch-04"].watchers); n != 0 {
		t.Errorf("%d watchers left behind", n)
	}
}

func TestStreamOfNothing(t *testing.T) {
	_, server, _ := served(t, Config{})
	if f := followStream(t, server, "/dwelling/none/stream", nil); f.status != http.StatusNotFound {
		t.Errorf("%d", f.status)
	}
}

// The end of the program ends the streams, so that it need not wait for them.
func TestStreamEndsWithThePage(t *testing.T) {
	p, server, _ := served(t, Config{})
	f := followStream(t, server, "/stream", nil)
	p.stop()
	for {
		if _, ok := f.next(); !ok {
			return
		}
	}
}

// Serve answers, and at the end of its context comes to an end itself although
// someone follows a stream.
func TestServe(t *testing.T) {
	log := openStore(t)
	p := New(Config{Study: twoDwellings(), Log: log, Rejected: log})
	l, err := Listen("127.0.0.1:0", false)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- p.Serve(ctx, l, nil) }()
	client := &http.Client{Transport: &http.Transport{}}
	resp, err := client.Get("http://" + l.Addr().String() + "/stream")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
	client.CloseIdleConnections()
}
