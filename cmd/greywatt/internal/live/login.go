package live

import (
	"cmp"
	"crypto/rand"
	"net/http"
	"net/url"
	"strings"

	"greywatt/plots/wording"
)

// askToSignIn sends a visitor to the form, and back afterwards.
func (p *Page) askToSignIn(w http.ResponseWriter, r *http.Request) error {
	next := r.URL.RequestURI()
	if r.Method == http.MethodPost {
		next = whatCame(r)
	}
	http.Redirect(w, r, "/login?next="+url.QueryEscape(next), http.StatusSeeOther)
	return nil
}

// whatCame returns the page that says whether what a form has sent was taken: after
// the logger was started anew, who sends a form again signs in first, and does not
// know whether it came the first time.
func whatCame(r *http.Request) string {
	id, form := r.PathValue("id"), cmp.Or(r.URL.Query().Get("form"), r.PostFormValue("form"))
	switch {
	case r.URL.Path == "/setup":
		return "/setup?" + url.Values{"added": {r.PostFormValue("id")}}.Encode()
	case id == "" || form == "":
		return "/"
	}
	again := r.URL.Path
	asked := url.Values{}
	for _, name := range []string{"kind", "of", "way"} {
		if v := r.PostFormValue(name); v != "" {
			asked.Set(name, v)
		}
	}
	if len(asked) > 0 {
		again += "?" + asked.Encode()
	}
	return dwellingPath(id) + "/notes?" + url.Values{"noted": {form}, "again": {again}}.Encode()
}

func (p *Page) loginForm(w http.ResponseWriter, r *http.Request) error {
	next := local(r.URL.Query().Get("next"))
	if p.access.allowed(r) {
		http.Redirect(w, r, next, http.StatusSeeOther)
		return nil
	}
	return p.showLogin(w, r, http.StatusOK, next, "")
}

func (p *Page) showLogin(w http.ResponseWriter, r *http.Request, status int, next, wrong string) error {
	value := rand.Text()
	http.SetCookie(w, cookie(r, formCookie, value, sessionFor))
	return render(w, status, "login", struct {
		frame
		FormToken, NextPath, Wrong string
		Name                       string
		Named, Shared              bool
	}{p.frame(r, "Sign in"), p.access.token(value), next, wrong, r.PostFormValue("name"), p.access.users != nil, p.access.shared})
}

func (p *Page) login(w http.ResponseWriter, r *http.Request) error {
	next := local(r.PostFormValue("next"))
	if p.access.open {
		http.Redirect(w, r, next, http.StatusSeeOther)
		return nil
	}
	if err := p.access.checkToken(r, formCookie); err != nil {
		return p.showLogin(w, r, http.StatusForbidden, next, wording.Capital(err.Error())+".")
	}
	name := strings.TrimSpace(r.PostFormValue("name"))
	role, tooOften := p.access.try(r, name, r.PostFormValue("password"))
	switch {
	case tooOften:
		w.Header().Set("Retry-After", "10")
		return p.showLogin(w, r, http.StatusTooManyRequests, next, "Too many attempts. Wait some seconds and try again.")
	case role == "" && p.access.users != nil:
		return p.showLogin(w, r, http.StatusUnauthorized, next, "Name and password do not go together.")
	case role == "":
		return p.showLogin(w, r, http.StatusUnauthorized, next, "That is not the password.")
	}
	http.SetCookie(w, cookie(r, formCookie, "", -1))
	http.SetCookie(w, cookie(r, sessionCookie, p.access.begin(role, name), sessionFor))
	http.Redirect(w, r, next, http.StatusSeeOther)
	return nil
}

func (p *Page) logout(w http.ResponseWriter, r *http.Request) error {
	session := p.access.session(r)
	if session != "" {
		if err := p.access.checkToken(r, sessionCookie); err != nil {
			return &problem{http.StatusForbidden, "Not signed out", wording.Capital(err.Error()) + "."}
		}
		p.access.end(session)
	}
	http.SetCookie(w, cookie(r, sessionCookie, "", -1))
	http.Redirect(w, r, "/login", http.StatusSeeOther)
	return nil
}
