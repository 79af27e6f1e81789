package mqttsource_test

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"greywatt"
	"greywatt/ingest/ingesttest"
	"greywatt/ingest/mqttsource"
	"greywatt/ingest/store"
)

// A child is a logger in a process of its own.
type child struct {
	cmd    *exec.Cmd
	stdout io.ReadCloser
	stderr bytes.Buffer
}

func startChild(t *testing.T, env ...string) *child {
	t.Helper()
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	c := &child{cmd: exec.Command(exe)}
	c.cmd.Env = append(os.Environ(), env...)
	c.cmd.Stderr = &c.stderr
	if c.stdout, err = c.cmd.StdoutPipe(); err != nil {
		t.Fatal(err)
	}
	if err := c.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	if line, err := bufio.NewReader(c.stdout).ReadString('\n'); line != "ready\n" {
		c.kill()
		t.Fatalf("the logger said %q, %v; want ready; its errors: %s", line, err, c.stderr.String())
	}
	return c
}

// kill ends the process with SIGKILL.
func (c *child) kill() {
	c.cmd.Process.Kill()
	c.cmd.Wait()
}

// inStore returns the readings of a dwelling in the store of a killed logger.
func inStore(t *testing.T, dir, dwelling string) map[greywatt.Reading]bool {
	t.Helper()
	s, err := store.Open(dir, store.Options{})
	if err != nil {
		t.Fatalf("after a kill: %v", err)
	}
	defer s.Close()
	return ingesttest.Readings(t, s, dwelling)
}

// The logger is killed at random instants, and its broker with it. What that has
// acknowledged is in the store; what it has not is sent again; in the end all is
// there, once.
func TestKill(t *testing.T) {
	dir, addr := t.TempDir(), ingesttest.FreeAddr(t)
	env := []string{childDir + "=" + dir, childListen + "=" + addr}
	amid := 0
	for round := range *rounds {
		dwelling := fmt.Sprintf("round-%03d", round)
		f := newFleet(dwelling, 3, 300, 20)
		logger := startChild(t, env...)
		f.publish(t, "tcp://"+addr, 20)
		if round%2 == 0 { // else at any instant, the time before the first PUBACK too
			for begin := time.Now(); len(f.acknowledged()) == 0 && time.Since(begin) < time.Minute; pause(time.Millisecond) {
			}
			pause(rand.N(20 * time.Millisecond))
		} else {
			pause(rand.N(150 * time.Millisecond))
		}
		logger.kill()
		acked := f.acknowledged()
		if len(acked) > 0 && len(acked) < len(f.all) {
			amid++
		}
		stored := inStore(t, dir, dwelling)
		for r := range acked {
			if !stored[r] {
				t.Fatalf("round %d: acknowledged and lost: %+v (%d acknowledged, %d stored)", round, r, len(acked), len(stored))
			}
		}
		logger = startChild(t, env...)
		f.wg.Wait()
		logger.kill() // the instant after the last PUBACK
		ingesttest.Compare(t, inStore(t, dir, dwelling), f.all)
		if t.Failed() {
			t.Fatalf("in round %d", round)
		}
	}
	t.Logf("%d kills, %d of them amid the stream, and %d after its end", *rounds, amid, *rounds)
	if amid == 0 && *rounds >= 5 {
		t.Errorf("no kill came amid a stream: nothing was shown")
	}
}

// An external broker acknowledges to the node at once and keeps the message; the
// logger dies between receiving, committing and acknowledging.
func TestKillBesideBroker(t *testing.T) {
	eachSite(t, func(t *testing.T, s *site) {
		dir := t.TempDir()
		env := []string{childDir + "=" + dir, childBroker + "=" + s.url}
		// The session must be there before anything is published.
		l := s.start(t, mqttsource.CommitterConfig{Log: openLog(t, t.TempDir())})
		awaitSubscribed(t, l)
		l.stop()
		for round := range *rounds {
			dwelling := fmt.Sprintf("round-%03d", round)
			f := newFleet(dwelling, 3, 300, 20)
			logger := startChild(t, env...)
			f.publish(t, s.url, 20)
			for range 2 {
				pause(rand.N(300 * time.Millisecond))
				logger.kill()
				logger = startChild(t, env...)
			}
			f.wg.Wait()
			awaitStored(t, dir, dwelling, len(f.all))
			logger.kill()
			ingesttest.Compare(t, inStore(t, dir, dwelling), f.all)
			if t.Failed() {
				t.Fatalf("in round %d; the logger's errors: %s", round, strings.TrimSpace(logger.stderr.String()))
			}
		}
	}, "nats", "mosquitto")
}

// awaitStored waits until another process has stored n readings of a dwelling.
func awaitStored(t *testing.T, dir, dwelling string, n int) {
	t.Helper()
	s, err := store.Open(dir, store.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	got := 0
	for deadline := time.Now().Add(time.Minute); time.Now().Before(deadline); pause(50 * time.Millisecond) {
		nodes, err := s.Nodes(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		got = 0
		for _, node := range nodes {
			if node.Dwelling == dwelling {
				got += int(node.Readings)
			}
		}
		if got == n {
			return
		}
	}
	t.Fatalf("after a minute %d of %d readings of %s are stored", got, n, dwelling)
}
