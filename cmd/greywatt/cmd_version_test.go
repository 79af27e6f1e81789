package main

import (
	"runtime"
	"runtime/debug"
	"strings"
	"testing"
)

func TestVersion(t *testing.T) {
	platform := runtime.GOOS + "/" + runtime.GOARCH
	info := &debug.BuildInfo{
		Main: debug.Module{Version: "v0.0.0-20260112070000-0123456789ab"},
		Settings: []debug.BuildSetting{
			{Key: "vcs.revision", Value: "0123456789abcdef0123456789abcdef01234567"},
			{Key: "vcs.time", Value: "2026-01-12T07:00:00Z"},
			{Key: "vcs.modified", Value: "true"},
		},
	}
	for _, c := range []struct {
		name, released string
		info           *debug.BuildInfo
		want           []string
	}{
		{"released", "1.2.3", info, []string{"greywatt  1.2.3", "go        go1", "platform  " + platform, "revision  0123456789abcdef0123456789abcdef01234567, with changes", "dated     2026-01-12T07:00:00Z"}},
		{"from a checkout", "", info, []string{"greywatt  v0.0.0-20260112070000-0123456789ab", "go        go1", "platform  " + platform, "revision  0123", "dated     2026"}},
		{"no version control", "", &debug.BuildInfo{Main: debug.Module{Version: "(devel)"}}, []string{"greywatt  (devel)", "go        go1", "platform  " + platform}},
		{"no record", "", nil, []string{"greywatt  (unknown)", "go        go1", "platform  " + platform}},
	} {
		t.Run(c.name, func(t *testing.T) {
			lines := strings.Split(strings.TrimSpace(recordOf(c.released, c.info).text()), "\n")
			if len(lines) != len(c.want) {
				t.Fatalf("wrote %q, want %d lines", lines, len(c.want))
			}
			for i, want := range c.want {
				if !strings.HasPrefix(lines[i], want) {
					t.Errorf("line %d is %q, want %q", i+1, lines[i], want)
				}
			}
		})
	}
}
