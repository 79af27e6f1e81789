// Package influxdtest runs InfluxDB 1.8.10 for tests: a process of its own, on
// loopback, with its files in a temporary folder, that a test can kill and start
// again. It builds the server where that has not been done on this machine; see
// testdata/influxd in the repository. Under -short it skips the test.
package influxdtest

import (
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"greywatt/ingest/ingesttest"
)

const version = "1.8.10"

// Bucket is a database that a server has from the beginning.
const Bucket = "study"

// A Server is a running server.
type Server struct {
	URL   string // http://127.0.0.1:PORT
	Token string // of an administrator; empty without authentication
	Dir   string // where its files are

	config string
	log    string
	cmd    *exec.Cmd
}

// Open starts a server to which anyone may write.
func Open(t testing.TB) *Server { return start(t, t.TempDir(), false, "") }

// OpenIn is Open with the server's files in a folder.
func OpenIn(t testing.TB, dir string) *Server { return start(t, dir, false, "") }

// Guarded starts a server that wants a token.
func Guarded(t testing.TB) *Server { return start(t, t.TempDir(), true, "") }

// Secured starts a server that wants a token and speaks TLS, with the certificate
// NAME.crt and its key NAME.key.
func Secured(t testing.TB, name string) *Server { return start(t, t.TempDir(), true, name) }

const config = `
reporting-disabled = true
bind-address = "127.0.0.1:0"
[meta]
dir = "%[1]s/meta"
[data]
dir = "%[1]s/data"
wal-dir = "%[1]s/wal"
[monitor]
store-enabled = false
[http]
bind-address = "%[2]s"
flux-enabled = true
auth-enabled = %[3]v
%[4]s
log-enabled = false
`

func start(t testing.TB, dir string, auth bool, certificate string) *Server {
	t.Helper()
	if testing.Short() {
		t.Skip("left out by -short: runs against an InfluxDB server")
	}
	if _, err := binary(); err != nil {
		t.Fatal(err)
	}
	addr := ingesttest.FreeAddr(t)
	scheme, secure := "http", ""
	if certificate != "" {
		scheme = "https"
		secure = fmt.Sprintf("https-enabled = true\nhttps-certificate = %q\nhttps-private-key = %q", filepath.ToSlash(certificate+".crt"), filepath.ToSlash(certificate+".key"))
	}
	s := &Server{URL: scheme + "://" + addr, Dir: dir, config: filepath.Join(dir, "influxd.conf"), log: filepath.Join(dir, "influxd.log")}
	text := fmt.Sprintf(config, filepath.ToSlash(dir), addr, auth, secure)
	if err := os.WriteFile(s.config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Kill)
	s.Start(t)
	if auth {
		s.Exec(t, "CREATE USER admin WITH PASSWORD 'for-the-test' WITH ALL PRIVILEGES")
		s.Token = "admin:for-the-test"
	}
	s.Exec(t, "CREATE DATABASE "+Bucket)
	return s
}

// Start starts the server, again after [Server.Kill], and returns when it is
// healthy.
func (s *Server) Start(t testing.TB) {
	t.Helper()
	exe, err := binary()
	if err != nil {
		t.Fatal(err)
	}
	log, err := os.OpenFile(s.log, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		t.Fatal(err)
	}
	defer log.Close()
	s.cmd = exec.Command(exe, "-config", s.config)
	s.cmd.Stdout, s.cmd.Stderr = log, log
	if err := s.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	client := s.client(5 * time.Second)
	defer client.CloseIdleConnections()
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for deadline := time.Now().Add(3 * time.Minute); time.Now().Before(deadline); <-tick.C {
		resp, err := client.Get(s.URL + "/health")
		if err != nil {
			continue
		}
		resp.Body.Close()
		if resp.StatusCode == http.StatusOK {
			return
		}
	}
	text, _ := os.ReadFile(s.log)
	t.Fatalf("the InfluxDB server is not healthy after 3 min; its log ends\n%s", text[max(0, len(text)-2000):])
}

// client is the test's own, to which any certificate is good.
func (s *Server) client(timeout time.Duration) *http.Client {
	return &http.Client{Timeout: timeout, Transport: &http.Transport{TLSClientConfig: &tls.Config{InsecureSkipVerify: true}}}
}

// Kill ends the server with SIGKILL.
func (s *Server) Kill() {
	if s.cmd != nil {
		s.cmd.Process.Kill()
		s.cmd.Wait()
		s.cmd = nil
	}
}

// Exec runs an InfluxQL statement.
func (s *Server) Exec(t testing.TB, statement string) {
	t.Helper()
	s.Select(t, Bucket, statement)
}

// A Series is part of the answer to a statement.
type Series struct {
	Name    string
	Tags    map[string]string
	Columns []string // the first is time, in microseconds
	Values  [][]any
}

// Select runs an InfluxQL statement on a database and returns its series.
func (s *Server) Select(t testing.TB, bucket, statement string) []Series {
	t.Helper()
	form := url.Values{"q": {statement}, "db": {bucket}, "epoch": {"u"}}
	req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, s.URL+"/query", strings.NewReader(form.Encode()))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	if s.Token != "" {
		req.Header.Set("Authorization", "Token "+s.Token)
	}
	client := s.client(time.Minute)
	defer client.CloseIdleConnections()
	resp, err := client.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	var answer struct {
		Error   string
		Results []struct {
			Error  string
			Series []Series
		}
	}
	if err := json.Unmarshal(text, &answer); err != nil || answer.Error != "" || len(answer.Results) != 1 || answer.Results[0].Error != "" {
		t.Fatalf("%s: status %d: %s, %v", statement, resp.StatusCode, text, err)
	}
	return answer.Results[0].Series
}

// binary returns the server's executable, which it builds the first time.
var binary = sync.OnceValues(func() (string, error) {
	cache, err := os.UserCacheDir()
	if err != nil {
		return "", err
	}
	dir := filepath.Join(cache, "greywatt-test")
	exe := filepath.Join(dir, "influxd-"+version)
	if _, err := os.Stat(exe); err == nil {
		return exe, nil
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return "", err
	}
	mod, err := exec.Command("go", "env", "GOMOD").Output()
	if err != nil {
		return "", fmt.Errorf("find the repository: %w", err)
	}
	// Another test may be building too: each under a name of its own, and the
	// last to finish leaves its file.
	part, err := os.MkdirTemp(dir, "building-")
	if err != nil {
		return "", err
	}
	defer os.RemoveAll(part)
	build := exec.Command("go", "build", "-ldflags", "-s -w -X main.version="+version,
		"-o", filepath.Join(part, "influxd"), "github.com/influxdata/influxdb/cmd/influxd")
	build.Dir = filepath.Join(filepath.Dir(strings.TrimSpace(string(mod))), "testdata", "influxd")
	build.Env = append(os.Environ(), "CGO_ENABLED=0", "GOFLAGS=", "GOOS=", "GOARCH=")
	if out, err := build.CombinedOutput(); err != nil {
		return "", fmt.Errorf("build InfluxDB %s for-the-tests (go test -short leaves them out): %w\n%s", version, err, out)
	}
	if err := os.Rename(filepath.Join(part, "influxd"), exe); err != nil && !errors.Is(err, os.ErrExist) {
		return "", err
	}
	return exe, nil
})
