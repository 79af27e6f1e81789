package broker

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"strings"

	"golang.org/x/crypto/bcrypt"
)

// Users are those who may connect, each with a password and one of two roles:
// a node may publish under its own dwelling and name and read what is there; a
// watcher may read all of the study's topics and publish nothing.
type Users struct {
	byName map[string]account
}

type account struct {
	hash []byte // bcrypt
	node string // <dwelling>/<node>; empty for a watcher
}

const watcher = "watch"

// ReadUsers reads lines of the form
//
//	NAME:HASH:DWELLING/NODE    a node
//	NAME:HASH:watch            a watcher
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
		errs = append(errs, errors.New("no users: want lines of NAME:HASH:DWELLING/NODE or NAME:HASH:watch"))
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
		return errors.New("want NAME:HASH:DWELLING/NODE or NAME:HASH:watch")
	}
	if _, ok := u.byName[name]; ok {
		return fmt.Errorf("user %q is there twice: remove one", name)
	}
	if _, err := bcrypt.Cost([]byte(hash)); err != nil {
		return fmt.Errorf("user %q: the password is not a bcrypt hash", name)
	}
	a := account{hash: []byte(hash)}
	if role != watcher {
		dwelling, node, ok := strings.Cut(role, "/")
		if !ok || dwelling == "" || node == "" || strings.ContainsAny(role, "+#") || strings.Contains(node, "/") {
			return fmt.Errorf("user %q: want DWELLING/NODE or %s after the hash, got %q", name, watcher, role)
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

func (u *Users) check(name string, password []byte) bool {
	a, ok := u.byName[name]
	return ok && bcrypt.CompareHashAndPassword(a.hash, password) == nil
}

func (u *Users) mayPublish(name, prefix, topic string) bool {
	a, ok := u.byName[name]
	if !ok || a.node == "" {
		return false
	}
	node, ok := nodeTopic(prefix, topic)
	return ok && node == a.node
}

// maySubscribe takes a filter, or the topic of a message about to be passed on.
func (u *Users) maySubscribe(name, prefix, filter string) bool {
	a, ok := u.byName[name]
	if !ok {
		return false
	}
	if shared, ok := strings.CutPrefix(filter, "$share/"); ok {
		if _, filter, ok = strings.Cut(shared, "/"); !ok {
			return false
		}
	}
	if a.node != "" {
		prefix += "/" + a.node
	}
	return strings.HasPrefix(filter, prefix+"/")
}
