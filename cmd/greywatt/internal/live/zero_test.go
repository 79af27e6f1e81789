package live

import (
	"net/http"
	"path/filepath"
	"strings"
	"testing"

	"greywatt"
	"greywatt/analysis/simulate"
	"greywatt/ingest/journal"
)

// A clamp that reads 0.6 K too much is found at rest, its effect is shown, and one
// tap takes its offset over, once.
func TestZeroCheck(t *testing.T) {
	h := simulate.NewHouse("x", 8, simulate.Options{Days: 6})
	study := twoDwellings()
	study.Dwellings[0] = h.Dwelling
	var frames []greywatt.Frame
	for f := range h.Frames(nil) {
		f.Value[greywatt.WasteIn] += 0.6
		frames = append(frames, f)
	}
	log := openStore(t)
	commit(t, log, h.Dwelling.ID, frames)
	clock := &testClock{}
	clock.set(frames[len(frames)-1].At.Add(60))
	p := New(Config{Study: study, Log: log, Rejected: log, Users: staff(t), Now: clock.now})
	j := &testJournal{file: journal.File(filepath.Join(t.TempDir(), "study.journal.toml")), study: study}
	p.cfg.Journal = j
	settle(t, watching(p, log))
	clock.at = clock.at.Add(aWhile)
	settle(t, watching(p, log))
	v := engineer(t, p)
	base := "/dwelling/" + h.Dwelling.ID
	text := v.get(base + "/zero").Body.String()
	has(t, text, "Zero check of", "Waste in", "What it would do to the latest shower", "Effectiveness")
	form := v.fill(base + "/zero")
	if form.Get("offset-waste-in") == "" {
		t.Fatalf("no offset of waste-in is advised:\n%s", text)
	}
	for range 2 {
		if w := v.post(base+"/zero", form); w.Code != http.StatusSeeOther {
			t.Fatalf("%d\n%s", w.Code, w.Body)
		}
	}
	facts, err := j.Facts()
	if err != nil {
		t.Fatal(err)
	}
	seen := map[greywatt.Channel]int{}
	for _, f := range facts {
		seen[f.Channel]++
		// 0.6 K of one clamp lifts the mean of the four by 0.15 K; the simulator's own
		// errors are within 0.3 K.
		if f.Channel == greywatt.WasteIn && (f.OffsetK < 0.2 || f.OffsetK > 0.9 || f.U95K < 0.16) {
			t.Errorf("offset of waste-in %+.2f ± %.2f K", f.OffsetK, f.U95K)
		}
	}
	if seen[greywatt.WasteIn] != 1 {
		t.Errorf("offsets noted: %v, want one of waste-in", seen)
	}
	// A form that shows other figures than now is not taken.
	form = v.fill(base + "/zero")
	form.Set("offset-waste-in", "+9.99 K")
	if w := v.post(base+"/zero", form); w.Code != http.StatusConflict {
		t.Errorf("a form of other figures: %d, want 409", w.Code)
	}
	w := v.get(base + "/zero?way=together")
	checkPage(t, "/zero", w.Body.String())
	if !strings.Contains(w.Body.String(), "Take the four clamps off") {
		t.Errorf("held together:\n%s", w.Body)
	}
}
