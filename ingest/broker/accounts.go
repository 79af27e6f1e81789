package broker

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"strings"
	"unicode"
)

// An Account is one line of a users file, without its password.
type Account struct {
	Name string
	Node string // <dwelling>/<node>; empty for all others
	Page string // [Viewer] or [Engineer]; both empty: a watcher
}

// Check reports what is wrong with the account's name.
func (a Account) Check() error {
	odd := func(r rune) bool { return r == ':' || !unicode.IsPrint(r) || unicode.IsSpace(r) }
	if a.Name == "" || a.Name[0] == '#' || strings.ContainsFunc(a.Name, odd) {
		return fmt.Errorf("user name %q: want printable characters without blanks and colons, the first not #", a.Name)
	}
	return nil
}

// ErrNoAccount is returned for an account that a users file does not have.
var ErrNoAccount = errors.New("no such user")

// Accounts returns the accounts of a users file in the order of its lines. A
// file without any is empty, not an error.
func Accounts(file []byte) ([]Account, error) {
	if noAccounts(file) {
		return nil, nil
	}
	u, err := ReadUsers(bytes.NewReader(file))
	if err != nil {
		return nil, err
	}
	var all []Account
	for line := range strings.Lines(string(file)) {
		if name, ok := accountName(line); ok {
			all = append(all, Account{Name: name, Node: u.byName[name].node, Page: u.byName[name].page})
		}
	}
	return all, nil
}

// WithAccount returns the users file with the account, which takes the place of
// one of the same name. hash is the password's, as [HashPassword] makes it. All
// other lines, comments too, stay as they are.
func WithAccount(file []byte, a Account, hash string) ([]byte, error) {
	if err := a.Check(); err != nil {
		return nil, err
	}
	role := cmp.Or(a.Node, a.Page, watcher)
	line := a.Name + ":" + hash + ":" + role + "\n"
	out, replaced := rewrite(file, a.Name, line)
	if !replaced {
		if len(out) > 0 && out[len(out)-1] != '\n' {
			out = append(out, '\n')
		}
		out = append(out, line...)
	}
	if _, err := ReadUsers(bytes.NewReader(out)); err != nil {
		return nil, err
	}
	return out, nil
}

// WithoutAccount returns the users file without the named account, or
// [ErrNoAccount].
func WithoutAccount(file []byte, name string) ([]byte, error) {
	out, found := rewrite(file, name, "")
	if !found {
		return nil, fmt.Errorf("%w: %q", ErrNoAccount, name)
	}
	return out, nil
}

// rewrite puts line in the place of the line of the named account.
func rewrite(file []byte, name, line string) (out []byte, found bool) {
	for old := range strings.Lines(string(file)) {
		if n, ok := accountName(old); ok && n == name {
			old, found = line, true
		}
		out = append(out, old...)
	}
	return out, found
}

func accountName(line string) (name string, ok bool) {
	line = strings.TrimSpace(line)
	if line == "" || line[0] == '#' {
		return "", false
	}
	name, _, _ = strings.Cut(line, ":")
	return name, true
}

func noAccounts(file []byte) bool {
	for line := range strings.Lines(string(file)) {
		if _, ok := accountName(line); ok {
			return false
		}
	}
	return true
}
