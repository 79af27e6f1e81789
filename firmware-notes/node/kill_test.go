package main

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"

	"greywatt"
	"greywatt/ingest/ingesttest"
)

// The node is killed at random instants, with a broker that comes and goes. What
// it said that it had sampled is stored in the end, once; and nothing else but
// the frame that it was about to tell of.
func TestKill(t *testing.T) {
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	l := newLogger(t)
	dir := t.TempDir()
	node := func(args ...string) (cmd *exec.Cmd, out, log *bytes.Buffer) {
		all := append([]string{
			"--dwelling", "larch-04", "--broker", l.url(), "--buffer", dir, "--retry", "50ms", "--speed", "0", "--echo", "--drain", "1m",
		}, args...)
		cmd, out, log = exec.Command(exe), new(bytes.Buffer), new(bytes.Buffer)
		cmd.Env = append(os.Environ(), childArgs+"="+strings.Join(all, "\n"))
		cmd.Stdout, cmd.Stderr = out, log
		return cmd, out, log
	}
	told := make(map[greywatt.Reading]bool)
	amid := 0
	for round := range *rounds {
		// Days of their own, so that no round samples another's instants again.
		start := time.Date(2026, 1, 1+round, 0, 0, 0, 0, time.UTC).Format(time.RFC3339)
		if round%3 > 0 {
			l.start(t)
		}
		cmd, out, log := node("--start", start, "--for", "24h", "--seed", fmt.Sprint(round))
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		<-time.After(rand.N(600 * time.Millisecond)) // the instant of the kill
		if round%3 == 2 {
			l.stop(t)
		}
		cmd.Process.Kill()
		cmd.Wait()
		l.stop(t)
		if out.Len() == 0 {
			continue // killed before it began
		}
		if !strings.Contains(log.String(), "stopped") {
			amid++
		}
		for r := range sampled(t, "larch-04", "n1", out.String()) {
			told[r] = true
		}
	}
	l.start(t)
	last, out, log := node("--start", "2026-06-01T00:00:00Z", "--for", "1h")
	if err := last.Run(); err != nil {
		t.Fatalf("%v; log: %s", err, log)
	}
	for r := range sampled(t, "larch-04", "n1", out.String()) {
		told[r] = true
	}
	stored := l.stored(t, "larch-04")
	untold := make(map[greywatt.Instant]bool)
	for r := range stored {
		if !told[r] {
			untold[r.At] = true
			delete(stored, r)
		}
	}
	if len(untold) > *rounds {
		t.Errorf("%d frames are stored of which the node had not told, want at most one a kill", len(untold))
	}
	ingesttest.Compare(t, stored, told)
	t.Logf("%d kills, %d of them amid the run; %d readings told of, %d came twice; %d frames stored untold",
		*rounds, amid, len(told), l.Seen().Duplicate, len(untold))
	if amid == 0 {
		t.Error("no kill came amid a run: nothing was shown")
	}
}

// A node that is killed is seen to be down by its last will; one that is asked
// to stop says so itself and ends with 0.
func TestPresence(t *testing.T) {
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	l := newLogger(t)
	l.start(t)
	dir := t.TempDir()
	node := func() *exec.Cmd {
		cmd := exec.Command(exe)
		cmd.Env = append(os.Environ(), childArgs+"="+strings.Join([]string{
			"--dwelling", "larch-04", "--broker", l.url(), "--buffer", dir, "--start", "2026-01-07T08:00:00Z",
		}, "\n"))
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		return cmd
	}
	first := node()
	l.Await(t, "up", func(s ingesttest.Seen) bool { return fmt.Sprint(s.Up) == "[true]" })
	first.Process.Kill()
	first.Wait()
	l.Await(t, "the last will", func(s ingesttest.Seen) bool { return fmt.Sprint(s.Up) == "[true false]" })
	second := node()
	l.Await(t, "up again", func(s ingesttest.Seen) bool { return fmt.Sprint(s.Up) == "[true false true]" })
	if err := second.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := second.Wait(); err != nil {
		t.Errorf("after SIGTERM: %v", err)
	}
	l.Await(t, "goodbye", func(s ingesttest.Seen) bool { return fmt.Sprint(s.Up) == "[true false true false]" })
}
