//go:build linux

package main

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// What is typed in a shell, a tab for the key, and what greywatt is called with
// in the end.
var typed = []struct{ keys, called string }{
	{"greywatt diag\tla\t", "<diagnose> <larch-04>"},
	{"greywatt events --kind sho\t", "<events> <--kind> <shower>"},
	{"greywatt events --kind=sho\t", "<events> <--kind=shower>"},
	{"greywatt check --stu\tstud\t", "<check> <--study> <study.toml>"},
}

// shellFolder makes a folder with a study file and a greywatt that completes as
// the real one does, and otherwise writes how it was called.
func shellFolder(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	study, err := os.ReadFile("testdata/files/study.toml")
	if err != nil {
		t.Fatal(err)
	}
	self, err := filepath.Abs(os.Args[0])
	if err != nil {
		t.Fatal(err)
	}
	script := fmt.Sprintf("#!/bin/sh\nif [ \"$1\" = completion ]; then %s=1 exec '%s' \"$@\"; fi\nprintf 'CALLED'; printf ' <%%s>' \"$@\"; echo\n", asProgram, self)
	if err := os.WriteFile(filepath.Join(dir, "greywatt"), []byte(script), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "study.toml"), study, 0o644); err != nil {
		t.Fatal(err)
	}
	return dir
}

// shell runs a shell in the folder and returns what it writes.
func shell(t *testing.T, dir, input string, command ...string) string {
	t.Helper()
	path, err := exec.LookPath(command[0])
	if err != nil {
		t.Skipf("NOT RUN: no %s here", command[0])
	}
	c := exec.CommandContext(t.Context(), path, command[1:]...)
	c.Dir = dir
	c.Env = append(os.Environ(), "PATH="+dir+":"+os.Getenv("PATH"), "HOME="+dir, "TERM=xterm")
	c.Stdin = strings.NewReader(input)
	var out, said bytes.Buffer
	c.Stdout, c.Stderr = &out, &said
	if err := c.Run(); err != nil {
		t.Fatalf("%v: %v\n%s", command, err, said.String())
	}
	return strings.ReplaceAll(out.String(), "\r", "")
}

func wantCalls(t *testing.T, out string) {
	t.Helper()
	var calls []string
	for line := range strings.Lines(out) {
		if _, call, ok := strings.Cut(line, "CALLED "); ok {
			calls = append(calls, strings.TrimSpace(call))
		}
	}
	for i, c := range typed {
		if i >= len(calls) || calls[i] != c.called {
			t.Fatalf("typing %q: called with %q, want %q in place %d\n%s", c.keys, calls, c.called, i+1, out)
		}
	}
}

// bash reads the keys itself, tabs and all.
func TestBashCompletion(t *testing.T) {
	keys := "source <(greywatt completion bash)\n"
	for _, c := range typed {
		keys += c.keys + "\n"
	}
	wantCalls(t, shell(t, shellFolder(t), keys, "bash", "--norc", "--noprofile", "-i"))
}

// zsh reads keys from a terminal only, which another zsh is here.
func TestZshCompletion(t *testing.T) {
	script := `zmodload zsh/zpty
zpty z 'zsh -f -i'
zpty -w z "autoload -Uz compinit; compinit -u -D; source <(greywatt completion zsh); PS1='> '"
`
	for _, c := range typed {
		script += "zpty -w z $'" + strings.ReplaceAll(c.keys, "\t", `\t`) + "'\n"
	}
	script += "zpty -w z exit\nwhile zpty -r z out; do print -rn -- $out; done\n"
	wantCalls(t, shell(t, shellFolder(t), "", "zsh", "-f", "-c", script))
}

// fish says what it would offer.
func TestFishCompletion(t *testing.T) {
	for _, c := range []struct{ line, want string }{
		{"greywatt diag", "diagnose"},
		{"greywatt diagnose la", "larch-04"},
		{"greywatt events --kind sho", "shower"},
		{"greywatt events --kind=sho", "--kind=shower"},
		{"greywatt check --study stu", "study.toml"},
	} {
		out := shell(t, shellFolder(t), "", "fish", "--no-config", "-c",
			fmt.Sprintf("source (greywatt completion fish | psub); complete -C '%s'", c.line))
		if strings.TrimSpace(out) != c.want {
			t.Errorf("%q: offers %q, want %q", c.line, out, c.want)
		}
	}
}
