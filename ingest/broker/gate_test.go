package broker

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net/netip"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
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
	g.free = 0 // nobody can be checked now
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
	g.free = 0
	var waiting sync.WaitGroup
	for range 300 {
		waiting.Go(func() {
			if err := g.admit(u, home, "a", []byte("right"), there); !errors.Is(err, errGone) {
				t.Errorf("%v when closing", err)
			}
		})
	}
	for waits(g) < 300 {
		time.Sleep(time.Millisecond)
	}
	g.close()
	waiting.Wait()
	if n := waits(g); n != 0 {
		t.Errorf("%d still wait", n)
	}
}

func waits(g *gate) int {
	g.mu.Lock()
	defer g.mu.Unlock()
	return len(g.queue) + len(g.slow)
}

func TestWaitingIsBounded(t *testing.T) {
	g, u := newGate(), costly(t, "a")
	g.free = 0
	for range maxWaiting {
		g.queue = append(g.queue, &waiter{turn: make(chan struct{})})
	}
	if err := g.admit(u, home, "a", []byte("right"), there); !errors.Is(err, errBusy) {
		t.Errorf("one more than may wait: %v", err)
	}
	g.close()
}

// checkTakes is how long a check takes in a bubble, where no time passes while a
// processor works.
const checkTakes = 50 * time.Millisecond

// slowly gives the gate two processors and a check that takes its time.
func slowly(g *gate) *gate {
	g.free, g.filled = 2, time.Now()
	g.match = func(hash, password []byte) error {
		time.Sleep(checkTakes)
		if string(password) != "right" {
			return errWrong
		}
		return nil
	}
	return g
}

// crowd returns n accounts, a0 and so on, whose password is "right" to a gate that
// is [slowly].
func crowd(n int) *Users {
	u := &Users{byName: make(map[string]account)}
	for i := range n {
		u.byName[fmt.Sprint("a", i)] = account{}
	}
	u.decoy.Do(func() {})
	return u
}

// Wrong passwords are checked at full speed up to a limit for each name, then one a
// second; they keep neither another address out, nor another name, nor who was
// admitted before, nor for long who shows the right one for that very name.
func TestGuessesAreLimited(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g, u := slowly(newGate()), crowd(3)
		try := func(from netip.Addr, name, password string, want error, within time.Duration) {
			t.Helper()
			begin := time.Now()
			if err := g.admit(u, from, name, []byte(password), there); !errors.Is(err, want) {
				t.Errorf("%s from %v with %q: %v, want %v", name, from, password, err, want)
			}
			if took := time.Since(begin); took > within {
				t.Errorf("%s from %v with %q: after %v, want %v", name, from, password, took, within)
			}
		}
		try(home, "a0", "right", nil, checkTakes)
		for range nameBurst {
			try(home, "a1", "wrong", errWrong, checkTakes)
		}
		begin := time.Now()
		for range 20 {
			try(home, "a1", "wrong", errSuspect, nameRest+checkTakes)
		}
		if took := time.Since(begin); took < 20*nameRest {
			t.Errorf("20 guesses more were checked in %v", took)
		}
		try(home, "a0", "right", nil, 0)
		try(home, "a2", "right", nil, checkTakes)
		try(other, "a1", "right", nil, checkTakes)
		try(home, "a1", "right", nil, 0) // found right elsewhere: whoever knows it is no guesser
		g.right = make(map[string][32]byte)

		var guessing sync.WaitGroup
		for range 5 {
			guessing.Go(func() {
				for range 20 {
					g.admit(u, home, "a1", []byte("wrong"), there)
				}
			})
		}
		time.Sleep(nameRest)
		try(home, "a1", "right", nil, time.Minute)
		guessing.Wait()
		synctest.Wait()
	})
	g := newGate()
	for i := range maxTallies + 10 {
		g.others.take(guesser{netip.AddrFrom4([4]byte{10, byte(i >> 16), byte(i >> 8), byte(i)}), ""}, time.Now())
	}
	if len(g.others.by) != maxTallies || g.others.order.Len() != maxTallies {
		t.Errorf("%d guessers are remembered", len(g.others.by))
	}
}

// Six hundred nodes behind an address that guesses at their accounts, and at others,
// from twenty connections are all checked before a minute has passed, on two
// processors and at 50 ms a check. Guessing on and on then takes a quarter of a
// processor at most.
func TestCrowdBehindAGuesser(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const nodes, guessers = 600, 20
		g, u := slowly(newGate()), crowd(nodes)
		ctx, stop := context.WithCancel(t.Context())
		var guessing, honest sync.WaitGroup
		for i := range guessers {
			guessing.Go(func() {
				r := rand.New(rand.NewPCG(1, uint64(i)))
				for ctx.Err() == nil {
					name := fmt.Sprint("a", r.IntN(nodes))
					if i%4 == 0 {
						name = fmt.Sprint("nobody", r.Int64())
					}
					g.admit(u, home, name, []byte("wrong"), there)
					time.Sleep(time.Millisecond) // to connect again
				}
			})
		}
		time.Sleep(10 * time.Second) // nodes come after their network does
		begin := time.Now()
		for i := range nodes {
			honest.Go(func() {
				if err := g.admit(u, home, fmt.Sprint("a", i), []byte("right"), there); err != nil {
					t.Errorf("node %d: %v", i, err)
				}
			})
		}
		honest.Wait()
		took := time.Since(begin)
		t.Logf("admitted within %v, by %d checks", took, g.checks.Load())
		if took > time.Minute {
			t.Errorf("they are admitted within %v", took)
		}
		time.Sleep(10 * time.Minute) // what was saved is spent
		before := g.checks.Load()
		time.Sleep(10 * time.Minute)
		busy := time.Duration(g.checks.Load()-before) * checkTakes
		t.Logf("guessing takes %.2f of a processor", busy.Seconds()/600)
		if busy > time.Duration(1.1*slowShare*float64(10*time.Minute)) {
			t.Errorf("guessing takes %v of processor time in ten minutes", busy)
		}
		stop()
		guessing.Wait()
	})
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
	g.free = 0
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
	synctest.Test(t, func(t *testing.T) {
		g, u := slowly(newGate()), crowd(3)
		for range addressBurst {
			g.others.take(guesser{home, ""}, time.Now())
		}
		wrong := func(name string) time.Duration {
			t.Helper()
			begin := time.Now()
			if err := g.admit(u, home, name, []byte("wrong"), there); !errors.Is(err, errSuspect) {
				t.Errorf("%s: %v", name, err)
			}
			return time.Since(begin)
		}
		first, again := wrong("a0"), wrong("a0")
		if first != checkTakes || again != checkTakes {
			t.Errorf("an account's guesses took %v and %v", first, again)
		}
		before := g.checks.Load()
		var guesses sync.WaitGroup
		for i := range 300 {
			guesses.Go(func() {
				for range 2 {
					if took := wrong(fmt.Sprint("guess-", i)); took != checkTakes {
						t.Errorf("a name that there is not is answered after %v", took)
					}
				}
			})
		}
		begin := time.Now()
		if err := g.admit(u, home, "a1", []byte("right"), there); err != nil || time.Since(begin) != checkTakes {
			t.Errorf("the account is admitted after %v: %v", time.Since(begin), err)
		}
		guesses.Wait()
		if n := g.checks.Load() - before; n != 1 {
			t.Errorf("%d passwords were checked, want the one of the account", n)
		}

		// The slow lane spends its reserve and then rests.
		g.budget = 0
		begin = time.Now()
		before = g.checks.Load()
		for time.Since(begin) < time.Minute {
			wrong("a0")
			g.known = newTallies()
			g.known.take(guesser{home, "a0"}, time.Now())
		}
		busy := time.Duration(g.checks.Load()-before) * checkTakes
		if share := float64(busy) / float64(time.Since(begin)); share > 1.05*slowShare || share < slowShare/2 {
			t.Errorf("guessing takes %.2f of a processor, want %.2f", share, slowShare)
		}
	})
}
