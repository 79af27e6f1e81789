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
type gate struct {
	key    [sha256.Size]byte // of this process; the digests are worth nothing elsewhere
	slots  chan struct{}
	closed chan struct{}

	mu       sync.Mutex
	right    map[string][sha256.Size]byte // by account
	failures map[netip.Addr]*list.Element // of *tally, the one used last in front
	order    list.List

	waiting, abandoned atomic.Int64
}

const (
	maxWaiting = 4096 // passwords to be checked
	maxTallies = 10_000
	// failureBurst wrong passwords of one address are checked at once, and then
	// failureRate a second.
	failureBurst = 30
	failureRate  = 0.5
)

// Why the gate admits nobody; all but errWrong end the connection without an
// answer, so that a node comes again.
var (
	errWrong   = errors.New("unknown user or wrong password")
	errBusy    = errors.New("too many are waiting to be admitted")
	errTooMany = errors.New("too many wrong passwords from this address; try again later")
	errGone    = errors.New("gone before its password was checked")
)

func newGate() *gate {
	g := &gate{
		slots: make(chan struct{}, runtime.GOMAXPROCS(0)), closed: make(chan struct{}),
		right: make(map[string][sha256.Size]byte), failures: make(map[netip.Addr]*list.Element),
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
	if !g.mayFail(from) {
		return errTooMany
	}
	if g.waiting.Add(1) > maxWaiting {
		g.waiting.Add(-1)
		return errBusy
	}
	select {
	case g.slots <- struct{}{}:
		g.waiting.Add(-1)
	case <-g.closed:
		g.waiting.Add(-1)
		return errGone
	}
	defer func() { <-g.slots }()
	switch {
	case !alive():
		g.abandoned.Add(1)
		return errGone
	case !g.mayFail(from): // those before it have failed meanwhile
		return errTooMany
	}
	if bcrypt.CompareHashAndPassword(hash, password) != nil || !exists {
		g.failed(from)
		return errWrong
	}
	g.mu.Lock()
	g.right[name] = digest
	g.mu.Unlock()
	return nil
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

// A tally says how many wrong passwords an address may still show.
type tally struct {
	from netip.Addr
	left float64
	at   time.Time
}

func (t *tally) refill(now time.Time) {
	t.left = min(failureBurst, t.left+failureRate*now.Sub(t.at).Seconds())
	t.at = now
}

func (g *gate) mayFail(from netip.Addr) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	e := g.failures[from]
	if e == nil {
		return true
	}
	t := e.Value.(*tally)
	t.refill(time.Now())
	return t.left >= 1
}

func (g *gate) failed(from netip.Addr) {
	g.mu.Lock()
	defer g.mu.Unlock()
	e := g.failures[from]
	if e == nil {
		e = g.order.PushFront(&tally{from: from, left: failureBurst, at: time.Now()})
		g.failures[from] = e
		if g.order.Len() > maxTallies {
			oldest := g.order.Back()
			delete(g.failures, g.order.Remove(oldest).(*tally).from)
		}
	}
	g.order.MoveToFront(e)
	t := e.Value.(*tally)
	t.refill(time.Now())
	t.left--
}
