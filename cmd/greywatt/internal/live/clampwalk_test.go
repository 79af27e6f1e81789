package live

import (
	"html"
	"math"
	"net/url"
	"regexp"
	"testing"

	"greywatt"
)

func TestHeld(t *testing.T) {
	nan := math.NaN()
	for _, test := range []struct {
		rise [greywatt.NumPorts]float64
		want greywatt.Channel
		ok   bool
	}{
		{[4]float64{0.1, 0, 3, 0.2}, greywatt.ColdIn, true},
		{[4]float64{0.1, 0, 1.9, 0.2}, 0, false},
		{[4]float64{3, 2.9, 0, 0}, 0, false}, // two rise: which is held?
		{[4]float64{nan, 0.1, nan, 2.5}, greywatt.PreheatOut, true},
		{[4]float64{nan, nan, nan, nan}, 0, false},
	} {
		if got, ok := held(test.rise); got != test.want || ok != test.ok {
			t.Errorf("%v: %s, %v", test.rise, got, ok)
		}
	}
}

var act = regexp.MustCompile(`class="act" href="([^"]+)"`)

// Two crossed clamps are caught, and what was found is ready to be noted.
func TestClampWalk(t *testing.T) {
	f, _, v := fittedPage(t)
	next := "/dwelling/" + f.d.ID + "/clamps"
	follow := func(words ...string) {
		t.Helper()
		text := v.get(next).Body.String()
		checkPage(t, "/clamps", text)
		has(t, text, words...)
		if m := act.FindStringSubmatch(text); m != nil {
			next = html.UnescapeString(m[1])
		}
	}
	warm := func(c greywatt.Channel) {
		for ch := range greywatt.Channel(greywatt.NumPorts) {
			l := f.d.present.latest[ch]
			at := f.d.present.newest + 1e6
			value := 17.0
			if ch == c {
				value = 24
			}
			f.d.present.take(f.d.Dwelling, &greywatt.Reading{Node: l.node, Channel: ch, At: at, Value: value})
		}
	}
	const none = greywatt.Flow
	warm(none)
	follow("Begin", "Hot-water pipes and the heater burn")
	for _, step := range []struct {
		rises greywatt.Channel
		words string
	}{{greywatt.WasteIn, "Waste in rises: that clamp is right."}, {greywatt.ColdIn, "Cold in rises, not waste out"}, {greywatt.WasteOut, "Waste out rises, not cold in"}, {greywatt.PreheatOut, "Preheated rises: that clamp is right."}} {
		warm(none)
		// the page for the next clamp begins where all have cooled
		u, err := url.Parse(next)
		if err != nil {
			t.Fatal(err)
		}
		if q := u.Query(); q.Has("seen") {
			q.Set("from", "17.00,17.00,17.00,17.00")
			u.RawQuery = q.Encode()
			next = u.String()
		}
		has(t, v.get(next).Body.String(), "Hold the clamp of", "Skip this clamp")
		warm(step.rises)
		follow(step.words)
	}
	follow("Waste out: its clamp reports as cold in", "Exchange the clamps", "Note it in the journal")
	has(t, v.get(next).Body.String(), "clamp walk: Waste in: right; Waste out: its clamp reports as cold in")
}
