package main

import (
	"os"
	"slices"
	"strings"
	"testing"
)

func TestCandidates(t *testing.T) {
	t.Chdir("testdata/files")
	none := func(string) string { return "" }
	for _, c := range []struct {
		line string // a blank at its end begins a word
		want []string
	}{
		{"ev", []string{"events"}},
		{"--v", []string{"--version"}},
		{"help ev", []string{"events"}},
		{"nosuch ", nil},
		{"events --kind ", []string{"shower", "other-draw", "partial"}},
		{"events --kind=o", []string{"--kind=other-draw"}},
		{"events --nosuch=o", nil},
		{"events --js", []string{"--json"}},
		{"events --json ", []string{"larch-04"}},
		{"export --public ", nil}, // takes no operand
		{"events --dwelling ", []string{"larch-04"}},
		{"events --dwelling x", nil},
		{"diagnose la", []string{"larch-04"}},
		{"diagnose --study nosuch.toml la", nil},
		{"diagnose --study study.toml la", []string{"larch-04"}},
		{"check --study ", []string{shellFiles}},
		{"export --out=", []string{shellDirs}},
		{"import ", []string{shellFiles}},
		{"simulate --preset sea", []string{"season"}},
		{"help stu", []string{"study-file"}},
		{"completion f", []string{"fish"}},
	} {
		if got := candidates(strings.Split(c.line, " "), none); !slices.Equal(got, c.want) && len(got)+len(c.want) > 0 {
			t.Errorf("%q: %q, want %q", c.line, got, c.want)
		}
	}
}

// The environment names the study where no flag does.
func TestCandidatesByEnvironment(t *testing.T) {
	getenv := func(name string) string {
		if name == "GREYWATT_STUDY" {
			return "testdata/files/study.toml"
		}
		return ""
	}
	if got := candidates([]string{"erase", ""}, getenv); !slices.Contains(got, "larch-04") {
		t.Errorf("%q, want larch-04 among them", got)
	}
}

// Of every command, each flag that a shell completes is one that the command
// takes: what is offered must not be refused.
func TestOfferedFlagsExist(t *testing.T) {
	for _, c := range commands() {
		for _, f := range candidates([]string{c.Name, "--"}, os.Getenv) {
			if name := strings.TrimPrefix(f, "--"); name != "help" && c.Flags().Lookup(name) == nil {
				t.Errorf("%s: offers %s", c.Name, f)
			}
		}
	}
}
