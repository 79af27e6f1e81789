package broker

import (
	"errors"
	"fmt"
	"net/netip"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/crypto/bcrypt"
)

var (
	home  = netip.MustParseAddr("192.0.2.1")
	other = netip.MustParseAddr("192.0.2.2")
)

func there() bool { return true }

// costly is an account whose password takes a while to check.
func costly(t *testing.T, names ...string) *Users {
	t.Helper()
	h, err := bcrypt.GenerateFromPassword([]byte("right"), 8)
	if err != nil {
		t.Fatal(err)
	}
	text := ""
	for _, name := range names {
		text += name + ":" + string(h) + ":watch\n"
	}
	u, err := ReadUsers(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	return u
}

// A password found right is not checked again, unless it was changed.
func TestRightPasswordIsRemembered(t *testing.T) {
	g, u := newGate(), costly(t, "a", "b")
	if err := g.admit(u, home, "a", []byte("right"), there); err != nil {
		t.Fatal(err)
	}
	for range cap(g.slots) { // nobody can be checked now
		g.slots <- struct{}{}
	}
	if err := g.admit(u, home, "a", []byte("right"), there); err != nil {
		t.Errorf("the same again: %v", err)
	}
	changed := costly(t, "a") // another hash
	for name, try := range map[string]func() error{
		"another password":   func() error { return g.admit(u, home, "a", []byte("wrong"), there) },
		"another user":       func() error { return g.admit(u, home, "b", []byte("right"), there) },
		"a changed password": func() error { return g.admit(changed, home, "a", []byte("right"), there) },
		"a deleted account":  func() error { return g.admit(costly(t, "b"), home, "a", []byte("right"), there) },
	} {
		done := make(chan error, 1)
		go func() { done <- try() }()
		select {
		case err := <-done:
			t.Errorf("%s is admitted or refused unchecked: %v", name, err)
		case <-time.After(20 * time.Millisecond):
		}
	}
	g.close() // those four are sent away
}

// Who has left is not checked, and closing sends all away that wait.
func TestAbandonedAttemptsCostNothing(t *testing.T) {
	g, u := newGate(), costly(t, "a")
	begin := time.Now()
	for range 10_000 {
		if err := g.admit(u, home, "a", []byte("right"), func() bool { return false }); !errors.Is(err, errGone) {
			t.Fatalf("%v, want it gone", err)
		}
	}
	if n := g.abandoned.Load(); n != 10_000 {
		t.Errorf("%d abandoned of 10000 after %v", n, time.Since(begin))
	}
	for range cap(g.slots) {
		g.slots <- struct{}{}
	}
	var waiting sync.WaitGroup
	for range 300 {
		waiting.Go(func() {
			if err := g.admit(u, home, "a", []byte("right"), there); !errors.Is(err, errGone) {
				t.Errorf("%v when closing", err)
			}
		})
	}
	for g.waiting.Load() < 300 {
		time.Sleep(time.Millisecond)
	}
	g.close()
	waiting.Wait()
}

func TestWaitingIsBounded(t *testing.T) {
	g, u := newGate(), costly(t, "a")
	for range cap(g.slots) {
		g.slots <- struct{}{}
	}
	g.waiting.Store(maxWaiting)
	if err := g.admit(u, home, "a", []byte("right"), there); !errors.Is(err, errBusy) {
		t.Errorf("one more than may wait: %v", err)
	}
	g.close()
}

// Wrong passwords of an address are checked up to a limit for each name, whether
// it exists or not, and after some more in turn. That keeps neither another
// address out, nor another name, nor who was admitted before.
func TestGuessesAreLimited(t *testing.T) {
	g, u := newGate(), users(t)
	try := func(from netip.Addr, name, password string, want error) {
		t.Helper()
		if err := g.admit(u, from, name, []byte(password), there); !errors.Is(err, want) {
			t.Errorf("%s from %v with %q: %v, want %v", name, from, password, err, want)
		}
	}
	try(home, "b", "b-pw", nil)
	for _, name := range []string{"a", "b", "nobody"} {
		for range nameBurst {
			try(home, name, "x", errWrong)
		}
		try(home, name, "x", errTooMany)
	}
	try(home, "a", "a-pw", errTooMany)
	try(other, "a", "a-pw", nil)
	try(home, "b", "b-pw", nil) // who was admitted before
	try(home, "w", "w-pw", nil)

	// The address has shown addressBurst by now: it shares one slot.
	g.suspects <- struct{}{}
	done := make(chan error, 1)
	of := g.failures[guesser{home, "a"}].Value.(*tally)
	of.left = 1
	go func() { done <- g.admit(u, home, "a", []byte("x"), there) }()
	try(other, "guess", "x", errWrong)
	select {
	case err := <-done:
		t.Errorf("a guess of a suspect address does not wait for its turn: %v", err)
	case <-time.After(20 * time.Millisecond):
	}
	<-g.suspects
	if err := <-done; !errors.Is(err, errSuspect) {
		t.Errorf("%v", err)
	}

	of.at = of.at.Add(-time.Minute)
	try(home, "a", "a-pw", nil) // not kept out for ever
	for i := range maxTallies + 10 {
		g.failed(guesser{netip.AddrFrom4([4]byte{10, byte(i >> 16), byte(i >> 8), byte(i)}), ""}, addressBurst)
	}
	if len(g.failures) != maxTallies || g.order.Len() != maxTallies {
		t.Errorf("%d guessers are remembered", len(g.failures))
	}
}

// An unknown name costs what a known one does, so that time does not tell them
// apart. The cost of a bcrypt hash is its work: 2^cost rounds.
func TestUnknownNamesCostAsMuch(t *testing.T) {
	u := costly(t, "a")
	want, _ := bcrypt.Cost(u.byName["a"].hash)
	if got, err := bcrypt.Cost(u.dummy()); err != nil || got != want {
		t.Errorf("the hash for unknown names has cost %d, %v, want %d", got, err, want)
	}
	g := newGate()
	for range cap(g.slots) {
		g.slots <- struct{}{}
	}
	done := make(chan error, 1)
	go func() { done <- g.admit(u, home, "nobody", []byte("x"), there) }()
	select {
	case err := <-done:
		t.Errorf("an unknown name is answered without a check: %v", err)
	case <-time.After(20 * time.Millisecond):
	}
	g.close()
	<-done
}

// However many names somebody guesses at, whoever has an account behind the same
// address is the next to be checked; and how long a suspect waits does not tell
// which names there are.
func TestGuessersKeepNobodyOut(t *testing.T) {
	g, u := newGate(), costly(t, "a", "b")
	for range addressBurst {
		g.failed(guesser{home, ""}, addressBurst)
	}
	g.suspects <- struct{}{} // nobody behind the address is checked yet
	begin := time.Now()
	admitted := make(chan error, 2)
	go func() { admitted <- g.admit(u, home, "a", []byte("wrong"), there) }() // tells how long a check takes
	for g.waiting.Load() < 1 {
		time.Sleep(time.Millisecond)
	}
	time.Sleep(50 * time.Millisecond)
	<-g.suspects
	if err := <-admitted; !errors.Is(err, errSuspect) {
		t.Fatal(err)
	}
	if took := time.Duration(g.wrongTook.Load()); took < 50*time.Millisecond || took > time.Since(begin) {
		t.Errorf("a check took %v", took)
	}
	guessed := make(chan time.Duration, 300)
	for i := range cap(guessed) {
		go func() {
			begin := time.Now()
			if err := g.admit(u, home, fmt.Sprint("guess-", i), []byte("x"), there); !errors.Is(err, errSuspect) {
				t.Errorf("%v", err)
			}
			guessed <- time.Since(begin)
		}()
	}
	before := g.checks.Load()
	if err := g.admit(u, home, "b", []byte("right"), there); err != nil {
		t.Error(err)
	}
	for range cap(guessed) {
		if took := <-guessed; took < 40*time.Millisecond {
			t.Errorf("a name that there is not is answered after %v", took)
		}
	}
	if n := g.checks.Load() - before; n != 1 {
		t.Errorf("%d passwords were checked, want the one of the account", n)
	}
}
