package broker

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"golang.org/x/crypto/bcrypt"
)

func TestAccounts(t *testing.T) {
	hash := func(password string) string {
		h, err := bcrypt.GenerateFromPassword([]byte(password), bcrypt.MinCost)
		if err != nil {
			t.Fatal(err)
		}
		return string(h)
	}
	file := []byte("# flats\n\nelm:" + hash("one") + ":elm-01/n1") // no line end
	add := func(a Account, password string) {
		t.Helper()
		next, err := WithAccount(file, a, hash(password))
		if err != nil {
			t.Fatal(err)
		}
		file = next
	}
	add(Account{Name: "office"}, "two")
	add(Account{Name: "elm", Node: "elm-01/n2"}, "three")
	all, err := Accounts(file)
	if want := []Account{{Name: "elm", Node: "elm-01/n2"}, {Name: "office"}}; err != nil || !slices.Equal(all, want) {
		t.Errorf("%v, %v, want %v", all, err, want)
	}
	if !strings.HasPrefix(string(file), "# flats\n\n") {
		t.Errorf("the comment is lost:\n%s", file)
	}
	u, err := ReadUsers(strings.NewReader(string(file)))
	if err != nil {
		t.Fatal(err)
	}
	if u.check("elm", []byte("one")) || !u.check("elm", []byte("three")) || !u.check("office", []byte("two")) {
		t.Error("a new password is not in the place of the old")
	}
	if !u.mayPublish("elm", "greywatt", "greywatt/elm-01/n2/senml") || u.mayPublish("elm", "greywatt", "greywatt/elm-01/n1/senml") {
		t.Error("the account may publish for another node than it was given")
	}

	if _, err := WithoutAccount(file, "ash"); !errors.Is(err, ErrNoAccount) {
		t.Errorf("removing a user that is not there: %v", err)
	}
	for _, name := range []string{"elm", "office"} {
		if file, err = WithoutAccount(file, name); err != nil {
			t.Fatal(err)
		}
	}
	if all, err := Accounts(file); len(all) != 0 || err != nil || string(file) != "# flats\n\n" {
		t.Errorf("after removing all: %v, %v, %q", all, err, file)
	}

	for _, a := range []Account{
		{Name: ""}, {Name: "a:b"}, {Name: "#a"}, {Name: "a b"}, {Name: "a\nb"}, {Name: "a", Node: "elm-01"}, {Name: "a", Node: "elm-01/+"}, {Name: "a", Node: "elm-01/n1\nx:y:watch"},
	} {
		if out, err := WithAccount(nil, a, hash("x")); err == nil {
			t.Errorf("%+v: no error, %q", a, out)
		}
	}
}
