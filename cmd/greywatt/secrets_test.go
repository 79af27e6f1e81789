package main

import (
	"bufio"
	"bytes"
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/spf13/pflag"

	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/logger"
	"greywatt/cmd/greywatt/internal/site"
	"greywatt/ingest/broker"
)

// A password or token never is a flag's value, where the process list shows it:
// whatever has to do with one names a file.
func TestNoFlagTakesASecret(t *testing.T) {
	about := regexp.MustCompile(`(?i)password|passphrase|secret|token|\bkey\b|credential`)
	found := 0
	for _, c := range commands() {
		c.Flags().VisitAll(func(f *pflag.Flag) {
			if !about.MatchString(f.Name) && !about.MatchString(f.Usage) {
				return
			}
			found++
			takes, _ := pflag.UnquoteUsage(f)
			if takes != "FILE" && f.Value.Type() != "bool" && f.Name != "http" {
				t.Errorf("%s --%s takes a %s: %s", c.Name, f.Name, takes, f.Usage)
			}
			if f.DefValue != "" && f.Value.Type() != "bool" && f.Name != "http" {
				t.Errorf("%s --%s: default %q", c.Name, f.Name, f.DefValue)
			}
		})
	}
	if found < 8 {
		t.Errorf("%d flags have to do with secrets: the test looks for the wrong words", found)
	}
}

const secret = "Xylophone-4711-quartz"

// said runs the program and returns all that it writes.
func said(t *testing.T, env map[string]string, args ...string) (code int, text string) {
	t.Helper()
	var out bytes.Buffer
	code = run(t.Context(), args, &cli.Console{In: strings.NewReader(""), Out: &out, Err: &out, Getenv: func(name string) string { return env[name] }, Name: "greywatt"})
	return code, out.String()
}

// Secrets in the wrong place are refused without being repeated.
func TestSecretsAreNotRepeated(t *testing.T) {
	dir := t.TempDir()
	users, key := filepath.Join(dir, "users"), filepath.Join(dir, "pseudonyms.key")
	for file, text := range map[string]string{users: "node-1:" + secret + ":larch-04/n1\n", key: secret} {
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	data := filepath.Join(dir, "data")
	invoke(t, cli.ExitRejected, "import", "--study", "testdata/files/study.toml", "--data", data, "testdata/files/packs.senml")
	files := []string{"--study", "testdata/files/study.toml", "--data", data}
	for _, args := range [][]string{
		append([]string{"run", "--broker", "tcp://u:" + secret + "@127.0.0.1:1"}, files...),
		append([]string{"run", "--broker", "tcp://u:" + secret + "@127.0.0.1:1/%zz"}, files...),
		append([]string{"run", "--mirror", "influx+http://u:" + secret + "@127.0.0.1:1/b"}, files...),
		append([]string{"run", "--mirror", "influx+http://127.0.0.1:1/b?token=" + secret}, files...),
		append([]string{"run", "--unmirror", "influx+http://u:" + secret + "@127.0.0.1:1/b"}, files...),
		append([]string{"run", "--users", users, "--http", ""}, files...),
		append([]string{"run", "--password=" + secret}, files...),
		append([]string{"run", "--http-password", secret}, files...),
		append([]string{"export", "--influx-token=" + secret, "--out", dir}, files...),
		append([]string{"export", "--pseudonyms", "--key-file", key, "--out", filepath.Join(dir, "out")}, files...),
		{"dump", "--store", "influx+http://u:" + secret + "@127.0.0.1:1/b"},
		{"dump", "--store", "influx+http://127.0.0.1:1/b?token=" + secret},
		{"dump", "--store", "influx+http://u:" + secret + "@127.0.0.1:1/%zz"},
	} {
		code, text := said(t, nil, args...)
		if code == cli.ExitDone || text == "" {
			t.Errorf("greywatt %s: exit code %d, %q", strings.Join(args, " "), code, text)
		}
		if strings.Contains(text, secret) {
			t.Errorf("greywatt %s repeats the secret: %s", args[0], text)
		}
	}
	env := map[string]string{logger.PasswordVariable: secret, site.InfluxTokenVariable: secret, logger.PagePasswordVariable: secret}
	for _, c := range commands() {
		if _, text := said(t, env, "help", c.Name); strings.Contains(text, secret) {
			t.Errorf("help of %s shows what is in the environment", c.Name)
		}
	}
}

// A logger that is refused by a broker and by the server of its mirror, with
// secrets from files and the environment: they are in none of its lines, and
// nowhere in its data folder.
func TestSecretsAreNotLogged(t *testing.T) {
	refusing := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "application/json")
		w.WriteHeader(http.StatusUnauthorized)
		io.WriteString(w, `{"code":"unauthorized","message":"unauthorized access"}`)
	}))
	defer refusing.Close()
	dir := t.TempDir()
	hash, err := broker.HashPassword("another password")
	if err != nil {
		t.Fatal(err)
	}
	users, password := filepath.Join(dir, "users"), filepath.Join(dir, "password")
	for file, text := range map[string]string{users: "logger:" + hash + ":watch\n", password: secret + "\n"} {
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	url, stop := startRun(t, "--study", "testdata/files/study.toml", "--data", filepath.Join(dir, "broker"), "--users", users)
	data := filepath.Join(dir, "data")
	invoke(t, cli.ExitRejected, "import", "--study", "testdata/files/study.toml", "--data", data, "testdata/files/packs.senml") // to be mirrored
	ctx, interrupt := context.WithTimeout(t.Context(), 2*time.Minute)
	defer interrupt()
	reader, writer := io.Pipe()
	code := make(chan int, 1)
	go func() {
		env := map[string]string{site.InfluxTokenVariable: secret, logger.PagePasswordVariable: secret}
		code <- run(ctx, []string{
			"run", "--study", "testdata/files/study.toml", "--data", data, "--http", "127.0.0.1:0",
			"--broker", url, "--user", "logger", "--password-file", password, "--mirror", "influx+" + refusing.URL + "/study",
		}, &cli.Console{In: strings.NewReader(""), Out: writer, Err: writer, Getenv: func(name string) string { return env[name] }, Name: "greywatt"})
		writer.Close()
	}()
	var log strings.Builder
	wanted := []string{"does not admit user", "token refused"}
	for lines := bufio.NewScanner(reader); lines.Scan(); {
		log.WriteString(lines.Text() + "\n")
		if wanted = slices.DeleteFunc(wanted, func(s string) bool { return strings.Contains(lines.Text(), s) }); len(wanted) == 0 {
			interrupt()
		}
	}
	<-code
	stop()
	if len(wanted) > 0 {
		t.Errorf("the log does not say %q:\n%s", wanted, log.String())
	}
	if strings.Contains(log.String(), secret) {
		t.Errorf("the log has the secret:\n%s", log.String())
	}
	for path, content := range tree(t, data) {
		if bytes.Contains(content, []byte(secret)) {
			t.Errorf("%s has the secret", path)
		}
	}
}
