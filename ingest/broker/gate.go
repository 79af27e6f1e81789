package broker

import (
	"container/list"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"net/netip"
	"runtime"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/crypto/bcrypt"
)

// Checking a password takes a processor a twentieth of a second, by design. The
// gate lets so many be checked at a time as there are processors, so that
// strangers cannot take more, and checks none twice that it has found right: a
// node that comes again is known by a keyed digest of what it showed.
//
// An address that has shown many wrong passwords is a suspect, though honest nodes
// may be behind it too. Of a suspect only passwords of accounts that there are get
// checked, so that guesses at names cost nothing and delay nobody; each name has its
// own limit. A suspect is not told what was wrong, and waits as long for a name that
// there is not.
type gate struct {
	key   [sha256.Size]byte // of this process; the digests are worth nothing elsewhere
	slots chan struct{}
	// suspects is one slot for all addresses that have shown many wrong passwords.
	suspects chan struct{}
	closed   chan struct{}

	mu       sync.Mutex
	right    map[string][sha256.Size]byte // by account
	failures map[guesser]*list.Element    // of *tally, the one used last in front
	order    list.List

	waiting, abandoned atomic.Int64
	checks             atomic.Int64 // passwords checked
	wrongTook          atomic.Int64 // ns, from arrival to answer, of the last wrong one
}

const (
	maxWaiting = 4096 // passwords to be checked
	maxTallies = 10_000
	// An address may show so many wrong passwords for one name at once, and then
	// nameRate a second. After addressBurst for any names it is a suspect, and has to
	// share a slot with others of its kind.
	nameBurst    = 10
	nameRate     = 0.1
	addressBurst = 30
	addressRate  = 0.5
)

// A guesser is an address, and the name that it shows, or "" for any.
type guesser struct {
	from netip.Addr
	name string
}

// Why the gate admits nobody; all but errWrong end the connection without an
// answer, so that a node comes again.
var (
	errWrong   = errors.New("unknown user or wrong password")
	errBusy    = errors.New("too many are waiting to be admitted")
	errTooMany = errors.New("too many wrong passwords for this name from this address; try again later")
	errSuspect = errors.New("unknown user or wrong password, from an address that has shown many")
	errGone    = errors.New("gone before its password was checked")
)

func newGate() *gate {
	g := &gate{
		slots: make(chan struct{}, runtime.GOMAXPROCS(0)), closed: make(chan struct{}),
		right: make(map[string][sha256.Size]byte), failures: make(map[guesser]*list.Element), suspects: make(chan struct{}, 1),
	}
	rand.Read(g.key[:])
	return g
}

// close sends those who wait away.
func (g *gate) close() { close(g.closed) }

// admit checks a password. alive reports, when its turn has come, whether the
// client still waits for it.
func (g *gate) admit(u *Users, from netip.Addr, name string, password []byte, alive func() bool) error {
	a, exists := u.byName[name]
	exists = exists && a.page == ""
	hash := a.hash
	if !exists {
		hash = u.dummy() // so that a name that exists takes no longer
	}
	digest := g.digest(name, hash, password)
	g.mu.Lock()
	right, ok := g.right[name]
	g.mu.Unlock()
	if ok && exists && hmac.Equal(right[:], digest[:]) {
		return nil
	}
	if !g.mayFail(guesser{from, name}) {
		return errTooMany
	}
	if g.waiting.Add(1) > maxWaiting {
		g.waiting.Add(-1)
		return errBusy
	}
	defer g.waiting.Add(-1)
	arrived := time.Now()
	suspect := !g.mayFail(guesser{from, ""})
	if suspect {
		if !exists {
			g.failed(guesser{from, ""}, addressBurst)
			return g.pretend(arrived)
		}
		select {
		case g.suspects <- struct{}{}:
			defer func() { <-g.suspects }()
		case <-g.closed:
			return errGone
		}
	}
	select {
	case g.slots <- struct{}{}:
		defer func() { <-g.slots }()
	case <-g.closed:
		return errGone
	}
	switch {
	case !alive():
		g.abandoned.Add(1)
		return errGone
	case !g.mayFail(guesser{from, name}): // those before it have failed meanwhile
		return errTooMany
	}
	g.checks.Add(1)
	if bcrypt.CompareHashAndPassword(hash, password) != nil || !exists {
		g.failed(guesser{from, name}, nameBurst)
		g.failed(guesser{from, ""}, addressBurst)
		g.wrongTook.Store(int64(time.Since(arrived)))
		if suspect {
			return errSuspect
		}
		return errWrong
	}
	g.mu.Lock()
	g.right[name] = digest
	g.mu.Unlock()
	return nil
}

// pretend takes as long as a wrong password took last.
func (g *gate) pretend(arrived time.Time) error {
	t := time.NewTimer(time.Duration(g.wrongTook.Load()) - time.Since(arrived))
	defer t.Stop()
	select {
	case <-t.C:
		return errSuspect
	case <-g.closed:
		return errGone
	}
}

// digest depends on the account's hash too, so that a changed password is
// checked again.
func (g *gate) digest(name string, hash, password []byte) (d [sha256.Size]byte) {
	mac := hmac.New(sha256.New, g.key[:])
	for _, part := range [][]byte{[]byte(name), hash, password} {
		var length [8]byte
		binary.BigEndian.PutUint64(length[:], uint64(len(part)))
		mac.Write(length[:])
		mac.Write(part)
	}
	mac.Sum(d[:0])
	return d
}

// A tally says how many wrong passwords a guesser may still show.
type tally struct {
	who  guesser
	left float64
	at   time.Time
}

func (t *tally) refill(now time.Time) {
	most, rate := float64(nameBurst), nameRate
	if t.who.name == "" {
		most, rate = addressBurst, addressRate
	}
	t.left = min(most, t.left+rate*now.Sub(t.at).Seconds())
	t.at = now
}

func (g *gate) mayFail(who guesser) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	e := g.failures[who]
	if e == nil {
		return true
	}
	t := e.Value.(*tally)
	t.refill(time.Now())
	return t.left >= 1
}

func (g *gate) failed(who guesser, burst float64) {
	g.mu.Lock()
	defer g.mu.Unlock()
	e := g.failures[who]
	if e == nil {
		e = g.order.PushFront(&tally{who: who, left: burst, at: time.Now()})
		g.failures[who] = e
		if g.order.Len() > maxTallies {
			oldest := g.order.Back()
			delete(g.failures, g.order.Remove(oldest).(*tally).who)
		}
	}
	g.order.MoveToFront(e)
	t := e.Value.(*tally)
	t.refill(time.Now())
	t.left--
}
