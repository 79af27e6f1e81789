package live

import (
	"bytes"
	"errors"
	"image"
	"image/jpeg"
	"math"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"greywatt"
	"greywatt/analysis/commission"
	"greywatt/analysis/event"
	"greywatt/cmd/greywatt/internal/sheet"
	"greywatt/ingest/journal"
)

// fittedPage is a page with a history, with an engineer who has signed in.
func fittedPage(t testing.TB) (*fullPage, *testJournal, *visitor) {
	t.Helper()
	f := newFullPage(t, 5)
	f.access = newAccess("", staff(t), f.clock.now)
	j := &testJournal{file: journal.File(filepath.Join(t.TempDir(), "study.journal.toml")), study: f.cfg.Study}
	f.cfg.Journal, f.cfg.Sheets = j, filepath.Join(t.TempDir(), "study.sheets")
	return f, j, engineer(t, f.Page)
}

// The sheet is made once for a form, kept, noted with its check code, and given out
// again as it was.
func TestHandover(t *testing.T) {
	f, j, v := fittedPage(t)
	base := "/dwelling/" + f.d.ID
	text := v.get(base + "/handover").Body.String()
	has(t, text, "Handover checks", "Common practice of the trade", "check the thermostatic valve", "Limit 0.92")
	form := v.fill(base + "/handover")
	w := v.post(base+"/handover", form)
	if w.Code != http.StatusUnprocessableEntity {
		t.Fatalf("without answers: %d", w.Code)
	}
	checkPage(t, "/handover", w.Body.String())
	has(t, w.Body.String(), "12 answers missing")
	for _, c := range sheet.Checks {
		form.Set("check-"+c.ID, sheet.Yes)
	}
	form.Set("check-label", sheet.No)
	form.Set("remark-label", "bare in the cupboard")
	form.Set("serial", "S 17")
	form.Set("engineer", "Kim")
	form.Set("engineer_strokes", "0,500 300,200 1000,900;500,500 510,510")
	form.Set("resident_strokes", "0,500 nonsense")
	has(t, v.post(base+"/handover", form).Body.String(), "The signature of the resident did not come whole.")
	form.Set("resident_strokes", "")
	shown := form.Get("figures")
	form.Set("figures", "of another day")
	w = v.post(base+"/handover", form)
	if has(t, w.Body.String(), "have changed since this form was loaded"); w.Code != http.StatusConflict || len(f.sheets(f.d)) != 0 {
		t.Errorf("figures that nobody saw: %d, sheets %v", w.Code, f.sheets(f.d))
	}
	form.Set("figures", shown)
	// The logger stops between the sheet and the journal; the form that is sent again
	// goes on from there, whatever it says by then.
	j.err = errors.New("no space left on device")
	if w = v.post(base+"/handover", form); w.Code != http.StatusServiceUnavailable || len(f.sheets(f.d)) != 1 {
		t.Errorf("without a journal: %d, sheets %v", w.Code, f.sheets(f.d))
	}
	j.err = nil
	if err := os.Remove(filepath.Join(f.cfg.Sheets, f.sheets(f.d)[0])); err != nil { // or before the sheet
		t.Fatal(err)
	}
	form.Set("remark-label", "changed afterwards")
	for range 2 {
		if w = v.post(base+"/handover", form); w.Code != http.StatusSeeOther {
			t.Fatalf("%d\n%s", w.Code, w.Body)
		}
	}
	facts, err := j.Facts()
	if err != nil || len(facts) != 1 || facts[0].Kind != greywatt.FactNote {
		t.Fatalf("facts %v, %v, want one note", facts, err)
	}
	kept := f.sheets(f.d)
	if len(kept) != 1 || !strings.Contains(facts[0].Text, kept[0]) || !strings.Contains(facts[0].Text, "check code ") || !strings.Contains(facts[0].Text, "bare in the cupboard") {
		t.Errorf("kept %v, noted %q", kept, facts[0].Text)
	}
	onDisk, err := os.ReadFile(filepath.Join(f.cfg.Sheets, kept[0]))
	if err != nil {
		t.Fatal(err)
	}
	w = v.get(base + "/sheets/" + kept[0])
	if w.Code != 200 || !bytes.Equal(w.Body.Bytes(), onDisk) || !bytes.HasPrefix(onDisk, []byte("%PDF-")) {
		t.Errorf("the kept sheet: %d, %d bytes of %d", w.Code, w.Body.Len(), len(onDisk))
	}
	for path, want := range map[string]int{
		base + "/sheets/..%2Fstudy.journal.toml": 404, "/dwelling/larch-05/sheets/" + kept[0]: 404, base + "/sheets/none.pdf": 404,
		base + "/sheet.pdf": 200, base + "/sheet.png": 200,
	} {
		if w := v.get(path); w.Code != want {
			t.Errorf("%s: %d, want %d", path, w.Code, want)
		}
	}
	if w := v.get("/dwelling/larch-05/handover"); w.Code != 503 && w.Code != 200 {
		t.Errorf("a dwelling without data: %d", w.Code)
	}
}

// A photo goes onto the sheet and is kept without what the camera wrote; what is none,
// or too much, is refused with the check that it is of. Only an engineer may send much.
func TestHandoverPhotos(t *testing.T) {
	f, _, v := fittedPage(t)
	base := "/dwelling/" + f.d.ID
	form := v.fill(base + "/handover")
	for _, c := range sheet.Checks {
		form.Set("check-"+c.ID, sheet.Yes)
	}
	form.Set("engineer", "Kim")
	var photo bytes.Buffer
	if err := jpeg.Encode(&photo, image.NewGray(image.Rect(0, 0, 1500, 900)), nil); err != nil {
		t.Fatal(err)
	}
	written := []byte("\xff\xd8\xff\xe1\x00\x0eExif\x00\x00SECRET")
	written = append(written, photo.Bytes()[2:]...)
	send := func(v *visitor, photos map[string][]byte) *httptest.ResponseRecorder {
		t.Helper()
		var body bytes.Buffer
		w := multipart.NewWriter(&body)
		for name := range form {
			w.WriteField(name, form.Get(name))
		}
		for name, data := range photos {
			part, err := w.CreateFormFile(name, "photo.jpg")
			if err != nil {
				t.Fatal(err)
			}
			part.Write(data)
		}
		w.Close()
		r := httptest.NewRequest(http.MethodPost, "http://127.0.0.1"+base+"/handover", &body)
		r.Header.Set("Content-Type", w.FormDataContentType())
		return v.do(r)
	}
	w := send(v, map[string][]byte{"photo-label": []byte("no photo"), "photo-feed": written})
	has(t, w.Body.String(), "Photo of “The preheated pipe is labelled and insulated all the way”: That is neither a JPEG nor a PNG.", "Photos: choose them again.")
	if w.Code != http.StatusUnprocessableEntity || len(f.sheets(f.d)) != 0 {
		t.Errorf("%d, sheets %v", w.Code, f.sheets(f.d))
	}
	if w := send(v, map[string][]byte{"photo-label": make([]byte, mostUpload)}); w.Code != http.StatusRequestEntityTooLarge {
		t.Errorf("more than a form may have: %d", w.Code)
	}
	vera := visit(t, f.Page)
	vera.signInAs("vera", "the password of vera")
	if w := send(vera, map[string][]byte{"photo-label": make([]byte, 2*mostForm)}); w.Code != http.StatusForbidden {
		t.Errorf("a viewer: %d", w.Code)
	}
	for range 2 {
		if w := send(v, map[string][]byte{"photo-label": written, "photo-feed": written}); w.Code != http.StatusSeeOther {
			t.Fatalf("%d\n%s", w.Code, w.Body)
		}
	}
	kept, err := filepath.Glob(filepath.Join(f.cfg.Sheets, "*"))
	if err != nil || len(kept) != 4 {
		t.Fatalf("kept are %v, want a sheet, a record and two photos", kept)
	}
	photos := 0
	for _, name := range kept {
		data, err := os.ReadFile(name)
		if err != nil || bytes.Contains(data, []byte("SECRET")) {
			t.Errorf("%s: %v, or it has what the camera wrote", name, err)
		}
		if bytes.HasPrefix(data, []byte("%PDF-")) {
			photos = bytes.Count(data, []byte("/Subtype /Image"))
		}
	}
	if photos != 1 { // the same twice is one image
		t.Errorf("%d images in the sheet, want 1", photos)
	}
}

// The judgement of the page is that of the command commission on the same events.
func TestJudgementIsTheCommands(t *testing.T) {
	f := newFullPage(t, 5)
	got, used, chart, err := f.judge(t.Context(), f.d, judgedShowers, 0)
	if err != nil {
		t.Fatal(err)
	}
	var whole []event.Event
	for e := range f.d.past.Events.All() {
		tr, err := f.trace(t.Context(), f.d, e)
		if err != nil {
			t.Fatal(err)
		}
		whole = append(whole, tr.event)
	}
	want := commission.Judge(f.cfg.Study, f.d.Dwelling, f.d.past.Complete.Span.From, whole, judgedShowers)
	if got.Verdict != want.Verdict || math.Abs(got.Ratio-want.Ratio) > 1e-9 || math.Abs(got.RatioU95-want.RatioU95) > 1e-9 || strings.Join(got.Events, " ") != strings.Join(want.Events, " ") {
		t.Errorf("%s %g ± %g of %v, want %s %g ± %g of %v", got.Verdict, got.Ratio, got.RatioU95, got.Events, want.Verdict, want.Ratio, want.RatioU95, want.Events)
	}
	if len(used) != len(want.Events) || chart == nil || chart.Event.ID != want.Events[len(want.Events)-1] {
		t.Errorf("%d events, chart %v", len(used), chart != nil)
	}
}

func TestGuidedRun(t *testing.T) {
	f := newFullPage(t, 5)
	base := "/dwelling/" + f.d.ID + "/run"
	has(t, f.page(t, base, 200), "Nobody stands under the shower", "Start the shower", "legionella")
	e := *f.d.past.Latest
	e.ID += "x"
	see := func(steadyS, ratio, u95 float64, flags ...event.Flag) string {
		t.Helper()
		e.SteadyS, e.RunningS, e.Ratio, e.RatioU95, e.Flags = steadyS, steadyS+100, ratio, u95, flags
		now := e
		f.d.past.Provisional = &now
		f.d.present.take(f.d.Dwelling, &greywatt.Reading{Node: f.d.present.latest[greywatt.Flow].node, Channel: greywatt.Flow, At: f.d.present.newest + 1e6, Value: 0.15})
		f.clock.set(f.d.present.newest)
		return f.page(t, base, 200)
	}
	has(t, see(0, math.NaN(), math.NaN(), event.FlagNoSettledFlow), "Settling", "The next look is at 60 s")
	has(t, see(30, 0.99, 0.02, event.FlagOverlap), "Steady", "Another tap draws through the unit", "Cannot tell yet")
	has(t, see(61, 0.93, 0.05), "Cannot tell yet. The next look is at 120 s")
	has(t, see(90, 0.99, 0.03), "Cannot tell yet. The next look is at 120 s") // not between the looks
	has(t, see(125, 0.99, 0.03), "Pass", "The unit does what its certificate says")
	e.ID += "y" // another shower begins anew
	has(t, see(500, 0.70, 0.05), "Fail", "stays below the limit")
}
