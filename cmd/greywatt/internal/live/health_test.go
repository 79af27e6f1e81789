package live

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"greywatt/ingest/mqttsource"
)

// Whatever crowds the page, and the health's own address too, health is answered
// there; and nothing else is.
func TestHealthOfItsOwn(t *testing.T) {
	var failing atomic.Bool
	h := Health{Ingest: func() (s mqttsource.Status) {
		if failing.Load() {
			s.FailingSince = time.Now()
		}
		return s
	}}
	p := New(Config{Study: twoDwellings(), Log: openStore(t), Rejected: openStore(t), Ingest: h.Ingest})
	ctx, cancel := context.WithCancel(t.Context())
	listening := func(serve func(net.Listener) error) string {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		served := make(chan error, 1)
		go func() { served <- serve(l) }()
		t.Cleanup(func() {
			cancel()
			if err := <-served; err != nil {
				t.Error(err)
			}
		})
		return l.Addr().String()
	}
	page := listening(func(l net.Listener) error { return p.Serve(ctx, l, nil) })
	own := listening(func(l net.Listener) error { return h.Serve(ctx, l, slog.New(slog.DiscardHandler)) })
	for addr, n := range map[string]int{page: mostConnections + 50, own: mostAskers + 20} {
		for range n {
			c, err := net.Dial("tcp", addr)
			if err != nil {
				t.Fatal(err)
			}
			defer c.Close()
			fmt.Fprint(c, "GET /hea") // and no more
		}
	}
	client := http.Client{Timeout: askTimeout, Transport: &http.Transport{DisableKeepAlives: true}}
	get := func(path string) (int, string) {
		t.Helper()
		r, err := client.Get("http://" + own + path)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Body.Close()
		text, err := io.ReadAll(r.Body)
		if err != nil {
			t.Fatal(err)
		}
		return r.StatusCode, string(text)
	}
	for range 100 {
		if code, text := get("/healthz"); code != http.StatusOK || text != "ok\n" {
			t.Fatalf("%d %q", code, text)
		}
	}
	if code, _ := get("/"); code != http.StatusNotFound {
		t.Errorf("another page is answered with %d", code)
	}
	failing.Store(true)
	if code, text := get("/healthz"); code != http.StatusServiceUnavailable || !strings.Contains(text, "not stored since") {
		t.Errorf("while nothing is stored: %d %q", code, text)
	}
}

// An address that is closed under it is an error.
func TestHealthAddressIsLost(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l.Close()
	if err := (Health{}).Serve(t.Context(), l, slog.New(slog.DiscardHandler)); !errors.Is(err, net.ErrClosed) {
		t.Errorf("%v", err)
	}
}
