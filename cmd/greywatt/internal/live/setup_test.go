package live

import (
	"context"
	"net/http"
	"slices"
	"testing"

	"greywatt"
	"greywatt/ingest"
	"greywatt/ingest/studyfile"
)

// A testStudyFile keeps what it is given.
type testStudyFile struct {
	added []greywatt.Dwelling
	err   error
}

func (f *testStudyFile) AddDwelling(d greywatt.Dwelling) error {
	if f.err == nil {
		f.added = append(f.added, d)
	}
	return f.err
}

func (f *testStudyFile) HasDwelling(id string) (bool, error) {
	return slices.ContainsFunc(f.added, func(d greywatt.Dwelling) bool { return d.ID == id }), nil
}

// Nodes of a dwelling that the study does not have are offered, and an engineer adds
// it, with each mistake said by its field.
func TestSetup(t *testing.T) {
	p, _ := notedPage(t)
	file := &testStudyFile{}
	p.cfg.StudyFile = file
	for range 3 { // the same record counts once
		if err := p.cfg.Rejected.(interface {
			AppendRejected(ctx context.Context, rs []ingest.RejectedRecord) error
		}).AppendRejected(t.Context(), []ingest.RejectedRecord{{Source: "greywatt/larch-09/n1/senml", Dwelling: "larch-09", Reason: ingest.UnknownDwelling, Detail: "larch-09", Record: `{"n":"waste-in","u":"Cel","v":31.5}`, At: greywatt.InstantOf(today)}}); err != nil {
			t.Fatal(err)
		}
	}
	for i, record := range []string{`{"n":"larch-09/n2/flow","u":"l/s","v":0}`, `h'a1'`, `{"n":"flow","u":"l/s","v":0.15}`, `{"n":"waste-in","u":"Cel","v":33.25}`} { // the newest last
		if err := p.cfg.Rejected.(interface {
			AppendRejected(ctx context.Context, rs []ingest.RejectedRecord) error
		}).AppendRejected(t.Context(), []ingest.RejectedRecord{{Source: "greywatt/larch-09/n2/senml", Dwelling: "larch-09", Reason: ingest.UnknownDwelling, Detail: "larch-09", Record: record, At: greywatt.InstantOf(today) + greywatt.Instant(i+1)}}); err != nil {
			t.Fatal(err)
		}
	}
	v := engineer(t, p)
	has(t, v.get("/").Body.String(), "Heard, not yet in the study larch-09 5 records not taken", "Add a dwelling")
	text := v.get("/setup?id=larch-09").Body.String()
	checkPage(t, "/setup", text)
	has(t, text, "the mixer’s cold side only", "n1 waste-in 31.5 °C n2 flow 0.15 l/s n2 waste-in 33.25 °C")
	form := map[string][]string{"token": {v.token("/setup")}, "id": {"larch-09"}, "rated": {"9,5 0.57\n7 0.62"}, "serial": {" S  17 "}, "place": {"below the bathroom"}}
	w := v.post("/setup", form)
	has(t, w.Body.String(), "Connection: choose what the preheated water feeds.")
	if w.Code != http.StatusUnprocessableEntity {
		t.Errorf("without a connection: %d", w.Code)
	}
	form["connection"] = []string{"B"}
	file.err = studyfile.Mistakes{{Line: 9, Key: "dwelling[larch-09].id", What: "is there twice", Remedy: "choose another"}}
	has(t, v.post("/setup", form).Body.String(), "Id: is there twice; Choose another.")
	file.err = nil
	w = v.post("/setup", form)
	if w.Code != http.StatusSeeOther || len(file.added) != 1 {
		t.Fatalf("%d, added %v", w.Code, file.added)
	}
	d := file.added[0]
	if d.ID != "larch-09" || d.Connection != greywatt.ConnectionB || d.Exchanger.Rated[0].FlowLMin != 7 || d.Heater.HotC != 0 || d.Exchanger.Serial != "S 17" || d.Exchanger.Place != "below the bathroom" {
		t.Errorf("%+v", d)
	}
	has(t, v.get(w.Header().Get("Location")).Body.String(), "larch-09 is in the study file, on disk.")
	vera := visit(t, p)
	vera.signInAs("vera", "the password of vera")
	if w := vera.post("/setup", form); w.Code != http.StatusForbidden {
		t.Errorf("a viewer adds a dwelling: %d", w.Code)
	}
}
