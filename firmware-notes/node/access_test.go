package main

import (
	"crypto/tls"
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"greywatt/ingest/broker"
	"greywatt/ingest/tlsfiles/tlstest"
)

// A broker with TLS that asks for the node's certificate and password: only the
// right ones get in, and what is wrong is said.
func TestAccess(t *testing.T) {
	dir := t.TempDir()
	file := func(name string) string { return filepath.Join(dir, name) }
	ours := tlstest.New(t, file("ca.pem"))
	tlstest.New(t, file("other.pem"))
	ours.Issue(t, file("broker"))
	ours.Issue(t, file("node"))
	for name, text := range map[string]string{"right": "secret\n", "wrong": "guess\n"} {
		if err := os.WriteFile(file(name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	server, err := tlsFiles(file("ca.pem"), file("broker.crt"), file("broker.key"))
	if err != nil {
		t.Fatal(err)
	}
	server.ClientCAs, server.ClientAuth = server.RootCAs, tls.RequireAndVerifyClientCert
	hash, err := broker.HashPassword("secret")
	if err != nil {
		t.Fatal(err)
	}
	users, err := broker.ReadUsers(strings.NewReader("n1:" + hash + ":larch-04/n1\n"))
	if err != nil {
		t.Fatal(err)
	}
	b, err := broker.Listen(broker.Config{Addr: "127.0.0.1:0", Prefix: "greywatt", Sink: deaf{}, TLS: server, Users: users})
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()

	tests := []struct{ name, user, password, ca, cert, want string }{
		{"right", "n1", "right", "ca.pem", "node", "link up"},
		{"wrong password", "n1", "wrong", "ca.pem", "node", `does not admit user \"n1\"`},
		{"another node's topics", "n1", "right", "ca.pem", "node", `does not admit user \"n1\"`},
		{"no certificate", "n1", "right", "ca.pem", "", "certificate required"},
		{"unknown authority", "n1", "right", "other.pem", "node", "unknown authority"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			args := []string{
				"--dwelling", "larch-04", "--node", "n1", "--broker", b.URL(), "--user", tt.user, "--password-file", file(tt.password),
				"--ca", file(tt.ca), "--buffer", t.TempDir(), "--retry", "20ms",
			}
			if tt.cert != "" {
				args = append(args, "--cert", file(tt.cert+".crt"), "--key", file(tt.cert+".key"))
			}
			o, err := parseOptions(args)
			if err != nil {
				t.Fatal(err)
			}
			cfg, err := o.linkConfig()
			if err != nil {
				t.Fatal(err)
			}
			if tt.name == "another node's topics" {
				cfg.topic = "greywatt/larch-04/n2/"
			}
			log := newWatchedLog()
			send := &sender{
				link: cfg, base: "larch-04/n1/", format: "cbor", buffer: openBuffer(t, 1<<20), log: slog.New(slog.NewTextHandler(log, nil)),
				wake: make(chan struct{}, 1), retryMost: time.Second, ackTimeout: time.Second,
			}
			last := make(chan struct{})
			var wg sync.WaitGroup
			wg.Go(func() { send.run(t.Context(), last) })
			log.await(t, tt.want)
			close(last)
			wg.Wait()
			if strings.Contains(log.String(), "secret") || strings.Contains(log.String(), "guess") {
				t.Errorf("the log quotes the password: %s", log)
			}
		})
	}
}

// deaf takes presences and no readings.
type deaf struct{}

func (deaf) Offer(topic string, _ []byte, safe func()) error {
	if !strings.HasSuffix(topic, "/presence") {
		return errors.New("not for me")
	}
	safe()
	return nil
}

// A watchedLog can be waited for.
type watchedLog struct {
	mu      sync.Mutex
	text    strings.Builder
	changed chan struct{}
}

func newWatchedLog() *watchedLog { return &watchedLog{changed: make(chan struct{})} }

func (l *watchedLog) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	close(l.changed)
	l.changed = make(chan struct{})
	return l.text.Write(b)
}

func (l *watchedLog) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

func (l *watchedLog) await(t *testing.T, want string) {
	t.Helper()
	timeout := time.After(time.Minute)
	for {
		l.mu.Lock()
		ok, changed := strings.Contains(l.text.String(), want), l.changed
		l.mu.Unlock()
		if ok {
			return
		}
		select {
		case <-changed:
		case <-timeout:
			t.Fatalf("after a minute: no %q in the log: %s", want, l)
		}
	}
}
