package main

import (
	"bufio"
	"bytes"
	"context"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/live"
	"greywatt/cmd/greywatt/internal/logger"
)

var pageURL = regexp.MustCompile(`msg=page url=(\S+)`)

// startPage starts greywatt run with a page and returns where that is. At its end
// the program must have stopped as one that was interrupted.
func startPage(t *testing.T, env map[string]string, args ...string) (url string) {
	t.Helper()
	dir := t.TempDir()
	args = append([]string{"run", "--study", filepath.Join("testdata", "files", "study.toml"), "--data", filepath.Join(dir, "data"), "--listen", "127.0.0.1:0"}, args...)
	said, write := io.Pipe()
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan int, 1)
	go func() {
		code := run(ctx, args, &cli.Console{In: strings.NewReader(""), Out: io.Discard, Err: write, Getenv: func(name string) string { return env[name] }, Name: "greywatt"})
		write.Close()
		done <- code
	}()
	lines := bufio.NewScanner(said)
	var all []string
	for url == "" && lines.Scan() {
		all = append(all, lines.Text())
		if m := pageURL.FindStringSubmatch(lines.Text()); m != nil {
			url = m[1]
		}
	}
	drained := make(chan struct{})
	go func() { defer close(drained); io.Copy(io.Discard, said) }()
	t.Cleanup(func() {
		stop()
		if code := <-done; code != cli.ExitInterrupted {
			t.Errorf("exit code %d, want %d", code, cli.ExitInterrupted)
		}
		<-drained
	})
	if url == "" {
		t.Fatalf("no page: %s", strings.Join(all, "\n"))
	}
	return url
}

func fetch(t *testing.T, url, bearer string) (status int, body string) {
	t.Helper()
	r, err := http.NewRequest("GET", url, nil)
	if err != nil {
		t.Fatal(err)
	}
	if bearer != "" {
		r.Header.Set("Authorization", "Bearer "+bearer)
	}
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	resp, err := client.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, string(text)
}

func TestRunServesThePage(t *testing.T) {
	url := startPage(t, nil, "--http", "127.0.0.1:0")
	for path, want := range map[string]string{"/": "Nothing has come in yet", "/healthz": "ok", "/metrics": "greywatt_broker_connected 1", "/rejected": "No record was rejected"} {
		if status, body := fetch(t, url+path, ""); status != http.StatusOK || !strings.Contains(body, want) {
			t.Errorf("%s: %d, without %q", path, status, want)
		}
	}
}

// A mirror that cannot be reached is said on the page, in /healthz and in
// /metrics, and logging is healthy.
func TestPageShowsTheMirror(t *testing.T) {
	study, files := street(t, "1")
	data := filepath.Join(t.TempDir(), "data")
	invoke(t, cli.ExitDone, "import", "--study", study, "--data", data, files[0])
	const nobody = "influx+http://127.0.0.1:1/study"
	url := startPage(t, nil, "--http", "127.0.0.1:0", "--study", study, "--data", data, "--mirror", nobody)
	awaitPage(t, url+"/metrics", "greywatt_mirror_failing 1")
	awaitPage(t, url, "The mirror is not written since")
	if status, body := fetch(t, url+"/healthz", ""); status != http.StatusOK || !strings.Contains(body, "the mirror is not written since") {
		t.Errorf("health %d %q", status, body)
	}
}

// The password may come from the environment or from a file, and not from a flag.
func TestRunWithAPassword(t *testing.T) {
	const password = "correct horse battery"
	file := filepath.Join(t.TempDir(), "password")
	if err := os.WriteFile(file, []byte(password+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for name, start := range map[string]func(t *testing.T) string{
		"environment": func(t *testing.T) string {
			return startPage(t, map[string]string{logger.PagePasswordVariable: password}, "--http", "127.0.0.1:0")
		},
		"file": func(t *testing.T) string {
			return startPage(t, nil, "--http", "127.0.0.1:0", "--http-password-file", file)
		},
	} {
		t.Run(name, func(t *testing.T) {
			url := start(t)
			if _, body := fetch(t, url+"/", ""); !strings.Contains(body, "Sign in") {
				t.Error("nobody asks for the password")
			}
			if status, _ := fetch(t, url+"/metrics", "wrong wrong wrong"); status != http.StatusUnauthorized {
				t.Errorf("metrics with a wrong password: %d", status)
			}
			if status, _ := fetch(t, url+"/metrics", password); status != http.StatusOK {
				t.Errorf("metrics with the password: %d", status)
			}
		})
	}
}

// Beyond loopback there is no page without a password, and a weak one is
// refused; neither starts the logger.
func TestPageIsNotOpenToAll(t *testing.T) {
	empty := filepath.Join(t.TempDir(), "empty")
	if err := os.WriteFile(empty, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		name string
		env  map[string]string
		args []string
		code int
	}{
		{"open", nil, []string{"--http", "0.0.0.0:0"}, cli.ExitFailure},
		{"weak", map[string]string{logger.PagePasswordVariable: "hunter2"}, []string{"--http", "127.0.0.1:0"}, cli.ExitUsage},
		{"empty file", nil, []string{"--http", "127.0.0.1:0", "--http-password-file", empty}, cli.ExitUsage},
		{"no file", nil, []string{"--http", "127.0.0.1:0", "--http-password-file", empty + "x"}, cli.ExitFailure},
		{"no port", nil, []string{"--http", "localhost"}, cli.ExitFailure},
	} {
		var said strings.Builder
		args := append([]string{"run", "--study", filepath.Join("testdata", "files", "study.toml"), "--data", t.TempDir(), "--listen", "127.0.0.1:0"}, test.args...)
		code := run(t.Context(), args, &cli.Console{In: strings.NewReader(""), Out: io.Discard, Err: &said, Getenv: func(name string) string { return test.env[name] }, Name: "greywatt"})
		if code != test.code || strings.Contains(said.String(), "hunter2") || strings.Contains(said.String(), "msg=listening") {
			t.Errorf("%s: exit code %d, want %d: %s", test.name, code, test.code, said.String())
		}
	}
}

// A logger whose page's usual address is taken logs all the same; one that was
// told the address does not start.
func TestPageAddressTaken(t *testing.T) {
	taken, err := net.Listen("tcp", live.DefaultAddr)
	if err == nil {
		defer taken.Close()
	}
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	args := []string{"run", "--study", filepath.Join("testdata", "files", "study.toml"), "--data", t.TempDir(), "--listen", "127.0.0.1:0"}
	log, write := io.Pipe()
	done := make(chan int, 1)
	go func() {
		done <- run(ctx, args, &cli.Console{In: strings.NewReader(""), Out: io.Discard, Err: write, Getenv: func(string) string { return "" }, Name: "greywatt"})
		write.Close()
	}()
	warned, listens := false, false
	for lines := bufio.NewScanner(log); lines.Scan(); {
		warned = warned || strings.Contains(lines.Text(), "logging without a page")
		if strings.Contains(lines.Text(), "msg=listening") {
			listens = true
			stop()
		}
	}
	if code := <-done; code != cli.ExitInterrupted || !warned || !listens {
		t.Errorf("exit code %d, warned %v, listens %v", code, warned, listens)
	}
	other, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	var said strings.Builder
	code := run(t.Context(), append(args, "--http", other.Addr().String()), &cli.Console{In: strings.NewReader(""), Out: io.Discard, Err: &said, Getenv: func(string) string { return "" }, Name: "greywatt"})
	if code != cli.ExitFailure || !strings.Contains(said.String(), "address already in use") {
		t.Errorf("exit code %d: %s", code, said.String())
	}
}

// The demo goes on where its page was asked for, and then an interrupt is its
// ordinary end.
func TestDemoGoesOn(t *testing.T) {
	said, write := io.Pipe()
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	done := make(chan int, 1)
	go func() {
		args := []string{"demo", "--days", "1", "--dir", filepath.Join(t.TempDir(), "demo"), "--http", "127.0.0.1:0"}
		done <- run(ctx, args, &cli.Console{In: strings.NewReader(""), Out: write, Err: io.Discard, Getenv: func(string) string { return "" }, Name: "greywatt"})
		write.Close()
	}()
	address := regexp.MustCompile(`Its page: (\S+)`)
	for lines := bufio.NewScanner(said); lines.Scan(); {
		if m := address.FindStringSubmatch(lines.Text()); m != nil {
			if status, body := fetch(t, m[1]+"/dwelling/hazel-02", ""); status != http.StatusOK || !strings.Contains(body, "hazel-02") {
				t.Errorf("the demo's page: %d", status)
			}
			stop()
		}
	}
	if code := <-done; code != cli.ExitDone {
		t.Errorf("exit code %d, want %d", code, cli.ExitDone)
	}
}

// The demo looks at its page's address before it works for half a minute.
func TestDemoChecksItsAddressFirst(t *testing.T) {
	other, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	dir := filepath.Join(t.TempDir(), "street")
	var out, said bytes.Buffer
	code := run(t.Context(), []string{"demo", "--days", "2", "--dir", dir, "--http", other.Addr().String()},
		&cli.Console{In: strings.NewReader(""), Out: &out, Err: &said, Getenv: func(string) string { return "" }, Name: "greywatt"})
	if code != cli.ExitFailure || !strings.Contains(said.String(), "--http") {
		t.Errorf("exit code %d, %s", code, said.String())
	}
	if _, err := os.Stat(dir); err == nil || out.Len() > 0 {
		t.Errorf("it has worked before it looked: %s", out.String())
	}
}
