package cli

import (
	"strings"
	"testing"
)

// A line that says what to do next has to work as it stands.
func TestProgramName(t *testing.T) {
	hash := strings.Repeat("0123456789abcdef", 4)
	for arg0, want := range map[string]string{
		"greywatt":                                         "greywatt", // found by PATH
		"./greywatt":                                       "./greywatt",
		"/home/field/bin/greywatt":                         "/home/field/bin/greywatt",
		`C:\Tools\greywatt.exe`:                            `C:\Tools\greywatt.exe`,
		"/tmp/go-build123/b001/exe/greywatt":               "go run ./cmd/greywatt",
		"/var/scratch/x/b001/exe/greywatt":                 "go run ./cmd/greywatt",
		"/root/.cache/go-build/3f/" + hash + "-d/greywatt": "go run ./cmd/greywatt",
		"/ci/cache/3f/" + hash + "-d/greywatt":             "go run ./cmd/greywatt",
	} {
		if got := ProgramName(arg0); got != want {
			t.Errorf("%s: %q, want %q", arg0, got, want)
		}
	}
}
