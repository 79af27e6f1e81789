package live

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"
)

const password = "correct horse battery"

// A visitor is a browser as far as cookies go.
type visitor struct {
	t       testing.TB
	handler http.Handler
	host    string
	from    string
	cookies map[string]string
}

func visit(t testing.TB, p *Page) *visitor {
	return &visitor{t: t, handler: p.Handler(), host: "localhost:8080", from: "127.0.0.1:5000", cookies: map[string]string{}}
}

func (v *visitor) do(r *http.Request) *httptest.ResponseRecorder {
	v.t.Helper()
	r.Host, r.RemoteAddr = v.host, v.from
	for name, value := range v.cookies {
		r.AddCookie(&http.Cookie{Name: name, Value: value})
	}
	w := httptest.NewRecorder()
	v.handler.ServeHTTP(w, r)
	for _, c := range w.Result().Cookies() {
		if !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || c.Path != "/" {
			v.t.Errorf("cookie %s: want HttpOnly, SameSite=Strict and the whole site", c)
		}
		if c.MaxAge < 0 {
			delete(v.cookies, c.Name)
		} else {
			v.cookies[c.Name] = c.Value
		}
	}
	return w
}

func (v *visitor) get(path string) *httptest.ResponseRecorder {
	v.t.Helper()
	return v.do(httptest.NewRequest("GET", path, nil))
}

func (v *visitor) post(path string, form url.Values) *httptest.ResponseRecorder {
	v.t.Helper()
	r := httptest.NewRequest("POST", path, strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	return v.do(r)
}

var tokenPattern = regexp.MustCompile(`name="token" value="([0-9a-f]+)"`)

func (v *visitor) token(path string) string {
	v.t.Helper()
	m := tokenPattern.FindStringSubmatch(v.get(path).Body.String())
	if m == nil {
		v.t.Fatalf("no form on %s", path)
	}
	return m[1]
}

func (v *visitor) signIn() *httptest.ResponseRecorder {
	v.t.Helper()
	return v.post("/login", url.Values{"token": {v.token("/login?next=/rejected")}, "password": {password}, "next": {"/rejected"}})
}

func guardedPage(t testing.TB, clock *testClock) *Page {
	log := openStore(t)
	return New(Config{Study: twoDwellings(), Log: log, Rejected: log, Password: password, Now: clock.now})
}

var today = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

// Nothing of the study is to be seen before the password is given.
func TestEverythingIsGuarded(t *testing.T) {
	p := guardedPage(t, &testClock{today})
	v := visit(t, p)
	for _, path := range []string{"/", "/dwelling/larch-04", "/dwelling/larch-04/events", "/dwelling/larch-04/trend.svg",
		"/event/larch-04-20260302T100000Z", "/event/larch-04-20260302T100000Z/chart.svg", "/rejected", "/nowhere"} {
		w := v.get(path)
		if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/login?next="+url.QueryEscape(path) {
			t.Errorf("%s: %d to %q", path, w.Code, w.Header().Get("Location"))
		}
	}
	for _, path := range []string{"/stream", "/dwelling/larch-04/stream", "/metrics"} {
		if w := v.get(path); w.Code != http.StatusUnauthorized {
			t.Errorf("%s: %d, want 401", path, w.Code)
		}
	}
	for _, path := range []string{"/login", "/healthz", "/nowhere", "/stream"} {
		if w := v.get(path); strings.Contains(strings.ToLower(w.Body.String()), "larch") {
			t.Errorf("%s names the study: %s", path, w.Body)
		}
	}
}

func TestSignInAndOut(t *testing.T) {
	clock := &testClock{today}
	v := visit(t, guardedPage(t, clock))
	if w := v.signIn(); w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/rejected" {
		t.Fatalf("signing in: %d to %q", w.Code, w.Header().Get("Location"))
	}
	if w := v.get("/"); w.Code != http.StatusOK || !strings.Contains(w.Body.String(), "larch-04") {
		t.Fatalf("signed in: %d", w.Code)
	}
	if w := v.get("/login?next=/rejected"); w.Header().Get("Location") != "/rejected" {
		t.Error("who is signed in is asked again")
	}
	stolen := v.cookies[sessionCookie]
	// Without the form's token nobody is signed out.
	if w := v.post("/logout", url.Values{"token": {strings.Repeat("0", 64)}}); w.Code != http.StatusForbidden {
		t.Errorf("signed out without the token: %d", w.Code)
	}
	if w := v.get("/"); w.Code != http.StatusOK {
		t.Errorf("after that: %d", w.Code)
	}
	if w := v.post("/logout", url.Values{"token": {v.token("/")}}); w.Header().Get("Location") != "/login" {
		t.Errorf("signing out: %d to %q", w.Code, w.Header().Get("Location"))
	}
	v.cookies[sessionCookie] = stolen
	if w := v.get("/"); w.Code != http.StatusSeeOther {
		t.Error("the cookie of a session that has ended still opens the page")
	}
	v.signIn()
	clock.at = clock.at.Add(sessionFor)
	if w := v.get("/"); w.Code != http.StatusSeeOther {
		t.Error("a session holds for ever")
	}
}

func TestWrongSignIn(t *testing.T) {
	v := visit(t, guardedPage(t, &testClock{today}))
	token := v.token("/login")
	for _, test := range []struct {
		name, token, password string
		want                  int
	}{
		{"no token", "", password, http.StatusForbidden},
		{"another's token", strings.Repeat("a", 64), password, http.StatusForbidden},
		{"no password", "own", "", http.StatusUnauthorized},
		{"wrong password", "own", password + ".", http.StatusUnauthorized},
	} {
		if test.token == "own" {
			test.token = token
		}
		w := v.post("/login", url.Values{"token": {test.token}, "password": {test.password}})
		if w.Code != test.want || v.cookies[sessionCookie] != "" {
			t.Errorf("%s: %d, want %d", test.name, w.Code, test.want)
		}
		m := tokenPattern.FindStringSubmatch(w.Body.String())
		if m == nil {
			t.Fatalf("%s: the form does not come again", test.name)
		}
		token = m[1]
	}
	// A form from another site, as browsers tell.
	r := httptest.NewRequest("POST", "/login", strings.NewReader(url.Values{"token": {token}, "password": {password}}.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Sec-Fetch-Site", "cross-site")
	if w := v.do(r); w.Code != http.StatusForbidden {
		t.Errorf("a form from another site: %d", w.Code)
	}
}

// Guessing is slowed down for the one who guesses, and only for that one.
func TestAttempts(t *testing.T) {
	clock := &testClock{today}
	p := guardedPage(t, clock)
	v := visit(t, p)
	try := func(v *visitor, password string) int {
		return v.post("/login", url.Values{"token": {v.token("/login")}, "password": {password}}).Code
	}
	wrong := 0
	for range 2 * attemptBurst {
		switch code := try(v, "wrong password"); code {
		case http.StatusUnauthorized:
			wrong++
		case http.StatusTooManyRequests:
		default:
			t.Fatalf("status %d", code)
		}
	}
	if wrong != attemptBurst {
		t.Errorf("%d attempts looked at, want %d", wrong, attemptBurst)
	}
	if code := try(v, password); code != http.StatusTooManyRequests {
		t.Errorf("the right password among too many wrong ones: %d, want it not looked at", code)
	}
	other := visit(t, p)
	other.from = "[2001:db8:0:1::7]:1234"
	if code := try(other, password); code != http.StatusSeeOther {
		t.Errorf("another caller: %d", code)
	}
	clock.at = clock.at.Add(attemptEvery)
	if code := try(v, password); code != http.StatusSeeOther {
		t.Errorf("after a rest: %d", code)
	}
}

// Callers cannot make the count of attempts grow without end.
func TestAttemptsAreBounded(t *testing.T) {
	clock := &testClock{today}
	a := newAccess(password, nil, clock.now)
	for i := range 2 * mostCallers {
		a.try(&http.Request{RemoteAddr: fmt.Sprintf("10.%d.%d.1:1", i/256, i%256)}, "", "wrong")
	}
	if len(a.attempts) > mostCallers {
		t.Errorf("%d callers remembered", len(a.attempts))
	}
	for range 2 * mostSessions {
		a.begin(Viewer, "")
	}
	if len(a.sessions) > mostSessions {
		t.Errorf("%d sessions", len(a.sessions))
	}
}

func TestBearer(t *testing.T) {
	v := visit(t, guardedPage(t, &testClock{today}))
	for header, want := range map[string]int{
		"":                                     http.StatusUnauthorized,
		"Bearer " + password:                   http.StatusOK,
		"Bearer " + password + "x":             http.StatusUnauthorized,
		"Basic " + password:                    http.StatusUnauthorized,
		"bearer" + password:                    http.StatusUnauthorized,
		"Bearer ":                              http.StatusUnauthorized,
		"Bearer " + password[:len(password)-1]: http.StatusUnauthorized,
	} {
		r := httptest.NewRequest("GET", "/metrics", nil)
		if header != "" {
			r.Header.Set("Authorization", header)
		}
		if w := v.do(r); w.Code != want {
			t.Errorf("Authorization %q: %d, want %d", header, w.Code, want)
		}
	}
}

// Without a password the page answers to names of this machine only, so that
// no page elsewhere can have its visitor's browser read it under its own name.
func TestHost(t *testing.T) {
	log := openStore(t)
	p := New(Config{Study: twoDwellings(), Log: log, Rejected: log})
	for host, want := range map[string]int{
		"localhost": 200, "localhost:8080": 200, "LOCALHOST.": 200, "127.0.0.1:8080": 200, "127.9.9.9": 200, "[::1]:8080": 200, "[::1]": 200,
		"evil.example": 421, "evil.example:8080": 421, "192.0.2.1:8080": 421, "localhost.evil.example": 421, "127.0.0.1.evil.example": 421, "": 421,
	} {
		v := visit(t, p)
		v.host = host
		if w := v.get("/healthz"); w.Code != want {
			t.Errorf("host %q: %d, want %d", host, w.Code, want)
		}
	}
	v := visit(t, guardedPage(t, &testClock{today}))
	v.host = "page.example"
	if w := v.get("/login"); w.Code != http.StatusOK {
		t.Errorf("with a password, by another name: %d", w.Code)
	}
}

func TestListen(t *testing.T) {
	for _, test := range []struct {
		addr    string
		guarded bool
		ok      bool
	}{
		{"127.0.0.1:0", false, true}, {"[::1]:0", false, true}, {"localhost:0", false, true},
		{":0", false, false}, {"0.0.0.0:0", false, false}, {"[::]:0", false, false}, {"192.0.2.1:0", false, false},
		{":0", true, true}, {"127.0.0.1", false, false}, {"nowhere", true, false},
	} {
		l, err := Listen(test.addr, test.guarded)
		if (err == nil) != test.ok {
			if strings.Contains(test.addr, "::1") && err != nil {
				t.Logf("no IPv6 here: %v", err)
				continue
			}
			t.Errorf("%q, guarded %v: %v", test.addr, test.guarded, err)
		}
		if l != nil {
			l.Close()
		}
	}
}

func TestCheckPassword(t *testing.T) {
	if CheckPassword("short") == nil || CheckPassword("") == nil {
		t.Error("a short password is taken")
	}
	if err := CheckPassword(strings.Repeat("x", leastPassword)); err != nil {
		t.Error(err)
	}
	if err := CheckPassword("short"); strings.Contains(err.Error(), "short") {
		t.Errorf("the error tells the password: %v", err)
	}
}

// After signing in nobody is sent away from here.
func TestLocal(t *testing.T) {
	for path, want := range map[string]string{
		"/": "/", "/rejected": "/rejected", "/dwelling/a%2Fb?x=1": "/dwelling/a%2Fb?x=1",
		"": "/", "//evil.example": "/", "https://evil.example": "/", "/\\evil.example": "/", "evil": "/", "/a\r\nb": "/",
	} {
		if got := local(path); got != want {
			t.Errorf("local(%q) = %q, want %q", path, got, want)
		}
	}
}

// Over TLS the cookies are for TLS.
func TestSecureCookies(t *testing.T) {
	p := guardedPage(t, &testClock{today})
	server := httptest.NewTLSServer(p.Handler())
	defer server.Close()
	resp, err := server.Client().Get(server.URL + "/login")
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	if len(resp.Cookies()) == 0 || resp.Header.Get("Strict-Transport-Security") == "" {
		t.Fatal("no cookie, or no word that TLS is to stay")
	}
	for _, c := range resp.Cookies() {
		if !c.Secure {
			t.Errorf("cookie %s is not Secure", c.Name)
		}
	}
	server.Client().CloseIdleConnections()
}
