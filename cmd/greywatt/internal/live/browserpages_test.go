package live

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/analysis/monitor"
	"greywatt/cmd/greywatt/internal/browser"
	"greywatt/cmd/greywatt/internal/watch"
	"greywatt/ingest"
)

// Every page, on a phone and on a desk, light and dark, can be read and used:
// contrast, names, headings, targets, nothing wider than the window.
func TestPagesCanBeUsed(t *testing.T) {
	f := newFullPage(t, 5)
	f.d.past.Provisional = f.d.past.Latest
	server := httptest.NewServer(f.Handler())
	t.Cleanup(server.Close)
	if err := f.store.AppendRejected(t.Context(), []ingest.RejectedRecord{{
		Source: "greywatt/larch-05/n1/senml", Dwelling: "larch-05", Reason: ingest.BadUnit, Detail: `unit "F", want Cel or K`,
		Record: strings.Repeat(`{"n":"waste-in","u":"F","v":98}`, 20), At: greywatt.InstantOf(f.Page.clock().now),
	}}); err != nil {
		t.Fatal(err)
	}
	f.d.past.Diagnosis.Findings = []finding.Finding{
		{Code: finding.StepLoss, Since: f.d.past.Events.Event(0).Start, Confidence: 0.97, Evidence: "conductance fell by 21 %", Advice: "Ask what happened that day. Work on drinking-water pipe and heater is for licensed people, by local codes."},
		{Code: finding.Undecided, Evidence: "3 showers"},
	}
	f.d.past.Late = true
	shower := f.d.past.Latest
	f.d.past.Alarms = []monitor.Alarm{{At: shower.Start, EventID: shower.ID, What: "conductance", Evidence: "conductance has been below its level of 0.99 of the certificate's for 4 showers, now 0.78"}}
	f.cfg.Mirror = func() Mirror {
		return Mirror{Server: "influx+https://mirror.example:8086/study", Waiting: 1204, BehindSince: f.clock.at.Add(-time.Hour), LastWrite: f.clock.at.Add(-time.Hour),
			FailingSince: f.clock.at.Add(-time.Hour), Trouble: "dial tcp: connection refused"}
	}
	f.cfg.Overheard = &testOverheard{heardProposal}
	f.link = Link{Where: "tls://broker.example:8883", Trouble: "connection refused"}
	b := browser.Open(t, server.URL)
	var other *event.Event
	for e := range f.d.past.Events.All() {
		if other = e; e.Kind == event.OtherDraw {
			break
		}
	}
	for name, path := range map[string]string{
		"overview": "/", "dwelling": "/dwelling/" + f.d.ID, "dwelling-empty": "/dwelling/larch-05", "events": "/dwelling/" + f.d.ID + "/events",
		"event": "/event/" + f.d.past.Latest.ID, "event-other": "/event/" + other.ID, "rejected": "/rejected", "heard": "/heard", "study": "/study", "alarms": "/dwelling/" + f.d.ID + "/alarms", "problem": "/nowhere",
	} {
		for _, width := range []int64{390, 1280} {
			for _, scheme := range []string{"light", "dark"} {
				b.Look(width, scheme)
				b.Open(path)
				if name == "dwelling" {
					b.Await("the drawing", `document.querySelector("#strip path.series")`)
				}
				b.Audit(fmt.Sprintf("%s, %d px, %s", name, width, scheme))
				b.Shot(fmt.Sprintf("%s-%s-%d", name, scheme, width))
			}
		}
	}
	f.d.past = past{watch.State{Edition: f.d.past.Edition + 1}} // as at a start
	for _, width := range []int64{390, 1280} {
		for name, path := range map[string]string{"reading-overview": "/", "reading-dwelling": "/dwelling/" + f.d.ID} {
			b.Look(width, "light")
			b.Open(path)
			b.Audit(fmt.Sprintf("%s, %d px", name, width))
			b.Shot(fmt.Sprintf("%s-%d", name, width))
		}
	}
	b.Forgive("404") // the page that is not there
}

// With the keyboard alone: the first stop leads past the head of the page, each
// stop shows where it is, and a dwelling is reached.
func TestKeyboard(t *testing.T) {
	f := newFullPage(t, 2)
	server := httptest.NewServer(f.Handler())
	t.Cleanup(server.Close)
	b := browser.Open(t, server.URL)
	b.Look(1280, "light")
	b.Open("/")
	var stops []string
	for range 12 {
		b.Do(chromedp.KeyEvent(kb.Tab))
		stop := browser.Eval[string](b, `document.activeElement.textContent.trim()`)
		stops = append(stops, stop)
		if width := browser.Eval[string](b, `getComputedStyle(document.activeElement).outlineWidth`); width == "0px" {
			t.Errorf("%q does not show that it has the focus", stop)
		}
		if stop == f.d.ID {
			break
		}
	}
	if stops[0] != "Skip to the content" || !slices.Contains(stops, f.d.ID) {
		t.Errorf("stops %q", stops)
	}
	b.Do(chromedp.KeyEvent(kb.Enter))
	b.Await("the dwelling's page", `location.pathname.startsWith("/dwelling/")`)
}

// When the logger goes away the page says so, and when it comes back, started
// anew, the page goes on without being loaded.
func TestReconnect(t *testing.T) {
	log := openStore(t)
	commit(t, log, "larch-04", oneFrame("n1", greywatt.InstantOf(time.Now()), map[greywatt.Channel]float64{greywatt.WasteIn: 20}))
	start := func() *Page {
		p := New(Config{Study: twoDwellings(), Log: log, Rejected: log})
		settle(t, watching(p, log))
		p.refreshOverview()
		return p
	}
	var page atomic.Pointer[http.Handler]
	use := func(p *Page) { h := p.Handler(); page.Store(&h) }
	p := start()
	use(p)
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { (*page.Load()).ServeHTTP(w, r) }))
	t.Cleanup(server.Close)
	b := browser.Open(t, server.URL)
	b.Open("/")
	b.Await("the stream", `document.getElementById("link").textContent === ""`)
	b.Do(chromedp.Evaluate[chromedp.Void](`window.notLoadedAgain = true`))
	p.stop()
	b.Await("word that the connection is lost", `document.querySelector(".link.off")?.textContent.includes("lost") && document.body.classList.contains("old")`)
	b.Shot("lost")
	commit(t, log, "larch-05", oneFrame("n1", greywatt.InstantOf(time.Now()), map[greywatt.Channel]float64{greywatt.WasteIn: 20}))
	again := start()
	use(again)
	t.Cleanup(again.stop)
	b.Await("the connection", `!document.querySelector(".link.off") && !document.body.classList.contains("old")`)
	b.Await("the reading", `/Up/.test(document.getElementById("row-larch-05").innerText)`)
	if !browser.Eval[bool](b, `window.notLoadedAgain === true`) {
		t.Error("the page was loaded again")
	}
}

// The first reading of a study takes the place of the words that nothing came.
func TestFirstReading(t *testing.T) {
	s := newSite(t, twoDwellings(), true)
	b := browser.Open(t, s.url)
	b.Open("/")
	b.Await("the words for it", `/Nothing has come in yet/.test(document.body?.innerText || "")`)
	b.Audit("nothing yet")
	b.Shot("overview-nothing")
	n := s.node(t, "larch-05", "n1")
	n.history(oneFrame("n1", greywatt.InstantOf(time.Now()), map[greywatt.Channel]float64{greywatt.WasteIn: 20}))
	b.Await("the reading", `!/Nothing has come/.test(document.body?.innerText || "Nothing has come") && /Up/.test(document.getElementById("row-larch-05")?.innerText || "")`)
}

// Signing in and out in the browser; the session's cookie is out of the reach of
// scripts.
func TestSignInInTheBrowser(t *testing.T) {
	p := guardedPage(t, &testClock{time.Now()})
	server := httptest.NewServer(p.Handler())
	t.Cleanup(server.Close)
	t.Cleanup(p.stop)
	b := browser.Open(t, server.URL)
	for _, width := range []int64{390, 1280} {
		for _, scheme := range []string{"light", "dark"} {
			b.Look(width, scheme)
			b.Open("/dwelling/larch-04")
			b.Await("the form", `document.getElementById("password")`)
			b.Audit(fmt.Sprintf("sign in, %d px, %s", width, scheme))
			b.Shot(fmt.Sprintf("login-%s-%d", scheme, width))
		}
	}
	give := func(word string) {
		t.Helper()
		b.Do(chromedp.SendKeys(chromedp.CSS("#password"), word+kb.Enter))
	}
	give("not the password")
	b.Await("word that it is wrong", `document.querySelector("[role=alert]")?.textContent === "That is not the password."`)
	b.Audit("wrong password")
	give(password)
	b.Await("the dwelling", `document.querySelector("h1")?.textContent === "larch-04" && location.pathname === "/dwelling/larch-04"`)
	if cookies := browser.Eval[string](b, "document.cookie"); cookies != "" {
		t.Errorf("scripts can read %q", cookies)
	}
	b.Do(chromedp.Evaluate[chromedp.Void](`document.querySelector("nav button").click()`))
	b.Await("the form again", `document.getElementById("password") && location.pathname === "/login"`)
	b.Forgive("401") // the wrong password
}
