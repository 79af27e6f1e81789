//go:build linux

package main

import (
	"bufio"
	"io"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"greywatt/cmd/greywatt/internal/cli"
)

// A program is greywatt in a process of its own.
type program struct {
	cmd   *exec.Cmd
	ended chan error

	mu   sync.Mutex
	said []string      // what it wrote to its log, a line each
	more chan struct{} // closed and replaced when there is a line more
}

// startProgram starts greywatt with these arguments. It is killed at the end of
// the test unless it has ended.
func startProgram(t *testing.T, args ...string) *program {
	t.Helper()
	p := &program{cmd: exec.Command(os.Args[0], args...), ended: make(chan error, 1), more: make(chan struct{})}
	p.cmd.Env = append(os.Environ(), asProgram+"=1")
	said, err := p.cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go func() {
		p.listen(said)
		p.ended <- p.cmd.Wait()
	}()
	t.Cleanup(func() { p.cmd.Process.Kill() })
	return p
}

func (p *program) listen(r io.Reader) {
	lines := bufio.NewScanner(r)
	for lines.Scan() {
		p.mu.Lock()
		p.said = append(p.said, lines.Text())
		close(p.more)
		p.more = make(chan struct{})
		p.mu.Unlock()
	}
}

// log returns what the program has said so far.
func (p *program) log() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return strings.Join(p.said, "\n")
}

// hear waits until the program's log, from its line from on, has a line that
// matches, and returns the match's last group and the number of the next line.
func (p *program) hear(t *testing.T, pattern string, from int) (group string, next int) {
	t.Helper()
	re := regexp.MustCompile(pattern)
	timeout := time.After(time.Minute)
	for ended := false; ; {
		p.mu.Lock()
		for ; from < len(p.said); from++ {
			if m := re.FindStringSubmatch(p.said[from]); m != nil {
				p.mu.Unlock()
				return m[len(m)-1], from + 1
			}
		}
		more := p.more
		p.mu.Unlock()
		if ended {
			t.Fatalf("greywatt ended before it said %q:\n%s", pattern, p.log())
		}
		select {
		case <-more:
		case err := <-p.ended:
			p.ended <- err // for who waits for the end itself
			ended = true   // all that it said is there now
		case <-timeout:
			t.Fatalf("greywatt did not say %q:\n%s", pattern, p.log())
		}
	}
}

// stop interrupts the program, which must end as one that was.
func (p *program) stop(t *testing.T) {
	t.Helper()
	p.cmd.Process.Signal(syscall.SIGINT)
	<-p.ended
	if code := p.cmd.ProcessState.ExitCode(); code != cli.ExitInterrupted {
		t.Errorf("exit code %d, want %d:\n%s", code, cli.ExitInterrupted, p.log())
	}
}

// kill ends the program with SIGKILL.
func (p *program) kill() {
	p.cmd.Process.Kill()
	<-p.ended
}
