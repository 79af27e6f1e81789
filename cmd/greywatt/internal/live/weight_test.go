package live

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"
	"time"

	"greywatt"
)

// manyDwellings is the page of a study of n dwellings, all with a history and
// present readings.
func manyDwellings(t testing.TB, n int) (*Page, *visitor) {
	t.Helper()
	f := newFullPage(t, 5)
	study := *f.cfg.Study
	study.Dwellings = nil
	for i := range n {
		d := *f.d.Dwelling
		d.ID = fmt.Sprintf("larch-%03d", i)
		study.Dwellings = append(study.Dwellings, d)
	}
	cfg := f.cfg
	cfg.Study = &study
	p := New(cfg)
	for i, d := range p.dwellings {
		d.past = f.d.past
		d.held = f.d.held
		d.present.take(d.Dwelling, &greywatt.Reading{Node: "n1", Channel: greywatt.Flow, At: f.d.held.Newest.Add(float64(i)), Value: 0.01 * float64(i%20)})
	}
	return p, visit(t, p)
}

var fetched = regexp.MustCompile(`<(?:link|script|img)[^>]* (?:href|src)="([^"]*)"`)

// mostBytes is the weight of a page with all that it fetches, that the project
// allows.
const mostBytes = 200_000

// Every page, with its styles, script and charts, and with the first message of
// its stream, weighs less than 200 kB, even to a browser that takes nothing
// packed.
func TestPageWeight(t *testing.T) {
	f := newFullPage(t, 5)
	_, many := manyDwellings(t, 200)
	for _, test := range []struct {
		name, path string
		*visitor
	}{
		{"overview of 200 dwellings", "/", many},
		{"handover", "/dwelling/" + f.d.ID + "/handover", f.visitor},
		{"study of 200 dwellings", "/study", many},
		{"overview", "/", f.visitor},
		{"dwelling", "/dwelling/" + f.d.ID, f.visitor},
		{"event", "/event/" + f.d.past.Latest.ID, f.visitor},
		{"all events", "/dwelling/" + f.d.ID + "/events", f.visitor},
		{"rejected", "/rejected", f.visitor},
	} {
		var plain, packed int
		text := test.get(test.path).Body.String()
		paths := []string{test.path}
		for _, m := range fetched.FindAllStringSubmatch(text, -1) {
			paths = append(paths, strings.ReplaceAll(m[1], "&amp;", "&"))
		}
		if len(paths) < 4 {
			t.Errorf("%s fetches only %v", test.name, paths)
		}
		for _, path := range paths {
			w := test.get(path)
			if w.Code != http.StatusOK {
				t.Errorf("%s: %d", path, w.Code)
			}
			plain += w.Body.Len()
			r := httptest.NewRequest("GET", path, nil)
			r.Header.Set("Accept-Encoding", "gzip")
			packed += test.do(r).Body.Len()
		}
		if m := sincePattern.FindStringSubmatch(text); m != nil {
			n := firstMessage(t, test.handler, m[1])
			plain += n
			packed += n
		}
		t.Logf("%s: %.1f kB, packed %.1f kB, in %d requests", test.name, float64(plain)/1000, float64(packed)/1000, len(paths))
		if plain >= mostBytes || packed >= plain {
			t.Errorf("%s weighs %d bytes, packed %d, want less than %d", test.name, plain, packed, mostBytes)
		}
	}
}

// firstMessage returns the size of what a stream first sends.
func firstMessage(t testing.TB, handler http.Handler, path string) int {
	t.Helper()
	server := httptest.NewServer(handler)
	defer server.Close()
	f := followStream(t, server, path, nil)
	defer server.CloseClientConnections()
	select {
	case line := <-f.lines:
		return len(line)
	case <-time.After(2 * pushEvery):
		return 0 // the page shows it all already
	}
}
