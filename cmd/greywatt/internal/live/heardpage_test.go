package live

import (
	"net/http"
	"strings"
	"testing"

	"greywatt"
)

// testOverheard proposes what it was given.
type testOverheard struct{ Proposal }

func (o *testOverheard) Topics() int                      { return o.Proposal.Topics }
func (o *testOverheard) Propose(*greywatt.Study) Proposal { return o.Proposal }

var heardProposal = Proposal{
	Topics: 5, Doubts: 2, Recipe: "[[recipe]]\n# DOUBT: which is the dwelling is a guess\n[recipe.mqtt]\ntopics = [\"home/{dwelling}/{channel}\"]\n",
	Preview: []PreviewRow{
		{Dwelling: "attic", Node: "mqtt", Channel: greywatt.WasteIn, Unit: "°C", Readings: 60, Newest: 37.94, Lowest: 20, Highest: 37.94},
		{Dwelling: "attic", Node: "mqtt", Channel: greywatt.Flow, Unit: "l/min", Readings: 1, Newest: 7.8, Lowest: 0, Highest: 7.8},
	},
	Refused: []string{"home/attic/<b>: no channel of the recipe comes from it"},
}

// Topics that no recipe takes are told on the overview, with what a recipe would
// make of them; where there are none, nothing is said.
func TestOverheardPage(t *testing.T) {
	f := newFullPage(t, 2)
	if text := f.page(t, "/", 200); strings.Contains(text, `href="/heard"`) {
		t.Error("without a broker of its own the page offers what it heard")
	}
	has(t, f.page(t, "/heard", 404), "Nothing else was heard")
	heard := &testOverheard{}
	f.cfg.Overheard = heard
	if text := f.page(t, "/", 200); strings.Contains(text, `href="/heard"`) {
		t.Error("nothing was heard, and the page offers it")
	}
	heard.Proposal = heardProposal
	has(t, f.page(t, "/", 200), "Heard, not yet in the study 5 topics that no recipe takes")
	text := f.page(t, "/heard", 200)
	has(t, text, "5 topics came to the broker", "2 points in it, marked DOUBT, are for you", "Waste in attic mqtt 37.9 °C 20.0 to 37.9 60",
		"Flow attic mqtt 7.80 l/min 0.00 to 7.80 1", "home/attic/&lt;b&gt;: no channel")
	w := f.get("/heard/recipe.toml")
	if w.Code != http.StatusOK || w.Body.String() != heardProposal.Recipe || !strings.Contains(w.Header().Get("Content-Disposition"), "recipe.toml") {
		t.Errorf("as a file: %d %v %q", w.Code, w.Header(), w.Body)
	}
}
