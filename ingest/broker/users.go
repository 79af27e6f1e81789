package broker

import (
	"bufio"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"

	"golang.org/x/crypto/bcrypt"
)

// Users are those of a users file, each with a password and a role. To the broker
// connect: nodes, which may publish under their own dwelling and name and
// read nothing, and watchers, who may read all of the study's topics and publish
// nothing. Viewers and engineers sign in to the study's page and do not connect.
type Users struct {
	byName map[string]account
	decoy  sync.Once
	hash   []byte // of nobody's password
}

type account struct {
	hash []byte // bcrypt
	node string // <dwelling>/<node>; empty for all others
	page string // Viewer or Engineer; empty for those who connect to the broker
}

const watcher = "watch"

// The roles of those who sign in to the page.
const (
	Viewer   = "viewer"   // sees everything
	Engineer = "engineer" // may note facts and describe dwellings too
)

const wantLines = "NAME:HASH:DWELLING/NODE, NAME:HASH:watch, NAME:HASH:viewer or NAME:HASH:engineer"

// ReadUsers reads lines of the form
//
//	NAME:HASH:DWELLING/NODE    a node
//	NAME:HASH:watch            a watcher
//	NAME:HASH:viewer           who may see the page
//	NAME:HASH:engineer         who may note things there too
//
// with a bcrypt hash as [HashPassword] and most password tools make it. Empty
// lines and those that begin with # do not count. All mistakes are reported at
// once, each with its line.
func ReadUsers(r io.Reader) (*Users, error) {
	u := &Users{byName: make(map[string]account)}
	var errs []error
	lines := bufio.NewScanner(r)
	for n := 1; lines.Scan(); n++ {
		line := strings.TrimSpace(lines.Text())
		if line == "" || line[0] == '#' {
			continue
		}
		if err := u.add(line); err != nil {
			errs = append(errs, fmt.Errorf("line %d: %w", n, err))
		}
	}
	if err := lines.Err(); err != nil {
		errs = append(errs, err)
	} else if len(u.byName) == 0 && errs == nil {
		errs = append(errs, errors.New("no users: want lines of "+wantLines))
	}
	if errs != nil {
		return nil, errors.Join(errs...)
	}
	return u, nil
}

func (u *Users) add(line string) error {
	// The line itself is not quoted in errors: it may hold a password in clear.
	name, rest, ok1 := strings.Cut(line, ":")
	hash, role, ok2 := strings.Cut(rest, ":")
	if !ok1 || !ok2 || name == "" {
		return errors.New("want " + wantLines)
	}
	if _, ok := u.byName[name]; ok {
		return fmt.Errorf("user %q is there twice: remove one", name)
	}
	if _, err := bcrypt.Cost([]byte(hash)); err != nil {
		return fmt.Errorf("user %q: the password is not a bcrypt hash", name)
	}
	a := account{hash: []byte(hash)}
	switch role {
	case watcher:
	case Viewer, Engineer:
		a.page = role
	default:
		dwelling, node, ok := strings.Cut(role, "/")
		if !ok || dwelling == "" || node == "" || strings.ContainsAny(role, "+#") || strings.Contains(node, "/") {
			return fmt.Errorf("user %q: want DWELLING/NODE, %s, %s or %s after the hash, got %q", name, watcher, Viewer, Engineer, role)
		}
		a.node = role
	}
	u.byName[name] = a
	return nil
}

// HashPassword returns the bcrypt hash of a password of 1 to 72 bytes.
func HashPassword(password string) (string, error) {
	if password == "" {
		return "", errors.New("empty password")
	}
	hash, err := bcrypt.GenerateFromPassword([]byte(password), bcrypt.DefaultCost)
	return string(hash), err
}

// dummy returns the hash of a password that nobody has, which takes as long to
// check as the slowest of the accounts'.
func (u *Users) dummy() []byte {
	u.decoy.Do(func() {
		cost := bcrypt.MinCost
		for _, a := range u.byName {
			if c, err := bcrypt.Cost(a.hash); err == nil {
				cost = max(cost, c)
			}
		}
		u.hash, _ = bcrypt.GenerateFromPassword([]byte(rand.Text()), cost)
	})
	return u.hash
}

func (u *Users) check(name string, password []byte) bool {
	a, ok := u.byName[name]
	return ok && a.page == "" && bcrypt.CompareHashAndPassword(a.hash, password) == nil
}

// SignIn returns the role on the page of the user of that name and password,
// [Viewer] or [Engineer], or "" where there is none. It takes some 50 ms.
func (u *Users) SignIn(name, password string) (role string) {
	a, ok := u.byName[name]
	if !ok || a.page == "" {
		a = account{hash: u.dummy()} // so that a name that exists takes no longer
	}
	if bcrypt.CompareHashAndPassword(a.hash, []byte(password)) != nil {
		return ""
	}
	return a.page
}

// Role returns the role on the page of the user of that name, or "" where there is
// none.
func (u *Users) Role(name string) string { return u.byName[name].page }

// SignsIn reports whether somebody of the role is among the users.
func (u *Users) SignsIn(role string) bool {
	for _, a := range u.byName {
		if a.page == role && role != "" {
			return true
		}
	}
	return false
}

func (u *Users) mayPublish(name, prefix, topic string) bool {
	a, ok := u.byName[name]
	if !ok || a.node == "" {
		return false
	}
	node, ok := nodeTopic(prefix, topic)
	return ok && node == a.node
}

// mayPublishOther holds a node to the topics that name its dwelling and, where
// they name one, its node.
func (u *Users) mayPublishOther(name string, others Topics, topic string) bool {
	a, ok := u.byName[name]
	if !ok || a.node == "" {
		return false
	}
	dwelling, node, ok := others.Owner(topic)
	ownDwelling, ownNode, _ := strings.Cut(a.node, "/")
	return ok && dwelling != "" && dwelling == ownDwelling && (node == "" || node == ownNode)
}

// maySubscribe takes a filter, or the topic of a message about to be passed on.
// Nodes subscribe to nothing: there is nobody who could write to them.
func (u *Users) maySubscribe(name, prefix, filter string) bool {
	a, ok := u.byName[name]
	if !ok || a.page != "" || a.node != "" {
		return false
	}
	if shared, ok := strings.CutPrefix(filter, "$share/"); ok {
		if _, filter, ok = strings.Cut(shared, "/"); !ok {
			return false
		}
	}
	return strings.HasPrefix(filter, prefix+"/")
}
