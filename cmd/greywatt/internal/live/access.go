package live

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"errors"
	"fmt"
	"maps"
	"net"
	"net/http"
	"net/netip"
	"strings"
	"sync"
	"time"
)

// leastPassword is the shortest password, in bytes, that guards the page: this
// project's choice, to go with the limit on attempts.
const leastPassword = 12

// Who has the password is known by a cookie from then on, for sessionFor.
const (
	sessionCookie = "greywatt"
	formCookie    = "greywatt-form"
	sessionFor    = 12 * time.Hour
	mostSessions  = 256
)

// Attempts to give the password that one address may make: so many at once, and
// then one each so often.
const (
	attemptBurst = 8
	attemptEvery = 2 * time.Second
	mostCallers  = 4096 // that attempts are counted of
)

// The roles of those who sign in.
const (
	Viewer   = "viewer"   // sees everything
	Engineer = "engineer" // may note facts too
)

// Changes that one session may make: so many at once, and then one each so often.
const (
	changeBurst = 20
	changeEvery = 3 * time.Second
)

// mostComparisons is how many passwords of users are compared at once: it takes a
// processor some 50 ms each, which logging shall not miss.
const mostComparisons = 2

// A session is that of somebody who has signed in.
type session struct {
	until time.Time
	role  string
	name  string    // "" for who gave the password without a name
	paid  time.Time // when the changes made so far are made up for
}

// access decides who may look, and who may change something.
type access struct {
	now      func() time.Time
	users    Users
	shared   bool              // there is a password without a name
	want     [sha256.Size]byte // of it
	open     bool              // nothing is asked of anybody
	key      [32]byte          // of the tokens in forms
	comparer chan struct{}

	mu       sync.Mutex
	sessions map[[sha256.Size]byte]*session // by the digest of its cookie
	attempts map[netip.Prefix]time.Time     // when what each caller has tried is made up for
}

func newAccess(password string, users Users, now func() time.Time) *access {
	a := &access{
		now: now, users: users, shared: password != "", open: password == "" && users == nil, want: sha256.Sum256([]byte(password)),
		comparer: make(chan struct{}, mostComparisons),
		sessions: map[[sha256.Size]byte]*session{}, attempts: map[netip.Prefix]time.Time{},
	}
	rand.Read(a.key[:])
	return a
}

// CheckPassword returns why a password cannot guard the page.
func CheckPassword(password string) error {
	if len(password) < leastPassword {
		return fmt.Errorf("the page's password has %d bytes; want %d or more", len(password), leastPassword)
	}
	return nil
}

// Listen opens the page's address, HOST:PORT. One that other machines can reach
// it refuses without a password; guarded says that there is one.
func Listen(addr string, guarded bool) (net.Listener, error) {
	at, err := net.ResolveTCPAddr("tcp", addr)
	if err != nil {
		return nil, fmt.Errorf("page address %q: want HOST:PORT, as in %s: %w", addr, DefaultAddr, err)
	}
	if !at.IP.IsLoopback() && !guarded {
		return nil, fmt.Errorf("page address %q is open to other machines and wants users or a password: greywatt users add NAME --engineer --users FILE makes a user for --http-users FILE, --http-password-file FILE has a password for viewers; or take 127.0.0.1", addr)
	}
	l, err := net.ListenTCP("tcp", at)
	if err != nil {
		return nil, fmt.Errorf("page: %w", err)
	}
	return l, nil
}

// try compares a password, in a time that does not tell what is wrong, and
// returns the role that it gives, "" for none. It does not look at all where the
// caller has been wrong too often.
func (a *access) try(r *http.Request, name, password string) (role string, tooOften bool) {
	from := caller(r)
	if !a.attempt(from) {
		return "", true
	}
	switch {
	case name == "" && a.shared:
		got := sha256.Sum256([]byte(password))
		if subtle.ConstantTimeCompare(got[:], a.want[:]) == 1 {
			role = Viewer
		}
	case name != "" && a.users != nil:
		select {
		case a.comparer <- struct{}{}:
			role = a.users.SignIn(name, password)
			<-a.comparer
		case <-r.Context().Done():
		}
	}
	if role != "" {
		a.mu.Lock()
		defer a.mu.Unlock()
		delete(a.attempts, from)
	}
	return role, false
}

// attempt counts an attempt of a caller's before it is looked at, so that many at
// once count too, and reports whether the caller may make it.
func (a *access) attempt(from netip.Prefix) bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	now := a.now()
	paid := a.attempts[from]
	if paid.Before(now) {
		paid = now
	}
	if paid.Sub(now) > (attemptBurst-1)*attemptEvery {
		return false
	}
	if len(a.attempts) >= mostCallers {
		maps.DeleteFunc(a.attempts, func(_ netip.Prefix, paid time.Time) bool { return paid.Before(now) })
	}
	if _, known := a.attempts[from]; known || len(a.attempts) < mostCallers {
		a.attempts[from] = paid.Add(attemptEvery)
	}
	return true
}

// caller returns the address that a request comes from, of IPv6 the network
// that one household has.
func caller(r *http.Request) netip.Prefix {
	at, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil {
		return netip.Prefix{}
	}
	ip, bits := at.Addr().Unmap().WithZone(""), 32
	if ip.Is6() {
		bits = 64
	}
	p, _ := ip.Prefix(bits)
	return p
}

// begin makes a session and returns its cookie's value.
func (a *access) begin(role, name string) string {
	value := rand.Text()
	a.mu.Lock()
	defer a.mu.Unlock()
	now := a.now()
	var oldest [sha256.Size]byte
	var ends time.Time
	for k, s := range a.sessions {
		if now.After(s.until) {
			delete(a.sessions, k)
		} else if ends.IsZero() || s.until.Before(ends) {
			oldest, ends = k, s.until
		}
	}
	if len(a.sessions) >= mostSessions {
		delete(a.sessions, oldest)
	}
	a.sessions[sha256.Sum256([]byte(value))] = &session{until: now.Add(sessionFor), role: role, name: name, paid: now}
	return value
}

func (a *access) end(value string) {
	a.mu.Lock()
	defer a.mu.Unlock()
	delete(a.sessions, sha256.Sum256([]byte(value)))
}

// session returns the request's session, "" without one that holds.
func (a *access) session(r *http.Request) string {
	c, err := r.Cookie(sessionCookie)
	if err != nil {
		return ""
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.holds(a.sessions[sha256.Sum256([]byte(c.Value))]) {
		return c.Value
	}
	return ""
}

// who returns the role and the name of who makes the request; both are "" where
// nobody has signed in.
func (a *access) who(r *http.Request) (role, name string) {
	c, err := r.Cookie(sessionCookie)
	if err != nil {
		return "", ""
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	if s := a.sessions[sha256.Sum256([]byte(c.Value))]; a.holds(s) {
		return s.role, s.name
	}
	return "", ""
}

// holds reports whether a session, which may be nil, is still good: it has not run
// out, and its user still has the role.
func (a *access) holds(s *session) bool {
	return s != nil && a.now().Before(s.until) && (s.name == "" || a.users.Role(s.name) == s.role)
}

// mayChange counts a change of the request's session and reports whether it may
// make one now.
func (a *access) mayChange(r *http.Request) bool {
	c, err := r.Cookie(sessionCookie)
	if err != nil {
		return false
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	s := a.sessions[sha256.Sum256([]byte(c.Value))]
	if !a.holds(s) {
		return false
	}
	now := a.now()
	if s.paid.Before(now) {
		s.paid = now
	}
	if s.paid.Sub(now) > (changeBurst-1)*changeEvery {
		return false
	}
	s.paid = s.paid.Add(changeEvery)
	return true
}

// allowed reports whether the request may see the study.
func (a *access) allowed(r *http.Request) bool { return a.open || a.session(r) != "" }

// bearer reports whether the request carries the password itself, or NAME:PASSWORD
// of a user, as programs that collect metrics do.
func (a *access) bearer(r *http.Request) bool {
	token, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
	if !ok {
		return false
	}
	role, _ := a.try(r, "", token)
	if name, password, named := strings.Cut(token, ":"); role == "" && named {
		role, _ = a.try(r, name, password)
	}
	return role != ""
}

// token returns what a form must send back to prove that it is ours and was
// made for this browser, which the cookie stands for.
func (a *access) token(cookie string) string {
	mac := hmac.New(sha256.New, a.key[:])
	mac.Write([]byte(cookie))
	return hex.EncodeToString(mac.Sum(nil))
}

// checkToken compares the form's token with the one for its cookie.
func (a *access) checkToken(r *http.Request, cookie string) error {
	c, err := r.Cookie(cookie)
	if err != nil || !hmac.Equal([]byte(r.PostFormValue("token")), []byte(a.token(c.Value))) {
		return errors.New("the form is too old, or from elsewhere; load the page again")
	}
	return nil
}

// cookie returns a cookie that scripts cannot read and that other sites cannot
// make a browser send.
func cookie(r *http.Request, name, value string, maxAge time.Duration) *http.Cookie {
	c := &http.Cookie{
		Name: name, Value: value, Path: "/", HttpOnly: true, SameSite: http.SameSiteStrictMode,
		Secure: r.TLS != nil, MaxAge: int(maxAge.Seconds()),
	}
	if maxAge < 0 {
		c.MaxAge = -1
	}
	return c
}

// here reports whether the request was meant for this machine by a name that
// always means it. Without a password a page elsewhere could otherwise give its
// own name our address and have the visitor's browser read the study out.
func here(host string) bool {
	name := host
	if h, _, err := net.SplitHostPort(host); err == nil {
		name = h
	}
	name = strings.Trim(name, "[]")
	if strings.EqualFold(strings.TrimSuffix(name, "."), "localhost") {
		return true
	}
	ip, err := netip.ParseAddr(name)
	return err == nil && ip.IsLoopback()
}

// local returns the path to go on to after signing in, if it is one of ours.
func local(path string) string {
	if !strings.HasPrefix(path, "/") || strings.HasPrefix(path, "//") || strings.ContainsAny(path, "\\\r\n") {
		return "/"
	}
	return path
}
