package live

import (
	"encoding/xml"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/cmd/greywatt/internal/watch"
	"greywatt/ingest"
	"greywatt/ingest/mqttsource"
	"greywatt/ingest/store"
	"greywatt/plots/wording"
)

// A fullPage is a page of a study with a dwelling that has its history, and one
// from which nothing came.
type fullPage struct {
	*Page
	*visitor
	watch  *watch.Watch
	d      *dwelling
	clock  *testClock
	store  *store.Store
	ingest mqttsource.Status
	link   Link
}

func newFullPage(t testing.TB, days int) *fullPage {
	t.Helper()
	study, frames := house(t, days)
	study.Name = "Larch Row <trial>"
	study.Dwellings = append(study.Dwellings, twoDwellings().Dwellings[1])
	f := &fullPage{clock: &testClock{}, store: openStore(t), link: Link{Where: "tcp://127.0.0.1:1883", Topics: "greywatt/<dwelling>/<node>/senml", Connected: true}}
	f.Page = New(Config{
		Study: study, Log: f.store, Rejected: f.store, Now: f.clock.now, Version: "1.2.3",
		Ingest: func() mqttsource.Status { return f.ingest }, Link: func() Link { return f.link },
	})
	f.visitor = visit(t, f.Page)
	f.d = f.dwellings[0]
	f.spread(commit(t, f.store, f.d.ID, frames))
	f.clock.set(frames[len(frames)-1].At)
	f.watch = watching(f.Page, f.store)
	settle(t, f.watch)
	f.clock.at = f.clock.at.Add(aWhile)
	settle(t, f.watch)
	if !f.d.past.Ready || f.d.past.Events.Len() == 0 {
		t.Fatal("the history is not there")
	}
	return f
}

// page returns a page's HTML, which must be well formed and keep the policy.
func (f *fullPage) page(t testing.TB, path string, want int) string {
	t.Helper()
	w := f.get(path)
	if w.Code != want {
		t.Fatalf("%s: %d, want %d\n%s", path, w.Code, want, w.Body)
	}
	text := w.Body.String()
	checkPage(t, path, text)
	return text
}

var (
	inlineStyle  = regexp.MustCompile(`(?i)<style|\sstyle=`)
	inlineScript = regexp.MustCompile(`(?i)<script[^>]*>[^<]|\son[a-z]+=|javascript:`)
	addresses    = regexp.MustCompile(`(?i)(?:src|href|srcset|action)="([^"]*)"`)
	duplicate    = regexp.MustCompile(` id="([^"]*)"`)
)

// checkPage holds what every page must hold: nothing inline, nothing from
// another host, no id twice, tags that match.
func checkPage(t testing.TB, path, text string) {
	t.Helper()
	if m := inlineStyle.FindString(text); m != "" {
		t.Errorf("%s: inline style %q", path, m)
	}
	if m := inlineScript.FindString(text); m != "" {
		t.Errorf("%s: inline script %q", path, m)
	}
	for _, m := range addresses.FindAllStringSubmatch(text, -1) {
		if strings.Contains(m[1], "//") || strings.Contains(m[1], "data:") {
			t.Errorf("%s: address %q", path, m[1])
		}
	}
	seen := map[string]bool{}
	for _, m := range duplicate.FindAllStringSubmatch(text, -1) {
		if seen[m[1]] {
			t.Errorf("%s: id %q twice", path, m[1])
		}
		seen[m[1]] = true
	}
	d := xml.NewDecoder(strings.NewReader(strings.TrimPrefix(text, "<!doctype html>")))
	d.Strict, d.AutoClose, d.Entity = false, []string{"meta", "link", "input", "img", "source"}, xml.HTMLEntity
	depth := 0
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Errorf("%s: %v", path, err)
			break
		}
		switch token.(type) {
		case xml.StartElement:
			depth++
		case xml.EndElement:
			depth--
		}
	}
	if depth != 0 {
		t.Errorf("%s: %d elements are left open", path, depth)
	}
}

// has looks for texts with the tags taken out.
func has(t testing.TB, page string, texts ...string) {
	t.Helper()
	plain := strings.Join(strings.Fields(regexp.MustCompile(`<[^>]*>`).ReplaceAllString(page, " ")), " ")
	for _, text := range texts {
		if !strings.Contains(plain, text) {
			t.Errorf("the page does not say %q:\n%s", text, plain)
		}
	}
}

func TestEveryAnswerKeepsThePolicy(t *testing.T) {
	f := newFullPage(t, 2)
	event := f.d.past.Events.Event(0).ID
	for _, path := range []string{"/", "/study", "/dwelling/" + f.d.ID + "/alarms", "/dwelling/" + f.d.ID + "/events.csv", "/event/" + event + "/series.csv", "/dwelling/" + f.d.ID, "/event/" + event, "/event/" + event + "/chart.svg", "/dwelling/" + f.d.ID + "/trend.svg",
		"/rejected", "/login", "/healthz", "/metrics", "/nowhere", "/static/x/nothing", staticPath("page.css"), staticPath("live.js"), staticPath("mark.svg")} {
		w := f.get(path)
		h := w.Header()
		if got := h.Get("Content-Security-Policy"); !strings.HasPrefix(got, "default-src 'none'; script-src 'self'; style-src 'self';") || strings.Contains(got, "unsafe") {
			t.Errorf("%s: policy %q", path, got)
		}
		if h.Get("X-Content-Type-Options") != "nosniff" || h.Get("Referrer-Policy") != "no-referrer" || h.Get("X-Frame-Options") != "DENY" {
			t.Errorf("%s: headers %v", path, h)
		}
		if static := strings.HasPrefix(path, "/static/"+staticVersion); static != strings.Contains(h.Get("Cache-Control"), "immutable") {
			t.Errorf("%s: Cache-Control %q", path, h.Get("Cache-Control"))
		}
	}
}

// Readings from files are old and no node sends: nobody has to look. A node that
// was heard and is silent is another matter.
func TestImportedStudyWantsNoLook(t *testing.T) {
	f := newFullPage(t, 5)
	f.d.past.Diagnosis.Findings = []finding.Finding{{Code: finding.Healthy, Confidence: 0.9}}
	for i := range f.d.held.Nodes {
		f.d.held.Nodes[i].Heard, f.d.held.Nodes[i].Up = false, false
	}
	f.d.live = false
	f.clock.set(f.d.held.Newest.Add(30 * 86400))
	if r := f.d.row(f.Page.clock()); r.State.Is != silent || r.Wants {
		t.Errorf("a dwelling of files only: %+v", r)
	}
	has(t, f.page(t, "/", 200), "none needs attention")

	f.clock.set(f.d.held.Newest.Add(60)) // readings as they are measured,
	f.d.row(f.Page.clock())
	f.clock.set(f.d.held.Newest.Add(3 * 3600)) // and then none
	if r := f.d.row(f.Page.clock()); r.State.Is != silent || !r.Wants {
		t.Errorf("a node without presence that has fallen silent: %+v", r)
	}
	f.d.live = false
	f.d.held.Nodes = []watch.Node{{Heard: true, Up: true}}
	if r := f.d.row(f.Page.clock()); r.State.Is != silent || !r.Wants {
		t.Errorf("a node with presence that has fallen silent: %+v", r)
	}
}

func TestOverview(t *testing.T) {
	f := newFullPage(t, 5)
	text := f.page(t, "/", 200)
	has(t, text, "Larch Row &lt;trial&gt;", "2 dwellings", "No readings yet from 1.", f.d.ID, "larch-05", "No readings yet", "greywatt 1.2.3", "complete")
	e := f.d.past.Latest
	has(t, text, plusMinus(e.Ratio, e.RatioU95, 2))
	first := f.d.past.Diagnosis.Findings[0]
	has(t, text, f.Page.clock().brief(first))
	if strings.Contains(text, `class="empty"`) {
		t.Error("readings are there, and the page says that nothing came")
	}
	// A dwelling with something to see to comes first and is counted.
	f.d.past.Diagnosis.Findings = []finding.Finding{{Code: finding.Fouling, Since: greywatt.InstantOf(time.Date(2026, 2, 3, 0, 0, 0, 0, time.UTC)), Confidence: 0.97}, {Code: finding.StepLoss}}
	text = f.page(t, "/", 200)
	has(t, text, "1 needs attention", "Fouling since 3 Feb 2026 97 % sure, and 1 more")
	f.d.past.Diagnosis.Findings = nil
	f.d.past.Ready = false
	has(t, f.page(t, "/", 200), "The history of 1 is still being read.", "Reading the history …")
}

func TestOverviewWithoutReadings(t *testing.T) {
	log := openStore(t)
	link := &Link{Where: "tcp://127.0.0.1:1883", Topics: "greywatt/<dwelling>/<node>/senml", Connected: true}
	p := New(Config{Study: twoDwellings(), Log: log, Rejected: log, Link: func() Link { return *link }})
	v := visit(t, p)
	text := v.get("/").Body.String()
	checkPage(t, "/", text)
	has(t, text, "2 dwellings", "Nothing has come in yet", "greywatt/&lt;dwelling&gt;/&lt;node&gt;/senml", "tcp://127.0.0.1:1883")
	has(t, v.get("/dwelling/larch-04").Body.String(), "No readings yet", "Nothing can be said before the first showers.", "No shower yet.", "no reading yet", "No node has reported from here yet.")
	has(t, v.get("/rejected").Body.String(), "No record was rejected: all that came could be used.")
	has(t, v.get("/dwelling/larch-04/events").Body.String(), "The history is being read.")
	p.cfg.Link = nil
	has(t, v.get("/").Body.String(), "This page follows what others log.")
}

func TestDwelling(t *testing.T) {
	f := newFullPage(t, 5)
	text := f.page(t, "/dwelling/"+f.d.ID, 200)
	has(t, text, f.d.ID, "Waste in", "Preheated", "Mains flow", "Last showers", "All "+count(f.d.past.Events.Len(), "event"), "of the hours from", f.d.about()[:12])
	for _, finding := range f.d.past.Diagnosis.Findings {
		for _, s := range append(sentences(finding.Advice), finding.Cautions...) {
			has(t, text, s)
		}
	}
	if !strings.Contains(text, `src="/dwelling/`+f.d.ID+`/trend.svg?v=`) {
		t.Error("no trend")
	}
	// What the sensors say now, corrected.
	v := f.d.present.value(greywatt.WasteIn)
	if !strings.Contains(text, `id="v-waste-in">`+wording.Fixed(v, 1)+"<") {
		t.Errorf("waste in is not %s", wording.Fixed(v, 1))
	}
	// Water runs.
	f.d.present.take(f.d.Dwelling, &greywatt.Reading{Node: f.d.present.latest[greywatt.Flow].node, Channel: greywatt.Flow, At: f.d.present.newest + 1e6, Value: 0.15})
	f.clock.set(f.d.present.newest)
	shower := f.d.past.Latest
	f.d.past.Provisional = shower
	text = f.page(t, "/dwelling/"+f.d.ID, 200)
	has(t, text, "Water runs", "This shower so far", "Heat recovered so far "+wording.WithUnit(plusMinus(shower.HeatKWh, shower.HeatU95KWh, 2), "kWh"),
		"Effectiveness so far "+plusMinus(shower.Effectiveness, shower.EffectivenessU95, 2))
	has(t, f.page(t, "/dwelling/none", 404), "No such dwelling", "To the dwellings")
}

func TestAllEvents(t *testing.T) {
	f := newFullPage(t, 5)
	all := f.d.past.Events
	for f.d.past.Events.Len() < 2*listed+10 {
		for e := range all.All() {
			f.d.past.Events.Add(*e)
		}
	}
	n := f.d.past.Events.Len()
	first := f.page(t, "/dwelling/"+f.d.ID+"/events", 200)
	if got := strings.Count(first, "<tr"); got != listed+1 {
		t.Errorf("%d rows, want %d and a head", got, listed)
	}
	if strings.Contains(first, ">Newer<") || !strings.Contains(first, "page=2") {
		t.Error("the way to older events is not there, or one to newer is")
	}
	last := f.page(t, "/dwelling/"+f.d.ID+"/events?page=3", 200)
	if got := strings.Count(last, "<tr") - 1; got != n-2*listed || strings.Contains(last, ">Older<") {
		t.Errorf("%d rows on the last page, want %d", got, n-2*listed)
	}
	for _, page := range []string{"0", "-1", "99999999", "x"} {
		if f.page(t, "/dwelling/"+f.d.ID+"/events?page="+page, 200) != first {
			t.Errorf("page %s is not the first", page)
		}
	}
}

func TestEvent(t *testing.T) {
	f := newFullPage(t, 5)
	kinds := map[event.Kind]bool{}
	for e := range f.d.past.Events.All() {
		if kinds[e.Kind] {
			continue
		}
		kinds[e.Kind] = true
		text := f.page(t, "/event/"+e.ID, 200)
		has(t, text, wording.WithUnit(plusMinus(e.HeatKWh, e.HeatU95KWh, 2), "kWh"))
		if e.Kind == event.Shower && finite(e.Effectiveness) {
			has(t, text, "Effectiveness "+plusMinus(e.Effectiveness, e.EffectivenessU95, 2), "Measured / expected "+plusMinus(e.Ratio, e.RatioU95, 2),
				"Where the uncertainty comes from", "mains flow", "expanded, k = 2", "Waste in "+wording.Fixed(e.WasteInC, 2)+" °C")
		}
		if e.Kind == event.OtherDraw {
			has(t, text, "Why there is no effectiveness", "No warm waste water on the other side")
		}
		w := f.get("/event/" + e.ID + "/chart.svg?narrow=1&dark=1")
		if w.Code != 200 || w.Header().Get("Content-Type") != "image/svg+xml" || !strings.Contains(w.Body.String(), e.ID[:len(f.d.ID)]) {
			t.Errorf("chart of %s: %d", e.ID, w.Code)
		}
	}
	if !kinds[event.Shower] || !kinds[event.OtherDraw] {
		t.Fatalf("kinds %v", kinds)
	}
	for path, want := range map[string]string{
		"/event/nonsense": "No such event", "/event/" + f.d.ID + "-20200101T000000Z": "No such event", "/event/other-20200101T000000Z": "No such event",
	} {
		has(t, f.page(t, path, 404), want)
	}
	running := f.d.past.Events.Event(0)
	running.ID = f.d.ID + "-20300101T000000Z"
	f.d.past.Provisional = &running
	has(t, f.page(t, "/event/"+running.ID, 404), "Not over yet")
	f.d.past.Ready = false
	has(t, f.page(t, "/event/"+f.d.ID+"-20210101T000000Z", 503), "Not read yet")
}

// The budgets on the page are those of the figures on the page.
func TestBudgetsBelongToTheFigures(t *testing.T) {
	f := newFullPage(t, 3)
	n := 0
	for e := range f.d.past.Events.All() {
		if !finite(e.Effectiveness) {
			continue
		}
		n++
		tr, err := f.trace(t.Context(), f.d, e)
		if err != nil {
			t.Fatal(err)
		}
		if !sameFigures(&tr.event, e) {
			t.Errorf("%s: the event with budgets is not the event of the history", e.ID)
		}
	}
	if n == 0 {
		t.Fatal("no event with an effectiveness")
	}
}

// An event whose readings are gone keeps its figures and says what is missing.
func TestEventWithoutReadings(t *testing.T) {
	f := newFullPage(t, 2)
	e := f.d.past.Latest
	f.cfg.Log = &faultyLog{Store: f.store, damage: errors.New("disk gone")}
	has(t, f.page(t, "/event/"+e.ID, 200), "Effectiveness "+plusMinus(e.Effectiveness, e.EffectivenessU95, 2), "The chart and the budgets are missing")
}

func TestRejected(t *testing.T) {
	f := newFullPage(t, 1)
	if w := f.get("/set-aside"); w.Code != http.StatusMovedPermanently || w.Header().Get("Location") != "/rejected" {
		t.Errorf("the earlier address answers %d to %q", w.Code, w.Header().Get("Location"))
	}
	err := f.store.AppendRejected(t.Context(), []ingest.RejectedRecord{
		{Source: "greywatt/larch-05/n1/senml", Dwelling: "larch-05", Reason: ingest.BadUnit, Detail: `unit "F", want Cel or K`, Record: `{"n":"waste-in","u":"F","v":98}`, At: greywatt.InstantOf(f.clock.at)},
		{Source: "FILE:3", Reason: ingest.BadTime, Detail: "unreadable", Record: "<script>alert(1)</script>"},
	})
	if err != nil {
		t.Fatal(err)
	}
	frames := []greywatt.Frame{{At: t0, Node: "n1", Value: greywatt.NoValues()}}
	frames[0].Value[greywatt.WasteIn] = 20
	commit(t, f.store, "larch-05", frames)
	frames[0].Value[greywatt.WasteIn] = 21
	commit(t, f.store, "larch-05", frames)
	settle(t, f.watch)
	text := f.page(t, "/rejected", 200)
	has(t, text, "2 records could not be used, and 1 reading contradicted an earlier one, which stays.", "No unit, or not one of the channel&#39;s", "bad-unit",
		`Unit &#34;F&#34;, want Cel or K`, "&lt;script&gt;alert(1)&lt;/script&gt;", "not known", "Two values for one instant, node n1", "20 21")
	f.store.Close()
	w := f.get("/rejected")
	if w.Code != http.StatusInternalServerError {
		t.Errorf("with the store closed: %d", w.Code)
	}
	has(t, w.Body.String(), "This page could not be made", "Logging goes on")
}

// What is wrong with logging as a whole stands on every page.
func TestNotices(t *testing.T) {
	f := newFullPage(t, 1)
	f.ingest.FailingSince, f.ingest.LastError = f.clock.at, "store 12 readings: disk full"
	f.link = Link{Where: "tls://broker.example:8883", Since: f.clock.at, Trouble: "connection refused", Clients: -1}
	for _, path := range []string{"/", "/dwelling/" + f.d.ID, "/rejected", "/event/" + f.d.past.Events.Event(0).ID} {
		has(t, f.page(t, path, 200), "Readings are not being stored since", "disk full", "No connection to the broker tls://broker.example:8883 since", "connection refused")
	}
	w := f.get("/healthz")
	if w.Code != http.StatusServiceUnavailable || !strings.Contains(w.Body.String(), "no connection to the broker") || strings.Contains(w.Body.String(), f.d.ID) {
		t.Errorf("healthz: %d %s", w.Code, w.Body)
	}
	f.ingest.FailingSince = time.Time{}
	// The own broker that nobody can connect to: nothing is logged any more.
	f.link.Clients = 0
	if w := f.get("/healthz"); w.Code != http.StatusServiceUnavailable || !strings.Contains(w.Body.String(), "nodes cannot connect") {
		t.Errorf("healthz: %d %s", w.Code, w.Body)
	}
	f.link.Connected = true
	if w := f.get("/healthz"); w.Code != 200 || w.Body.String() != "ok\n" {
		t.Errorf("healthz: %d %s", w.Code, w.Body)
	}
}

// Requests that are too large or of another kind are turned away.
func TestLimits(t *testing.T) {
	f := newFullPage(t, 1)
	for _, test := range []struct{ method, path string }{{"POST", "/"}, {"DELETE", "/dwelling/x"}, {"PUT", "/login"}, {"POST", "/metrics"}} {
		if w := f.do(httptest.NewRequest(test.method, test.path, nil)); w.Code != http.StatusMethodNotAllowed && w.Code != http.StatusNotFound {
			t.Errorf("%s %s: %d", test.method, test.path, w.Code)
		}
	}
	g := visit(t, guardedPage(t, &testClock{today}))
	w := g.post("/login", url.Values{"token": {g.token("/login")}, "password": {password}, "next": {strings.Repeat("x", mostForm)}})
	if w.Code == http.StatusSeeOther || g.cookies[sessionCookie] != "" {
		t.Errorf("a form of more than %d bytes: %d", mostForm, w.Code)
	}
}

// A handler that fails is answered for, and the next one works.
func TestPanic(t *testing.T) {
	f := newFullPage(t, 1)
	rejected := f.cfg.Rejected
	f.cfg.Rejected = nil
	if w := f.get("/rejected"); w.Code != http.StatusInternalServerError {
		t.Errorf("%d", w.Code)
	}
	f.cfg.Rejected = rejected
	f.page(t, "/", 200)
}

// A name with a slash or a space has its page.
func TestOddNames(t *testing.T) {
	study := twoDwellings()
	study.Dwellings[0].ID = `row/4 "a"&<b>?`
	log := openStore(t)
	v := visit(t, New(Config{Study: study, Log: log, Rejected: log}))
	text := v.get("/").Body.String()
	checkPage(t, "/", text)
	m := regexp.MustCompile(`href="(/dwelling/row[^"]*)"`).FindStringSubmatch(text)
	if m == nil {
		t.Fatalf("no link: %s", text)
	}
	if w := v.get(strings.ReplaceAll(m[1], "&amp;", "&")); w.Code != 200 {
		t.Errorf("%s: %d", m[1], w.Code)
	}
}

func TestSentences(t *testing.T) {
	if got := sentences("Check plumb. Then valves, 0.5 m apart."); strings.Join(got, "|") != "Check plumb.|Then valves, 0.5 m apart." {
		t.Errorf("%q", got)
	}
}

func TestWords(t *testing.T) {
	for _, test := range []struct{ got, want string }{
		{plusMinus(0.5234, 0.0312, 2), "0.52 ± 0.03"},
		{plusMinus(0.5234, 0.0142, 2), "0.523 ± 0.014"},
		{plusMinus(-0.5, 0.2, 2), "−0.50 ± 0.20"},
		{plusMinus(0.0001, 0.0003, 2), "0.000"},
		{wording.Fixed(-0.001, 1), "0.0"},
		{length(59.6), "1 min"}, {length(432), "7 min 12 s"}, {length(3720), "1 h 2 min"}, {length(5 * 86400), "5 days"},
		{count(1, "event"), "1 event"}, {count(1204, "event"), "1\u202f204 events"}, {grouped(-1234567), "-1\u202f234\u202f567"}, {grouped(-123), "-123"},
		{share(0.9999), "99 %"}, {share(1), "100 %"}, {share(0.001), "< 1 %"}, {share(0), "0 %"},
		{significant(0.0371, "1"), "3.7 %"}, {significant(0.08, "K"), "0.080 K"},
	} {
		if test.got != test.want {
			t.Errorf("%q, want %q", test.got, test.want)
		}
	}
}
