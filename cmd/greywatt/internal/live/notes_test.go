package live

import (
	"errors"
	"fmt"
	"html"
	"net/http"
	"net/http/httptest"
	"net/url"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"greywatt"
	"greywatt/ingest/journal"
)

// A testJournal is a journal in a file.
type testJournal struct {
	file  journal.File
	study *greywatt.Study
	err   error // of Append, unless nil
}

func (j *testJournal) Facts() ([]greywatt.Fact, error) {
	all, err := j.file.Read(j.study)
	return all.Facts, err
}

func (j *testJournal) Append(f greywatt.Fact) (bool, error) {
	if j.err != nil {
		return false, j.err
	}
	return j.file.Append(j.study, f)
}

// notedPage is a page with a viewer, an engineer and a journal.
func notedPage(t testing.TB) (*Page, *testJournal) {
	t.Helper()
	p := staffedPage(t, &testClock{today})
	j := &testJournal{file: journal.File(filepath.Join(t.TempDir(), "study.journal.toml")), study: p.cfg.Study}
	p.cfg.Journal = j
	return p, j
}

func engineer(t testing.TB, p *Page) *visitor {
	t.Helper()
	v := visit(t, p)
	if code := v.signInAs("kim", "the password of kim"); code != http.StatusSeeOther {
		t.Fatalf("signing in: %d", code)
	}
	return v
}

var formID = regexp.MustCompile(`name="form" value="([^"]+)"`)

// fill returns what the form at a path would send, untouched.
func (v *visitor) fill(path string) url.Values {
	v.t.Helper()
	text := v.get(path).Body.String()
	checkPage(v.t, path, text)
	out := url.Values{}
	for _, m := range regexp.MustCompile(`<input [^>]*>`).FindAllString(text[strings.Index(text, "<main"):], -1) {
		name, value := regexp.MustCompile(` name="([^"]*)"`).FindStringSubmatch(m), regexp.MustCompile(` value="([^"]*)"`).FindStringSubmatch(m)
		if name != nil && value != nil && !strings.Contains(m, `type="radio"`) {
			out.Set(name[1], html.UnescapeString(value[1]))
		}
	}
	if out.Get("form") == "" || out.Get("token") == "" {
		v.t.Fatalf("%s: a form without id or token: %v", path, out)
	}
	return out
}

func TestNoteOnce(t *testing.T) {
	p, j := notedPage(t)
	v := engineer(t, p)
	form := v.fill("/dwelling/larch-04/note?kind=cleaned")
	form.Set("text", "much hair")
	for range 3 { // sent again, as browsers do on a poor link
		w := v.post("/dwelling/larch-04/note", form)
		if w.Code != http.StatusSeeOther {
			t.Fatalf("%d\n%s", w.Code, w.Body)
		}
		text := v.get(w.Header().Get("Location")).Body.String()
		checkPage(t, "/notes", text)
		has(t, text, "Noted, and on disk.", "Unit cleaned", "much hair", "noted by kim")
	}
	facts, err := j.Facts()
	if err != nil || len(facts) != 1 {
		t.Fatalf("%d facts, %v, want one", len(facts), err)
	}
	f := facts[0]
	want := today.Truncate(time.Minute)
	if f.Kind != greywatt.FactCleaned || f.Dwelling != "larch-04" || f.By != "kim" || !f.At.Time().Equal(want) || f.Via != "page /dwelling/larch-04/note" || f.Noted != greywatt.InstantOf(today) {
		t.Errorf("%+v", f)
	}
	// What was lost on the way is said to be.
	has(t, v.get("/dwelling/larch-04/notes?noted=20260302-never").Body.String(), "Not noted: the journal does not have it.")
	// Withdrawn, it stands there as such.
	form = v.fill("/dwelling/larch-04/note?kind=withdrawn&of=" + f.ID)
	form.Set("text", "it was the neighbour's")
	if w := v.post("/dwelling/larch-04/note", form); w.Code != http.StatusSeeOther {
		t.Fatalf("withdrawing: %d\n%s", w.Code, w.Body)
	}
	has(t, v.get("/dwelling/larch-04/notes").Body.String(), "Unit cleaned", "(withdrawn)")
	facts, _ = j.Facts()
	if d, _ := p.cfg.Study.With(facts).Dwelling("larch-04"); len(d.Cleaned) != 0 {
		t.Errorf("a cleaning that was withdrawn counts: %v", d.Cleaned)
	}
}

// Engineers who note things of one dwelling at once: whoever comes second is told
// what the others noted meanwhile, and nothing is lost or counts twice.
func TestEngineersAtOnce(t *testing.T) {
	p, j := notedPage(t)
	const engineers = 4
	visitors, forms := make([]*visitor, engineers), make([]url.Values, engineers)
	for i := range forms {
		visitors[i] = engineer(t, p)
		forms[i] = visitors[i].fill("/dwelling/larch-04/note?kind=offset")
		forms[i].Set("channel", "cold-in")
		forms[i].Set("offset_k", fmt.Sprintf("0.%d", i+1))
	}
	taken := 0
	for left := engineers; left > 0; left-- {
		answers := make([]*httptest.ResponseRecorder, engineers)
		var work sync.WaitGroup
		for i, form := range forms {
			if form != nil {
				work.Go(func() { answers[i] = visitors[i].post("/dwelling/larch-04/note", form) })
			}
		}
		work.Wait()
		done := 0
		for i, w := range answers {
			switch {
			case w == nil:
			case w.Code == http.StatusSeeOther:
				forms[i] = nil
				done++
			case w.Code == http.StatusConflict:
				checkPage(t, "/note", w.Body.String())
				has(t, w.Body.String(), "While this form was open, kim noted: Offset of a clamp, cold in: &#43;0.", "Yours is not noted yet.")
				if !strings.Contains(w.Body.String(), fmt.Sprintf(`name="offset_k" value="0.%d"`, i+1)) {
					t.Error("what was typed is lost")
				}
				if m := regexp.MustCompile(`name="seen" value="(\d+)"`).FindStringSubmatch(w.Body.String()); m == nil || m[1] != strconv.Itoa(taken+1) {
					t.Errorf("the form comes back in sight of %v facts, want %d", m, taken+1)
				} else {
					forms[i].Set("seen", m[1])
				}
			default:
				t.Fatalf("%d\n%s", w.Code, w.Body)
			}
		}
		if taken += done; done != 1 {
			t.Fatalf("%d of %d who had seen the same are taken at once, want 1", done, left)
		}
	}
	facts, err := j.Facts()
	offsets := map[float64]int{}
	for _, f := range facts {
		offsets[f.OffsetK]++
	}
	if err != nil || len(facts) != engineers || len(offsets) != engineers {
		t.Errorf("%d facts with the offsets %v, %v", len(facts), offsets, err)
	}
	// A remark changes nothing that another form rests on.
	forms[0], forms[1] = visitors[0].fill("/dwelling/larch-04/note?kind=note"), visitors[1].fill("/dwelling/larch-04/note?kind=cleaned")
	forms[0].Set("text", "windy")
	for i := range 2 {
		if w := visitors[i].post("/dwelling/larch-04/note", forms[i]); w.Code != http.StatusSeeOther {
			t.Errorf("form %d: %d", i, w.Code)
		}
	}
}

// Who sends a form after the logger was started anew signs in and is told whether
// it came the first time.
func TestSentBeforeARestart(t *testing.T) {
	p, _ := notedPage(t)
	v := engineer(t, p)
	taken, lost := v.fill("/dwelling/larch-04/note?kind=cleaned"), v.fill("/dwelling/larch-04/note?kind=cleaned")
	if w := v.post("/dwelling/larch-04/note", taken); w.Code != http.StatusSeeOther {
		t.Fatalf("%d", w.Code)
	}
	p.access.sessions = map[[32]byte]*session{}
	for form, want := range map[*url.Values]string{&taken: "Noted, and on disk.", &lost: "Not noted: the journal does not have it."} {
		at := v.post("/dwelling/larch-04/note", *form).Header().Get("Location")
		to, err := url.Parse(at)
		if err != nil || to.Path != "/login" {
			t.Fatalf("sent to %s", at)
		}
		text := engineer(t, p).get(to.Query().Get("next")).Body.String()
		has(t, text, want)
		if form == &lost && !strings.Contains(text, `href="/dwelling/larch-04/note?kind=cleaned"`) {
			t.Error("no way back to the form")
		}
	}
}

// Only an engineer's own form changes anything.
func TestWhoMayNote(t *testing.T) {
	p, j := notedPage(t)
	kim := engineer(t, p)
	form := kim.fill("/dwelling/larch-04/note?kind=cleaned")
	vera := visit(t, p)
	vera.signInAs("vera", "the password of vera")
	if w := vera.get("/dwelling/larch-04/note?kind=cleaned"); w.Code != http.StatusForbidden {
		t.Errorf("a viewer gets the form: %d", w.Code)
	}
	has(t, vera.get("/dwelling/larch-04/notes").Body.String(), "An engineer may note things here")
	if strings.Contains(vera.get("/dwelling/larch-04").Body.String(), "Note a cleaning") {
		t.Error("a viewer is offered to note")
	}
	nobody := visit(t, p)
	otherSite := func(v *visitor) int {
		r, _ := http.NewRequest("POST", "/dwelling/larch-04/note", strings.NewReader(form.Encode()))
		r.RequestURI = "/dwelling/larch-04/note"
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("Sec-Fetch-Site", "cross-site")
		return v.do(r).Code
	}
	for name, code := range map[string]int{
		"a viewer":        vera.post("/dwelling/larch-04/note", form).Code,
		"another site":    otherSite(kim),
		"a foreign token": engineer(t, p).post("/dwelling/larch-04/note", form).Code,
		"without a token": kim.post("/dwelling/larch-04/note", url.Values{"kind": {"cleaned"}, "form": form["form"], "at": form["at"]}).Code,
	} {
		if code != http.StatusForbidden {
			t.Errorf("%s: %d, want 403", name, code)
		}
	}
	if w := nobody.post("/dwelling/larch-04/note", form); w.Code != http.StatusSeeOther || !strings.HasPrefix(w.Header().Get("Location"), "/login") {
		t.Errorf("nobody: %d", w.Code)
	}
	if facts, _ := j.Facts(); len(facts) != 0 {
		t.Errorf("noted all the same: %v", facts)
	}
	// Not without end.
	limited := 0
	for range changeBurst + 5 {
		if kim.post("/dwelling/larch-04/note", form).Code == http.StatusTooManyRequests {
			limited++
		}
	}
	if limited == 0 {
		t.Error("a session may change things without end")
	}
}

// What is wrong is said, by the field, and what was typed is still there.
func TestWrongNotes(t *testing.T) {
	p, j := notedPage(t)
	v := engineer(t, p)
	for _, test := range []struct {
		kind   string
		change map[string]string
		want   string
	}{
		{"cleaned", map[string]string{"at": "yesterday"}, "When: want a date and a time"},
		{"cleaned", map[string]string{"at": "2099-01-01T10:00"}, "When: that is in the future."},
		{"note", map[string]string{"text": " "}, "Remark: say in a few words"},
		{"offset", map[string]string{"channel": "cold-in", "offset_k": "warm"}, "Offset: want a number from -20 to 20."},
		{"offset", map[string]string{"channel": "flow", "offset_k": "0.1"}, "Sensor: choose one."},
		{"left-out", map[string]string{"until": "2026-02-01T10:00", "text": "typed <before>"}, "Until: that is not after its beginning."},
		{"unit-replaced", map[string]string{"rated": "9.5"}, "want a flow in l/min and an effectiveness"},
		{"unit-replaced", map[string]string{"rated": "9.5 57"}, "an effectiveness between 0 and 1"},
		{"reconnected", map[string]string{"connection": "D"}, "Connection: choose what the preheated water feeds."},
	} {
		form := v.fill("/dwelling/larch-04/note?kind=" + test.kind)
		id := form.Get("form")
		form.Set("text", "typed <before>")
		for k, s := range test.change {
			form.Set(k, s)
		}
		w := v.post("/dwelling/larch-04/note", form)
		text := w.Body.String()
		if w.Code != http.StatusUnprocessableEntity {
			t.Errorf("%s %v: %d, want 422", test.kind, test.change, w.Code)
		}
		checkPage(t, test.kind, text)
		has(t, text, test.want)
		if m := formID.FindStringSubmatch(text); m == nil || m[1] != id {
			t.Errorf("%s: the form comes back with another id", test.kind)
		}
		if test.kind != "note" && !strings.Contains(text, "typed &lt;before&gt;") {
			t.Errorf("%s: what was typed is lost", test.kind)
		}
		p.access.sessions = sessionsRested(p)
	}
	form := v.fill("/dwelling/larch-04/note?kind=cleaned")
	j.err = errors.New("no space left on device")
	w := v.post("/dwelling/larch-04/note", form)
	has(t, w.Body.String(), "It is not noted: the journal could not be written. No space left on device.")
	j.err = nil
	if facts, _ := j.Facts(); len(facts) != 0 {
		t.Errorf("noted all the same: %v", facts)
	}
}

// sessionsRested returns the sessions as after a rest.
func sessionsRested(p *Page) (rested map[[32]byte]*session) {
	for _, s := range p.access.sessions {
		s.paid = time.Time{}
	}
	return p.access.sessions
}

// Each kind that the page offers makes a fact that is read back.
func TestEveryKindOfNote(t *testing.T) {
	p, j := notedPage(t)
	v := engineer(t, p)
	for _, k := range noteKinds {
		form := v.fill("/dwelling/larch-04/note?kind=" + string(k.Kind))
		form.Set("text", "as seen")
		for name, value := range map[string]string{"channel": "cold-in", "offset_k": "-0,12", "u95_k": "0.1", "scale": "1.05", "rated": "7 0.62\n9,5 0.57", "hot_c": "58", "efficiency": "0.9", "serial": "S 17", "place": "loft", "connection": "C"} {
			form.Set(name, value)
		}
		if k.Meter {
			form.Set("channel", "flow")
		}
		if k.Until {
			form.Set("at", "2026-02-01T10:00")
			form.Set("until", "2026-02-03T10:00")
		}
		if w := v.post("/dwelling/larch-04/note", form); w.Code != http.StatusSeeOther {
			t.Errorf("%s: %d\n%s", k.Kind, w.Code, w.Body)
		}
		p.access.sessions = sessionsRested(p)
	}
	facts, err := j.Facts()
	if err != nil || len(facts) != len(noteKinds) {
		t.Fatalf("%d facts, %v, want %d", len(facts), err, len(noteKinds))
	}
	d, _ := p.cfg.Study.With(facts).Dwelling("larch-04")
	last := d.Last()
	if s, _ := last.Sensor(greywatt.Flow, ""); s.Scale != 1.05 {
		t.Errorf("the new meter's scale is %g", s.Scale)
	}
	if last.Connection != greywatt.ConnectionC || last.Exchanger.Serial != "S 17" || last.Exchanger.Place != "loft" {
		t.Errorf("connection %s, unit %+v", last.Connection, last.Exchanger)
	}
	if len(last.Exchanger.Rated) != 2 || last.Exchanger.Rated[1].FlowLMin != 9.5 || last.Heater.HotC != 58 {
		t.Errorf("unit %+v, heater %+v", last.Exchanger, last.Heater)
	}
	text := v.get("/dwelling/larch-04/notes").Body.String()
	checkPage(t, "/notes", text)
	has(t, text, "Offset of a clamp, cold in: −0.12 K ± 0.10 K", "Reconnected, connection C", "Unit moved or set plumb: loft")
}
