//go:build unix

package logger

import (
	"context"
	"log/slog"
	"net"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// manager is a service manager's socket, of which sd_notify(3) says what is sent
// there: lines of NAME=VALUE, one datagram each time.
func manager(t *testing.T, watchdog string) (next func() string) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "notify")
	c, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	t.Setenv("NOTIFY_SOCKET", path)
	t.Setenv("WATCHDOG_USEC", watchdog)
	t.Setenv("WATCHDOG_PID", "")
	return func() string {
		t.Helper()
		b := make([]byte, 4096)
		c.SetReadDeadline(time.Now().Add(time.Minute))
		n, err := c.Read(b)
		if err != nil {
			t.Fatal(err)
		}
		return string(b[:n])
	}
}

func has(message, line string) bool {
	for l := range strings.Lines(message) {
		if strings.TrimSpace(l) == line {
			return true
		}
	}
	return false
}

func status(message string) string {
	_, after, _ := strings.Cut(message, "STATUS=")
	return after
}

// supervise runs a logger with its own broker under a service manager.
func supervise(t *testing.T) (l *Logger, stop func()) {
	t.Helper()
	l = New(openStore(t), larch(), "greywatt", slog.New(slog.DiscardHandler), time.Now, false, nil, Options{CommitDelay: time.Millisecond})
	cfg, err := (&ListenFlags{addr: "127.0.0.1:0"}).Config("greywatt")
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Listen(cfg); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- l.Committer.Run(ctx) }()
	supervised := make(chan struct{})
	go func() { l.Supervise(ctx, time.UTC); close(supervised) }()
	return l, func() {
		cancel()
		<-supervised
		<-done
		l.Broker.Close()
	}
}

// The manager is told once that the logger is ready, then how it fares, and that all
// is well as long as nodes can connect: a broker that takes nobody ends that.
func TestWatchdogNeedsTheBroker(t *testing.T) {
	next := manager(t, "300000")
	l, stop := supervise(t)
	first := next()
	if !has(first, "READY=1") || !has(first, "WATCHDOG=1") || !strings.Contains(status(first), "0 dwellings heard; 0 readings since") {
		t.Errorf("the first message is %q", first)
	}
	<-offer(t, l, time.Now().Add(-time.Second))
	for m := ""; !strings.Contains(status(m), "1 dwellings heard; 1 readings since"); {
		if m = next(); has(m, "READY=1") || !has(m, "WATCHDOG=1") {
			t.Fatalf("while all is well: %q", m)
		}
	}
	l.Broker.Close()
	m := next()
	for strings.HasPrefix(status(m), "1 dwellings") { // sent before that
		m = next()
	}
	for range 4 {
		if has(m, "WATCHDOG=1") || !strings.Contains(status(m), "the broker cannot be reached") {
			t.Errorf("with a broker that takes nobody: %q", m)
		}
		m = next()
	}
	stop()
	for !has(m, "STOPPING=1") {
		m = next()
	}
}

// Nor is all well where the store does not commit.
func TestWatchdogNeedsTheStore(t *testing.T) {
	next := manager(t, "300000")
	l, stop := supervise(t)
	defer stop()
	if m := next(); !has(m, "WATCHDOG=1") {
		t.Fatalf("at first: %q", m)
	}
	alter(t, l.Store, "ALTER TABLE note RENAME TO gone")
	m := next()
	for has(m, "WATCHDOG=1") { // sent before that
		m = next()
	}
	for range 3 {
		if has(m, "WATCHDOG=1") || !strings.Contains(status(m), "the store does not commit") {
			t.Errorf("with a store that commits nothing: %q", m)
		}
		m = next()
	}
}

// Whoever is not watched says how it fares and does not speak of a watchdog; whom
// nobody asks says nothing.
func TestWithoutWatchdog(t *testing.T) {
	next := manager(t, "")
	_, stop := supervise(t)
	if m := next(); !has(m, "READY=1") || strings.Contains(m, "WATCHDOG") {
		t.Errorf("unwatched: %q", m)
	}
	stop()
	t.Setenv("NOTIFY_SOCKET", "")
	l, stop := supervise(t)
	l.Supervise(t.Context(), time.UTC) // returns
	stop()
}
