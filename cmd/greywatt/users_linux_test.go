package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"golang.org/x/sys/unix"

	"greywatt/cmd/greywatt/internal/cli"
)

// A user that was added may connect to a running logger, with that password only.
func TestUsersOfARunningLogger(t *testing.T) {
	file := filepath.Join(t.TempDir(), "users.txt")
	users(t, cli.ExitDone, file, "right\n", "add", "larch-04", "--node", "larch-04/n1")
	p := startProgram(t, "run", "--study", filesStudy, "--data", t.TempDir(), "--listen", "127.0.0.1:0", "--http", "", "--users", file)
	url, _ := p.hear(t, `msg=listening broker=(\S+)`, 0)
	for password, want := range map[string]bool{"right": true, "wrong": false} {
		client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(url).SetClientID("n1-" + password).
			SetUsername("larch-04").SetPassword(password).SetAutoReconnect(false).SetConnectRetry(false))
		answer := client.Connect()
		if !answer.WaitTimeout(time.Minute) {
			t.Fatal("no answer")
		}
		if got := answer.Error() == nil; got != want {
			t.Errorf("password %s: connected %t, want %t: %v", password, got, want, answer.Error())
		}
		client.Disconnect(0)
	}
	p.stop(t)
}

// terminal returns both ends of a new pseudo-terminal.
func terminal(t *testing.T) (far, near *os.File) {
	t.Helper()
	far, err := os.OpenFile("/dev/ptmx", os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { far.Close() })
	if err := unix.IoctlSetPointerInt(int(far.Fd()), unix.TIOCSPTLCK, 0); err != nil {
		t.Fatal(err)
	}
	n, err := unix.IoctlGetInt(int(far.Fd()), unix.TIOCGPTN)
	if err != nil {
		t.Fatal(err)
	}
	near, err = os.OpenFile(fmt.Sprintf("/dev/pts/%d", n), os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { near.Close() })
	return far, near
}

// awaitEcho waits until the terminal shows what is typed, or does not.
func awaitEcho(t *testing.T, near *os.File, want bool) {
	t.Helper()
	for limit := time.Now().Add(time.Minute); time.Now().Before(limit); runtime.Gosched() {
		state, err := unix.IoctlGetTermios(int(near.Fd()), unix.TCGETS)
		if err != nil {
			t.Fatal(err)
		}
		if (state.Lflag&unix.ECHO != 0) == want {
			return
		}
	}
	t.Fatalf("the terminal's echo does not become %t", want)
}

// At a terminal the password is asked for twice and never shown; an interruption
// there ends the program with the terminal as it was.
func TestUsersAtATerminal(t *testing.T) {
	file := filepath.Join(t.TempDir(), "users.txt")
	add := func(ctx context.Context, near *os.File, said *bytes.Buffer) <-chan int {
		done := make(chan int, 1)
		go func() {
			done <- run(ctx, []string{"users", "add", "office", "--watch", "--users", file}, &cli.Console{
				In: near, Out: said, Err: near, Getenv: func(string) string { return "" }, Name: "greywatt",
			})
		}()
		return done
	}

	far, near := terminal(t)
	ctx, interrupt := context.WithCancel(t.Context())
	var said bytes.Buffer
	done := add(ctx, near, &said)
	awaitEcho(t, near, false)
	interrupt()
	if code := <-done; code != cli.ExitInterrupted {
		t.Errorf("interrupted: exit code %d\n%s", code, said.String())
	}
	awaitEcho(t, near, true)
	if _, err := os.Stat(file); err == nil {
		t.Error("interrupted, and there is a file")
	}

	far, near = terminal(t)
	shown := make(chan string, 1)
	go func() {
		var all []byte
		part := make([]byte, 256)
		for {
			n, err := far.Read(part)
			all = append(all, part[:n]...)
			if err != nil {
				shown <- string(all)
				return
			}
		}
	}()
	done = add(t.Context(), near, &said)
	awaitEcho(t, near, false)
	if _, err := far.WriteString("horse\nhorse\n"); err != nil {
		t.Fatal(err)
	}
	if code := <-done; code != cli.ExitDone {
		t.Fatalf("exit code %d\n%s", code, said.String())
	}
	awaitEcho(t, near, true)
	near.Close()
	if text := <-shown; strings.Contains(text, "horse") || !strings.Contains(text, "Password of office") || !strings.Contains(text, "again") {
		t.Errorf("the terminal shows %q", text)
	}
}
