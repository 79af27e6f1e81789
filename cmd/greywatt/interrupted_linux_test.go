package main

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"greywatt/cmd/greywatt/internal/cli"
)

// An export in a process of its own, interrupted by SIGINT at one moment or
// another after it has opened the store: either it leaves the files of an earlier
// one as they are and ends as interrupted, or it was done before the signal came.
func TestExportProcessInterrupted(t *testing.T) {
	study, files := street(t, "4")
	dir := t.TempDir()
	data, out := filepath.Join(dir, "data"), filepath.Join(dir, "export")
	invoke(t, cli.ExitDone, append([]string{"import", "--study", study, "--data", data}, files...)...)
	args := []string{"export", "--study", study, "--data", data, "--out", out}
	invoke(t, cli.ExitDone, args...)
	full := filesBelow(t, dir)
	interrupted := 0
	for try := range 8 {
		before := map[string]string{}
		for path := range full { // an earlier export, of which each file differs from the new one
			before[path] = "an earlier export\n"
			if err := os.WriteFile(path, []byte(before[path]), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		p := startProgram(t, args...)
		for open := false; !open; open = hasOpen(p.cmd.Process.Pid, data) {
			select {
			case <-p.ended:
				t.Fatalf("try %d: it ended before it was seen at work\n%s", try, p.log())
			case <-time.After(time.Millisecond):
			}
		}
		// Each try stops it elsewhere; what is wanted holds wherever that is.
		time.Sleep(time.Duration(try) * 2 * time.Millisecond)
		p.cmd.Process.Signal(syscall.SIGINT)
		<-p.ended
		want := full
		switch code := p.cmd.ProcessState.ExitCode(); code {
		case cli.ExitInterrupted:
			want = before
			interrupted++
		case cli.ExitDone:
		default:
			t.Fatalf("try %d: exit code %d\n%s", try, code, p.log())
		}
		if after := filesBelow(t, dir); !maps.Equal(after, want) {
			t.Fatalf("try %d, exit code %d: the files are neither those of before nor a full export", try, p.cmd.ProcessState.ExitCode())
		}
	}
	if interrupted == 0 {
		t.Error("no export was interrupted")
	}
	t.Logf("%d of 8 interrupted", interrupted)
}

// hasOpen reports whether a process has a file below dir open, or has ended.
func hasOpen(pid int, dir string) bool {
	folder := fmt.Sprintf("/proc/%d/fd", pid)
	links, err := os.ReadDir(folder)
	if err != nil || len(links) == 0 {
		return true
	}
	for _, l := range links {
		if target, _ := os.Readlink(filepath.Join(folder, l.Name())); filepath.Dir(target) == dir {
			return true
		}
	}
	return false
}
