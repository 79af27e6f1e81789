package main

import (
	"net"
	"net/http"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// A service manager hears from the program, and a monitor gets its answer at an
// address of its own.
func TestRunIsSupervised(t *testing.T) {
	path := filepath.Join(t.TempDir(), "notify")
	c, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	t.Setenv("NOTIFY_SOCKET", path)
	t.Setenv("WATCHDOG_USEC", "600000")
	p := startProgram(t, "run", "--study", "testdata/files/study.toml", "--data", t.TempDir(), "--listen", "127.0.0.1:0", "--http", "", "--health", "127.0.0.1:0")
	url, _ := p.hear(t, `msg=health url=(\S+)`, 0)
	next := func() string {
		t.Helper()
		b := make([]byte, 4096)
		c.SetReadDeadline(time.Now().Add(time.Minute))
		n, err := c.Read(b)
		if err != nil {
			t.Fatal(err)
		}
		return string(b[:n])
	}
	if m := next(); !strings.HasPrefix(m, "READY=1\nWATCHDOG=1\nSTATUS=0 dwellings heard; 0 readings since ") {
		t.Errorf("first it says %q", m)
	}
	if m := next(); !strings.Contains(m, "WATCHDOG=1") || strings.Contains(m, "READY=1") {
		t.Errorf("then it says %q", m)
	}
	r, err := http.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	r.Body.Close()
	if r.StatusCode != http.StatusOK {
		t.Errorf("%s: %s", url, r.Status)
	}
	p.stop(t)
	for m := ""; m != "STOPPING=1"; {
		m = next()
	}
}
