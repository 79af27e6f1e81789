//go:build linux

package main

import (
	"fmt"
	"io"
	mathrand "math/rand/v2"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"greywatt/cmd/greywatt/internal/cli"
)

// An engineerAtWork is a browser without scripts.
type engineerAtWork struct {
	t      *testing.T
	client *http.Client
	page   string
}

// signInTo signs an engineer in to a page of users.
func signInTo(t *testing.T, page string) *engineerAtWork {
	t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	e := &engineerAtWork{t, &http.Client{Jar: jar, Timeout: time.Minute, Transport: &http.Transport{DisableKeepAlives: true}}, page}
	form := hiddenFields(e.get("/login"))
	form.Set("name", "kim")
	form.Set("password", engineersPassword)
	if text, err := e.post("/login", form); err != nil || strings.Contains(text, `id="password"`) {
		t.Fatalf("signing in: %v\n%s", err, text)
	}
	return e
}

func (e *engineerAtWork) get(path string) string {
	e.t.Helper()
	resp, err := e.client.Get(e.page + path)
	if err != nil {
		e.t.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		e.t.Fatal(err)
	}
	return string(text)
}

// post sends a form and returns the page that comes after it.
func (e *engineerAtWork) post(path string, form url.Values) (string, error) {
	resp, err := e.client.PostForm(e.page+path, form)
	if err != nil {
		return "", err
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	return string(text), err
}

var hiddenField = regexp.MustCompile(`<input type="hidden" name="([^"]+)" value="([^"]*)"`)

// hiddenFields are those of a page's last form: the one beneath its head.
func hiddenFields(text string) url.Values {
	form := url.Values{}
	for _, m := range hiddenField.FindAllStringSubmatch(text[strings.Index(text, "<main"):], -1) {
		form.Set(m[1], m[2])
	}
	return form
}

// The program is killed between an engineer's tap and the reply, at moments that
// differ. After it is started again the fact is in the journal once or not at all, the
// page says which, and the same form sent again makes it exactly once.
func TestKilledBetweenTapAndReply(t *testing.T) {
	dir := t.TempDir()
	study, users := filepath.Join(dir, "study.toml"), filepath.Join(dir, "users.txt")
	text, err := os.ReadFile(filesStudy)
	if err != nil {
		t.Fatal(err)
	}
	password := filepath.Join(dir, "password")
	for name, text := range map[string]string{study: string(text), password: engineersPassword + "\n"} {
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	invoke(t, cli.ExitDone, "users", "add", "kim", "--engineer", "--password-file", password, "--users", users)
	start := func() (*program, string) {
		p := startProgram(t, "run", "--study", study, "--data", filepath.Join(dir, "data"), "--listen", "127.0.0.1:0", "--http", "127.0.0.1:0", "--http-users", users, "--no-events")
		page, _ := p.hear(t, `msg=page url=(\S+)`, 0)
		return p, page
	}
	const path = "/dwelling/larch-04"
	there := func(id string) int {
		text, err := os.ReadFile(filepath.Join(dir, "study.journal.toml"))
		if err != nil && !os.IsNotExist(err) {
			t.Fatal(err)
		}
		return strings.Count(string(text), fmt.Sprintf("id = %q", id))
	}
	p, page := start()
	e := signInTo(t, page)
	replied, kept, lost := 0, 0, 0
	// The first is killed at once, the last after the reply; the others in between.
	for round := range *rounds + 3 {
		form := hiddenFields(e.get(path + "/note?kind=cleaned"))
		form.Set("at", "2026-02-03T10:00")
		form.Set("text", fmt.Sprint("round ", round))
		id := form.Get("form")
		answered := make(chan bool, 1)
		go func() {
			text, err := e.post(path+"/note", form)
			answered <- err == nil && strings.Contains(text, "Noted, and on disk.")
		}()
		done := false
		switch round {
		case 0:
		case 1:
			done = <-answered
		default:
			<-time.After(mathrand.N(5 * time.Millisecond))
		}
		p.kill()
		if round != 1 {
			done = <-answered
		}
		n := there(id)
		switch {
		case n > 1 || done && n == 0:
			t.Fatalf("round %d: answered that it is noted: %t; %d in the journal", round, done, n)
		case done:
			replied++
		case n == 1:
			kept++
		default:
			lost++
		}
		p, page = start()
		e = signInTo(t, page)
		want := "Not noted: the journal does not have it."
		if n == 1 {
			want = "Noted, and on disk."
		}
		if text := e.get(path + "/notes?noted=" + id); !strings.Contains(text, want) {
			t.Errorf("round %d: with %d in the journal the page does not say %q", round, n, want)
		}
		fresh := hiddenFields(e.get(path + "/note?kind=cleaned"))
		form.Set("token", fresh.Get("token"))
		text, err := e.post(path+"/note", form)
		if err != nil || !strings.Contains(text, "Noted, and on disk.") || there(id) != 1 {
			t.Errorf("round %d: sent again: %v, %d in the journal\n%s", round, err, there(id), text)
		}
	}
	p.stop(t)
	t.Logf("%d replied to, %d noted without a reply, %d not noted", replied, kept, lost)
	if replied == 0 || kept+lost == 0 {
		t.Error("no kill before, or none after a reply: nothing was shown")
	}
	if text := string(invoke(t, cli.ExitDone, "check", "--study", study)); !strings.Contains(text, "no mistakes") {
		t.Errorf("the journal: %s", text)
	}
}
