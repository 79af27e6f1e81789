package broker

import (
	"container/list"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"math"
	mathrand "math/rand/v2"
	"net/netip"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/crypto/bcrypt"
)

// Checking a password takes a processor a twentieth of a second, by design. The
// gate lets so many be checked at a time as there are processors, so that
// strangers cannot take more, and checks none twice that it has found right: a
// node that comes again is known by a keyed digest of what it showed. That key and
// the digests go with the process: after a restart each password is checked once.
//
// An address that has shown many wrong passwords is a suspect, though honest nodes
// may be behind it too. So it is not the address that is made to wait but the name:
// of a suspect each name's first password is checked as anybody's is, and a name
// that a wrong one was shown for waits in the slow lane, which comes after all
// others and has a budget of processor time. A right password is admitted from there
// too. Names that there are not wait as long and cost nothing.
type gate struct {
	key    [sha256.Size]byte // of this process; the digests are worth nothing elsewhere
	closed chan struct{}
	match  func(hash, password []byte) error // [bcrypt.CompareHashAndPassword]

	mu      sync.Mutex
	free    int                          // processors for checks
	right   map[string][sha256.Size]byte // by account
	known   tallies                      // of names that there are
	others  tallies                      // of addresses, and of other names
	queue   []*waiter
	slow    []*waiter
	checked map[string]bool // names being checked now
	budget  time.Duration   // of the slow lane
	filled  time.Time       // when budget was right
	alarm   *time.Timer     // for when the slow lane may go on; nil before the first

	abandoned atomic.Int64
	checks    atomic.Int64 // passwords checked
	// How long the last wrong one took, ns, from arrival to answer, in the queue and
	// in the slow lane.
	wrongTook [2]atomic.Int64
}

const (
	maxWaiting = 4096 // passwords to be checked
	maxSlow    = 1024 // in the slow lane; a newcomer there displaces anyone
	maxTallies = 10_000
	// An address may show so many wrong passwords for one name at once, and then
	// nameRate a second. After addressBurst for any names it is a suspect, for whose
	// names one wrong password in nameMemory is enough for the slow lane.
	nameBurst    = 10
	nameRate     = 0.1
	addressBurst = 30
	addressRate  = 0.5
	nameMemory   = 10 * time.Minute
	// The slow lane has slowReserve of processor time, enough for a thousand nodes that
	// come back, and slowShare of one processor fills it again.
	slowReserve = time.Minute
	slowShare   = 0.25
	// nameRest is the least time between checks of a name that is over its burst.
	nameRest = time.Second
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
	errSuspect = errors.New("unknown user or wrong password, after many from this address")
	errGone    = errors.New("gone before its password was checked")
)

func newGate() *gate {
	g := &gate{
		free: runtime.GOMAXPROCS(0), closed: make(chan struct{}), match: bcrypt.CompareHashAndPassword,
		right: make(map[string][sha256.Size]byte), known: newTallies(), others: newTallies(), checked: make(map[string]bool),
		budget: slowReserve, filled: time.Now(),
	}
	rand.Read(g.key[:])
	return g
}

// close sends those who wait away.
func (g *gate) close() { close(g.closed) }

// A waiter has a password to be checked.
type waiter struct {
	who   guesser
	known bool // there is such a name

	turn   chan struct{} // closed when what follows is decided
	slow   bool          // from the slow lane
	answer error         // instead of a check
}

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
	arrived := time.Now()
	w := &waiter{who: guesser{from, name}, known: exists, turn: make(chan struct{})}
	g.mu.Lock()
	if right, ok := g.right[name]; ok && exists && hmac.Equal(right[:], digest[:]) {
		g.mu.Unlock()
		return nil
	}
	if len(g.queue) >= maxWaiting {
		g.mu.Unlock()
		return errBusy
	}
	g.queue = append(g.queue, w)
	g.callNext(arrived)
	g.mu.Unlock()
	select {
	case <-w.turn:
	case <-g.closed:
		g.withdraw(w)
		return errGone
	}
	if w.answer == errSuspect {
		return g.pretend(arrived, w.slow)
	}
	if w.answer != nil {
		return w.answer
	}
	begin := time.Now()
	defer g.done(w, begin)
	if !alive() {
		g.abandoned.Add(1)
		return errGone
	}
	g.checks.Add(1)
	if g.match(hash, password) == nil && exists {
		g.mu.Lock()
		g.right[name] = digest
		g.mu.Unlock()
		return nil
	}
	now := time.Now()
	g.mu.Lock()
	suspect := g.failed(w, now) || w.slow
	g.mu.Unlock()
	g.wrongTook[lane(w.slow)].Store(int64(now.Sub(arrived)))
	if suspect {
		return errSuspect
	}
	return errWrong
}

func lane(slow bool) int {
	if slow {
		return 1
	}
	return 0
}

// pretend takes as long as a wrong password of its lane took last.
func (g *gate) pretend(arrived time.Time, slow bool) error {
	t := time.NewTimer(time.Duration(g.wrongTook[lane(slow)].Load()) - time.Since(arrived))
	defer t.Stop()
	select {
	case <-t.C:
		return errSuspect
	case <-g.closed:
		return errGone
	}
}

// of returns the tallies that the waiter's name is in.
func (g *gate) of(w *waiter) *tallies {
	if w.known {
		return &g.known
	}
	return &g.others
}

// judge says whether an address is a suspect, and whether the name belongs into the
// slow lane. The caller holds g.mu.
func (g *gate) judge(w *waiter, now time.Time) (suspect, slow bool) {
	suspect = g.others.get(guesser{w.who.from, ""}, now).left < 1
	name := g.of(w).get(w.who, now)
	return suspect, name.left < 1 || suspect && now.Sub(name.failed) < nameMemory
}

// failed notes a wrong password, and reports whether the address is a suspect. The
// caller holds g.mu.
func (g *gate) failed(w *waiter, now time.Time) (suspect bool) {
	g.of(w).take(w.who, now)
	return g.others.take(guesser{w.who.from, ""}, now).left < 1
}

// callNext gives free processors to those whose turn it is: of the queue who came
// first, of names that none is being checked of, then of the slow lane. The caller
// holds g.mu.
func (g *gate) callNext(now time.Time) {
	stay := g.queue[:0]
	for i, w := range g.queue {
		if g.free == 0 {
			stay = append(stay, g.queue[i:]...)
			break
		}
		if g.checked[w.who.name] {
			stay = append(stay, w)
			continue
		}
		suspect, slow := g.judge(w, now)
		w.slow = slow
		switch {
		case !w.known && (suspect || slow):
			g.failed(w, now)
			w.answer = errSuspect
			close(w.turn)
		case slow:
			g.toSlowLane(w)
		default:
			g.call(w)
		}
	}
	clear(g.queue[len(stay):])
	g.queue = stay
	if g.free > 0 && len(g.slow) > 0 {
		g.callSlow(now)
	}
}

func (g *gate) call(w *waiter) {
	g.free--
	g.checked[w.who.name] = true
	close(w.turn)
}

// toSlowLane has w wait there, in anyone's place where it is full.
func (g *gate) toSlowLane(w *waiter) {
	if len(g.slow) < maxSlow {
		g.slow = append(g.slow, w)
		return
	}
	i := mathrand.IntN(len(g.slow))
	g.slow[i].answer = errBusy
	close(g.slow[i].turn)
	g.slow[i] = w
}

// callSlow is callNext of the slow lane: names of fewer wrong passwords come first,
// and among equals anyone, so that nobody can be always ahead.
func (g *gate) callSlow(now time.Time) {
	g.budget = min(slowReserve, g.budget+time.Duration(slowShare*float64(now.Sub(g.filled))))
	g.filled = now
	wait := time.Duration(float64(-g.budget)/slowShare) + time.Millisecond
	for g.free > 0 && g.budget > 0 {
		chosen, equals, most := -1, 0, 0.
		wait = nameRest
		for i, w := range g.slow {
			if g.checked[w.who.name] {
				continue
			}
			name := g.of(w).get(w.who, now)
			if rest := nameRest - now.Sub(name.failed); name.left < 1 && rest > 0 {
				wait = min(wait, rest)
				continue
			}
			left := math.Floor(name.left)
			if chosen < 0 || left > most {
				equals, most = 0, left
			}
			if left == most {
				if equals++; mathrand.IntN(equals) == 0 {
					chosen = i
				}
			}
		}
		if chosen < 0 {
			break
		}
		w := g.slow[chosen]
		g.slow = slices.Delete(g.slow, chosen, chosen+1)
		g.call(w)
	}
	if g.free > 0 && len(g.slow) > 0 {
		if g.alarm != nil {
			g.alarm.Stop()
		}
		g.alarm = time.AfterFunc(wait, func() {
			g.mu.Lock()
			defer g.mu.Unlock()
			g.callNext(time.Now())
		})
	}
}

// done gives back what a check took.
func (g *gate) done(w *waiter, begin time.Time) {
	now := time.Now()
	g.mu.Lock()
	defer g.mu.Unlock()
	g.free++
	delete(g.checked, w.who.name)
	if w.slow {
		g.budget -= now.Sub(begin)
	}
	g.callNext(now)
}

// withdraw takes one out who waits, or whose turn has just come.
func (g *gate) withdraw(w *waiter) {
	g.mu.Lock()
	is := func(o *waiter) bool { return o == w }
	waiting := len(g.queue) + len(g.slow)
	g.queue, g.slow = slices.DeleteFunc(g.queue, is), slices.DeleteFunc(g.slow, is)
	called := waiting == len(g.queue)+len(g.slow) && w.answer == nil
	g.mu.Unlock()
	if called {
		g.done(w, time.Now())
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
	who    guesser
	left   float64
	at     time.Time
	failed time.Time // when it showed the last
}

func (who guesser) allowance() (burst, rate float64) {
	if who.name == "" {
		return addressBurst, addressRate
	}
	return nameBurst, nameRate
}

// tallies are bounded: the one that was used last longest ago goes.
type tallies struct {
	by    map[guesser]*list.Element // of tally
	order *list.List                // the one used last in front
}

func newTallies() tallies { return tallies{make(map[guesser]*list.Element), list.New()} }

// get returns the guesser's tally as it is now.
func (ts *tallies) get(who guesser, now time.Time) tally {
	burst, rate := who.allowance()
	e := ts.by[who]
	if e == nil {
		return tally{who: who, left: burst, at: now}
	}
	t := e.Value.(tally)
	t.left = min(burst, t.left+rate*now.Sub(t.at).Seconds())
	t.at = now
	return t
}

// take notes a wrong password and returns what is left.
func (ts *tallies) take(who guesser, now time.Time) tally {
	t := ts.get(who, now)
	t.left, t.failed = max(0, t.left-1), now
	if e := ts.by[who]; e != nil {
		e.Value = t
		ts.order.MoveToFront(e)
		return t
	}
	ts.by[who] = ts.order.PushFront(t)
	if ts.order.Len() > maxTallies {
		delete(ts.by, ts.order.Remove(ts.order.Back()).(tally).who)
	}
	return t
}
