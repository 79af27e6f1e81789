package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/spf13/pflag"

	"greywatt/cmd/greywatt/internal/cli"
)

// The unit starts a command that exists, and the variables that it speaks of
// stand for flags of it.
func TestServiceUnit(t *testing.T) {
	text, err := os.ReadFile("greywatt.service")
	if err != nil {
		t.Fatal(err)
	}
	start := regexp.MustCompile(`(?m)^ExecStart=/usr/local/bin/greywatt (.*)$`).FindSubmatch(text)
	if start == nil {
		t.Fatal("no ExecStart of greywatt")
	}
	if err := parses(strings.Fields(string(start[1]))); err != nil {
		t.Errorf("ExecStart: %v", err)
	}
	// The page writes beside the study file: both it and the data must be where the
	// service may write.
	state := regexp.MustCompile(`(?m)^StateDirectory=(\S+)$`).FindSubmatch(text)
	if state == nil {
		t.Fatal("no StateDirectory")
	}
	for _, flag := range []string{"--study", "--data"} {
		args := strings.Fields(string(start[1]))
		i := slices.Index(args, flag)
		if i < 0 || i+1 == len(args) || !strings.HasPrefix(args[i+1], "/var/lib/"+string(state[1])+"/") {
			t.Errorf("%s is not in /var/lib/%s: %s", flag, state[1], start[1])
		}
	}
	run, err := greywattProgram().LookUp("run")
	if err != nil {
		t.Fatal(err)
	}
	known := map[string]bool{}
	run.Flags().VisitAll(func(f *pflag.Flag) { known[cli.Variable(f.Name)] = true })
	names := regexp.MustCompile(`GREYWATT_[A-Z_]+`).FindAllString(string(text), -1)
	if len(names) == 0 {
		t.Error("no variable in the unit")
	}
	for _, name := range names {
		if !known[name] {
			t.Errorf("%s stands for no flag of run", name)
		}
	}
	if !strings.Contains(string(text), "\nSuccessExitStatus=130\n") {
		t.Error("a stop by signal, which ends with 130, would count as a failure")
	}
}

// systemd itself has nothing to say against the unit.
func TestServiceUnitVerified(t *testing.T) {
	analyze, err := exec.LookPath("systemd-analyze")
	if err != nil {
		t.Skip("NOT RUN: no systemd-analyze here")
	}
	text, err := os.ReadFile("greywatt.service")
	if err != nil {
		t.Fatal(err)
	}
	self, err := filepath.Abs(os.Args[0])
	if err != nil {
		t.Fatal(err)
	}
	unit := filepath.Join(t.TempDir(), "greywatt.service")
	there := strings.ReplaceAll(string(text), "ExecStart=/usr/local/bin/greywatt", "ExecStart="+self) // verify wants the program to be there
	if err := os.WriteFile(unit, []byte(there), 0o644); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(analyze, "verify", unit).CombinedOutput(); err != nil || len(out) > 0 {
		t.Errorf("systemd-analyze verify: %v\n%s", err, out)
	}
}
