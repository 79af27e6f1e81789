package main

import (
	"bytes"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/ingest/broker"
)

// users runs the users command with a password on its input.
func users(t *testing.T, wantCode int, file, password string, args ...string) string {
	t.Helper()
	var said bytes.Buffer
	code := run(t.Context(), append(append([]string{"users"}, args...), "--users", file), &cli.Console{
		In: strings.NewReader(password), Out: &said, Err: &said, Getenv: func(string) string { return "" }, Name: "greywatt",
	})
	if code != wantCode {
		t.Fatalf("users %s: exit code %d, want %d\n%s", strings.Join(args, " "), code, wantCode, said.String())
	}
	return said.String()
}

func TestUsers(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "users.txt")
	if said := users(t, cli.ExitDone, file, "", "list"); !strings.Contains(said, "no users") {
		t.Error(said)
	}
	const secret = "correct horse"
	said := users(t, cli.ExitDone, file, secret+"\n", "add", "larch-04", "--node", "larch-04/n1")
	for _, want := range []string{"larch-04/n1", "greywatt/larch-04/n1/senml", "greywatt/larch-04/n1/presence"} {
		if !strings.Contains(said, want) {
			t.Errorf("what the node needs lacks %s:\n%s", want, said)
		}
	}
	passwordFile := filepath.Join(dir, "password")
	if err := os.WriteFile(passwordFile, []byte("battery staple\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	users(t, cli.ExitDone, file, "", "add", "office", "--watch", "--password-file", passwordFile)

	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(string(text)+said, "horse") {
		t.Error("the password is in the file or on the screen")
	}
	if _, err := broker.ReadUsers(bytes.NewReader(text)); err != nil {
		t.Errorf("run cannot read the file: %v", err)
	}
	if info, err := os.Stat(file); err != nil || runtime.GOOS != "windows" && info.Mode().Perm() != 0o600 {
		t.Errorf("mode %v, %v, want 0600", info.Mode(), err)
	}

	listed := users(t, cli.ExitDone, file, "", "list")
	if !strings.Contains(listed, "publish as larch-04/n1") || !strings.Contains(listed, "read all topics") {
		t.Error(listed)
	}

	for _, wrong := range [][]string{
		{"add", "larch-04", "--node", "larch-04/n1"}, // there already
		{"add", "new"},
		{"add", "new", "--node", "larch-04"},
		{"add", "new", "--node", "larch-04/n1", "--watch"},
		{"add", "a:b", "--watch"},
		{"add"},
		{"remove", "nobody"},
		{"lst"},
	} {
		users(t, cli.ExitUsage, file, secret, wrong...)
	}
	users(t, cli.ExitUsage, file, "", "add", "new", "--watch")                      // no password
	users(t, cli.ExitUsage, file, strings.Repeat("x", 73), "add", "new", "--watch") // more than bcrypt takes
	if after, err := os.ReadFile(file); err != nil || !bytes.Equal(after, text) {
		t.Errorf("a mistake has changed the file: %v", err)
	}

	users(t, cli.ExitDone, file, "another\n", "add", "larch-04", "--node", "larch-04/n2", "--replace")
	users(t, cli.ExitDone, file, "", "remove", "office")
	if listed := users(t, cli.ExitDone, file, "", "list"); strings.Contains(listed, "office") || !strings.Contains(listed, "larch-04/n2") {
		t.Error(listed)
	}
}
