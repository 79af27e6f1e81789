package live

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"greywatt/ingest/broker"
)

// staff has a viewer and an engineer, as a users file says.
func staff(t testing.TB) Users {
	t.Helper()
	var file []byte
	for _, a := range []broker.Account{{Name: "vera", Page: broker.Viewer}, {Name: "kim", Page: broker.Engineer}, {Name: "logger", Node: "larch-04/n1"}} {
		hash, err := broker.HashPassword("the password of " + a.Name)
		if err != nil {
			t.Fatal(err)
		}
		if file, err = broker.WithAccount(file, a, hash); err != nil {
			t.Fatal(err)
		}
	}
	users, err := broker.ReadUsers(strings.NewReader(string(file)))
	if err != nil {
		t.Fatal(err)
	}
	return users
}

func staffedPage(t testing.TB, clock *testClock) *Page {
	log := openStore(t)
	return New(Config{Study: twoDwellings(), Log: log, Rejected: log, Users: staff(t), Password: password, Now: clock.now})
}

func (v *visitor) signInAs(name, password string) int {
	v.t.Helper()
	return v.post("/login", url.Values{"token": {v.token("/login")}, "name": {name}, "password": {password}}).Code
}

func TestRoles(t *testing.T) {
	p := staffedPage(t, &testClock{today})
	for _, test := range []struct{ name, password, role string }{
		{"kim", "the password of kim", Engineer},
		{"vera", "the password of vera", Viewer},
		{"", password, Viewer},
		{"kim", "the password of vera", ""},
		{"kim", password, ""},
		{"", "the password of kim", ""},
		{"logger", "the password of logger", ""}, // a node signs in to the broker only
		{"nobody", "the password of kim", ""},
	} {
		v := visit(t, p)
		v.from = "192.0.2." + string(rune('1'+len(test.name))) + ":1"
		want := http.StatusSeeOther
		if test.role == "" {
			want = http.StatusUnauthorized
		}
		if code := v.signInAs(test.name, test.password); code != want {
			t.Errorf("%q: %d, want %d", test.name, code, want)
		}
		r, err := http.NewRequest("GET", "/", nil)
		if err != nil {
			t.Fatal(err)
		}
		r.AddCookie(&http.Cookie{Name: sessionCookie, Value: v.cookies[sessionCookie]})
		if role, name := p.access.who(r); role != test.role || test.role != "" && name != test.name {
			t.Errorf("%q is %q named %q, want %q", test.name, role, name, test.role)
		}
	}
	// Programs that collect metrics send NAME:PASSWORD, or the password.
	for token, want := range map[string]int{"vera:the password of vera": 200, password: 200, "vera:" + password: 401} {
		v := visit(t, p)
		r, _ := http.NewRequest("GET", "/metrics", nil)
		r.RequestURI = "/metrics"
		r.Header.Set("Authorization", "Bearer "+token)
		if w := v.do(r); w.Code != want {
			t.Errorf("Bearer %s: %d, want %d", token, w.Code, want)
		}
	}
}

func TestPhonePage(t *testing.T) {
	p := staffedPage(t, &testClock{today})
	p.cfg.Addresses = []string{"https://192.0.2.7:8443"}
	v := visit(t, p)
	if w := v.get("/phone"); w.Code != http.StatusSeeOther {
		t.Errorf("before signing in: %d", w.Code)
	}
	v.signInAs("vera", "the password of vera")
	text := v.get("/phone").Body.String()
	checkPage(t, "/phone", text)
	has(t, text, "https://192.0.2.7:8443", "Without TLS, passwords cross the network in clear")
	if w := v.get("/phone.png"); w.Code != 200 || !strings.HasPrefix(w.Body.String(), "\x89PNG") {
		t.Errorf("code: %d", w.Code)
	}
	p.cfg.Addresses = []string{"http://127.0.0.1:8080"}
	has(t, v.get("/phone").Body.String(), "answers on this machine only")
	if w := v.get("/phone.png"); w.Code != 404 {
		t.Errorf("a code of an address that no phone can open: %d", w.Code)
	}
}

// A signed-in user who loses the role is signed out with the next request.
func TestLostRoleSignsOut(t *testing.T) {
	p := staffedPage(t, &testClock{today})
	users := &changing{Users: p.access.users}
	p.access.users = users
	v := visit(t, p)
	if code := v.signInAs("kim", "the password of kim"); code != http.StatusSeeOther {
		t.Fatalf("sign-in: %d", code)
	}
	r, err := http.NewRequest("GET", "/", nil)
	if err != nil {
		t.Fatal(err)
	}
	r.AddCookie(&http.Cookie{Name: sessionCookie, Value: v.cookies[sessionCookie]})
	if role, _ := p.access.who(r); role != Engineer || !p.access.allowed(r) {
		t.Fatalf("signed in as %q", role)
	}
	users.gone = true
	if role, name := p.access.who(r); role != "" || name != "" || p.access.allowed(r) || p.access.mayChange(r) {
		t.Errorf("without the role: still %q named %q", role, name)
	}
}

// changing are users who can all go.
type changing struct {
	Users
	gone bool
}

func (c *changing) Role(name string) string {
	if c.gone {
		return ""
	}
	return c.Users.Role(name)
}
