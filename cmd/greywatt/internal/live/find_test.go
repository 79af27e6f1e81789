package live

import (
	"encoding/csv"
	"fmt"
	"net/http/httptest"
	"regexp"
	"slices"
	"strings"
	"testing"

	"greywatt"
	"greywatt/analysis/finding"
	"greywatt/analysis/monitor"
	"greywatt/cmd/greywatt/internal/browser"
)

var rowIDs = regexp.MustCompile(`<tr id="row-([^"]*)"`)

func shownRows(text string) (ids []string) {
	for _, m := range rowIDs.FindAllStringSubmatch(text, -1) {
		ids = append(ids, m[1])
	}
	return ids
}

// aStudy is a page of six dwellings, each in another state.
func aStudy(t testing.TB) (*Page, *visitor) {
	t.Helper()
	p, v := manyDwellings(t, 6)
	say := func(i int, code finding.Code, confidence float64) {
		p.dwellings[i].past.Diagnosis.Findings = []finding.Finding{{Code: code, Confidence: confidence}}
		for k := range p.dwellings[i].held.Nodes {
			p.dwellings[i].held.Nodes[k].Heard, p.dwellings[i].held.Nodes[k].Up = true, true
		}
	}
	for i := range p.dwellings {
		p.dwellings[i].held.Nodes = slices.Clone(p.dwellings[i].held.Nodes)
	}
	say(0, finding.Healthy, 0.9)
	say(1, finding.Fouling, 0.51)
	say(2, finding.Fouling, 0.99)
	say(3, finding.Healthy, 0.9)
	for k := range p.dwellings[3].held.Nodes {
		p.dwellings[3].held.Nodes[k].Up = false
	}
	say(4, finding.Leak, 0.8)
	say(5, finding.Undecided, 0)
	shower := p.dwellings[0].past.Latest
	p.dwellings[5].past.Alarms = []monitor.Alarm{{At: shower.Start, EventID: shower.ID, What: "conductance", Evidence: "a"}}
	p.dwellings[2].Dwelling.Connection = greywatt.ConnectionC
	p.dwellings[3].Dwelling.Group = "east"
	return p, v
}

func TestGravestFirst(t *testing.T) {
	_, v := aStudy(t)
	text := v.get("/").Body.String()
	checkPage(t, "/", text)
	want := []string{"larch-004", "larch-002", "larch-001", "larch-005", "larch-003", "larch-000"}
	if got := shownRows(text); !slices.Equal(got, want) {
		t.Errorf("order %v, want leak, fouling by confidence, alarm, silent, healthy: %v", got, want)
	}
	has(t, text, "Perhaps fouling 51 % sure", "Fouling 99 % sure")
	if !strings.Contains(text, `class="c-finding fault possible"`) || !strings.Contains(text, `class="c-finding fault certain"`) {
		t.Error("findings of 51 % and of 99 % look the same")
	}
}

func TestFind(t *testing.T) {
	_, v := aStudy(t)
	for query, want := range map[string][]string{
		"?q=00&sort=id":           {"larch-000", "larch-001", "larch-002", "larch-003", "larch-004", "larch-005"},
		"?q=LARCH-003":            {"larch-003"},
		"?show=fouling":           {"larch-002", "larch-001"},
		"?show=silent":            {"larch-003"},
		"?show=look":              {"larch-004", "larch-002", "larch-001", "larch-005", "larch-003"},
		"?connection=C":           {"larch-002"},
		"?group=east":             {"larch-003"},
		"?connection=C&show=leak": nil,
		"?q=none-such":            nil,
	} {
		text := v.get("/" + query).Body.String()
		checkPage(t, query, text)
		if got := shownRows(text); !slices.Equal(got, want) {
			t.Errorf("%s: %v, want %v", query, got, want)
		}
		if len(want) == 0 {
			has(t, text, "No dwelling is like that.", "Show all")
		}
	}
	// What was typed is shown again, and is text.
	text := v.get(`/?q="><b>`).Body.String()
	if !strings.Contains(text, `value="&#34;&gt;&lt;b&gt;"`) {
		t.Error("the form does not show what was looked for, or not as text")
	}
}

// Of many dwellings each stands on one page.
func TestPagesOfTheOverview(t *testing.T) {
	_, v := manyDwellings(t, 2*rowsAPage+3)
	seen := map[string]bool{}
	for page := range 3 {
		text := v.get(fmt.Sprintf("/?sort=id&page=%d", page+1)).Body.String()
		rows := shownRows(text)
		if want := min(rowsAPage, 2*rowsAPage+3-page*rowsAPage); len(rows) != want {
			t.Errorf("page %d has %d rows, want %d", page+1, len(rows), want)
		}
		for _, id := range rows {
			if seen[id] {
				t.Errorf("%s stands on two pages", id)
			}
			seen[id] = true
		}
	}
	if len(seen) != 2*rowsAPage+3 {
		t.Errorf("%d dwellings on all pages", len(seen))
	}
}

func TestStudyPage(t *testing.T) {
	_, v := aStudy(t)
	text := v.get("/study").Body.String()
	checkPage(t, "/study", text)
	has(t, text, "6 dwellings, 6 with a ratio", "Findings by connection", "Fouling", "Leak")
	// Fouling: two in all, one of them in C.
	if !strings.Contains(text, `<a href="/?connection=C&amp;show=fouling">1</a>`) || !strings.Contains(text, `<a href="/?show=fouling">2</a>`) {
		t.Error("the tally does not count fouling as 1 in C and 2 in all")
	}
	w := v.get("/study/distribution.svg")
	if w.Code != 200 || !strings.Contains(w.Body.String(), "larch-004") {
		t.Errorf("distribution: %d", w.Code)
	}
}

// What is taken along has the figures of the page.
func TestDownloads(t *testing.T) {
	f := newFullPage(t, 5)
	e := f.d.past.Latest
	read := func(path, name string) [][]string {
		t.Helper()
		w := f.get(path)
		if w.Code != 200 || w.Header().Get("Content-Disposition") != `attachment; filename="`+name+`"` {
			t.Fatalf("%s: %d, %q", path, w.Code, w.Header().Get("Content-Disposition"))
		}
		rows, err := csv.NewReader(w.Body).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		return rows
	}
	all := read("/dwelling/"+f.d.ID+"/events.csv", f.d.ID+"-events.csv")
	if len(all) != f.d.past.Events.Len()+1 || all[0][0] != "event_id" {
		t.Errorf("%d rows, want a head and %d", len(all), f.d.past.Events.Len())
	}
	one := read("/event/"+e.ID+"/event.csv", e.ID+".csv")
	at := slices.Index(one[0], "effectiveness")
	if len(one) != 2 || one[1][0] != e.ID || one[1][at] != number(e.Effectiveness, len(one[1][at])-2) {
		t.Errorf("one event: %v", one)
	}
	if rows := read("/dwelling/"+f.d.ID+"/trend.csv", f.d.ID+"-trend.csv"); len(rows) != len(f.d.past.Diagnosis.Trend)+1 {
		t.Errorf("trend of %d rows, want %d", len(rows)-1, len(f.d.past.Diagnosis.Trend))
	}
	series := read("/event/"+e.ID+"/series.csv", e.ID+"-series.csv")
	tr, err := f.trace(t.Context(), f.d, e)
	if err != nil {
		t.Fatal(err)
	}
	if len(series) != len(tr.trace.At)+1 || series[0][1] != "waste_in_c" || series[9][1] != number(tr.trace.Port[0][8], 3) {
		t.Errorf("series of %d rows, head %v", len(series)-1, series[0])
	}
	if w := f.get("/event/" + e.ID + "/chart.pdf"); w.Code != 200 || !strings.HasPrefix(w.Body.String(), "%PDF-") {
		t.Errorf("chart to print: %d", w.Code)
	}
	f.d.past.Ready = false
	if w := f.get("/dwelling/" + f.d.ID + "/events.csv"); w.Code != 503 {
		t.Errorf("before the history is read: %d, want 503", w.Code)
	}
}

func TestCleaningPart(t *testing.T) {
	f := newFullPage(t, 5)
	text := f.page(t, "/dwelling/"+f.d.ID, 200)
	has(t, text, "When to clean", "Never mix cleaning agents", "Use no acid on copper", "Wear gloves")
	f.d.past.Ready = false
	has(t, f.page(t, "/dwelling/"+f.d.ID, 200), "When to clean The history is being read.")
}

// A telephone shows 200 dwellings in pages of some screens.
func TestManyOnAPhone(t *testing.T) {
	p, _ := manyDwellings(t, 200)
	for i, d := range p.dwellings {
		codes := []finding.Code{finding.Healthy, finding.Fouling, finding.Healthy, finding.Undecided, finding.StepLoss}
		d.past.Diagnosis.Findings = []finding.Finding{{Code: codes[i%5], Confidence: 0.5 + float64(i%50)/100, Since: p.dwellings[0].past.Events.Event(0).Start}}
	}
	server := httptest.NewServer(p.Handler())
	t.Cleanup(server.Close)
	t.Cleanup(p.stop)
	b := browser.Open(t, server.URL)
	for _, scheme := range []string{"light", "dark"} {
		for _, width := range []int64{390, 1280} {
			b.Look(width, scheme)
			b.Open("/")
			b.Await("the rows", `document.querySelectorAll("tbody tr").length > 5`)
			b.Audit(fmt.Sprintf("200 dwellings, %d px, %s", width, scheme))
			b.Shot(fmt.Sprintf("many-%s-%d", scheme, width))
			if h := browser.Eval[float64](b, "document.documentElement.scrollHeight"); width == 390 && h > 5*844 {
				t.Errorf("the overview is %.0f px high on a phone, want 5 screens at most", h)
			}
		}
	}
}
