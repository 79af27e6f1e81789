package propose

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"greywatt/ingest/recipe"
)

// What a minute of listening gives: families of topics, each with a recipe that
// can be read, and that takes the messages heard.
func TestHeard(t *testing.T) {
	h := NewHeard(1 << 20)
	for i := range 60 {
		s := float64(i)
		for _, flat := range []string{"larch-04", "attic"} {
			flow := 0.0
			if i > 20 {
				flow = 0.13
			}
			h.Take("home/"+flat+"/plumbing/drain_in", fmt.Appendf(nil, "%.2f", 20+18*math.Min(s/60, 1)), s, i == 0)
			h.Take("home/"+flat+"/plumbing/mains", fmt.Appendf(nil, "%.2f", 12-s/50), s, false)
			h.Take("home/"+flat+"/plumbing/flow", fmt.Appendf(nil, "%.3f", flow), s, false)
		}
		h.Take("gw/7/state", fmt.Appendf(nil, `{"ts":%d,"cold":{"temp_c":11.%d},"preheat":21,"flow_lpm":%d}`, 1768199400+i, i%10, i/30*8), s, false)
		h.Take("text/room", []byte("room is at 19.5 °C"), s, false)
	}
	h.Take("packs/7", []byte(`[{"bn":"larch-04/n1/","n":"flow","u":"l/s","v":0.1}]`), 1, false)
	h.Take("noise/state", []byte("online"), 1, true)
	h.Take("noise/blob", []byte{0, 1, 2}, 1, false)
	proposed, doubts := h.Propose(Options{Dwellings: []string{"larch-04", "larch-05"}})
	text := strings.Join(proposed, "\n")
	rs, err := recipe.Read(strings.NewReader("[study]\nname = \"x\"\n" + text))
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	var got []string
	for _, r := range rs {
		line := fmt.Sprint(r.MQTT.Topics[0], " ", r.MQTT.Payload, " ", r.Time.Arrival)
		for _, c := range r.Channels {
			line += fmt.Sprintf(" %s=%s[%s]", c.Channel, c.From, c.Unit.Name)
		}
		got = append(got, line)
	}
	want := []string{
		"home/{dwelling}/plumbing/{channel} number true waste-in=drain_in[Cel] cold-in=mains[Cel] flow=flow[l/s]",
		"gw/7/state json false cold-in=$.cold.temp_c[Cel] preheat-out=$.preheat[Cel] flow=$.flow_lpm[l/min]",
		"text/{channel} text true ambient=room[Cel]",
	}
	if strings.Join(got, "\n") != strings.Join(want, "\n") || doubts == 0 {
		t.Errorf("%d doubts; proposed\n%s\nwant\n%s\n%s", doubts, strings.Join(got, "\n"), strings.Join(want, "\n"), text)
	}
	if !strings.Contains(text, "SenML, which needs no recipe, comes on topics such as packs/7, 1 in all:") {
		t.Errorf("nothing says what to do with SenML elsewhere:\n%s", text)
	}
	if h.Topics() != 9 {
		t.Errorf("%d topics that could hold readings, want 9", h.Topics())
	}
	if !strings.Contains(text, `dwellings = { "attic" = "attic" }`) {
		t.Errorf("the dwelling that is not the study's is not asked about:\n%s", text)
	}
}

// What is kept is bounded in bytes, whatever comes.
func TestHeardIsBounded(t *testing.T) {
	h := NewHeard(10_000)
	for i := range 1000 {
		h.Take(fmt.Sprintf("a/%d", i%50), []byte(strings.Repeat("7", 40)), float64(i), false)
	}
	kept := 0
	h.Each(func(topic string, body []byte) { kept += len(topic) + len(body) })
	h.Take("b/large", make([]byte, maxBody+1), 0, false) // is no topic, nor a panic
	if kept == 0 || kept > 10_000 {
		t.Errorf("%d bytes are kept of 10000 that may be", kept)
	}
	if h.Topics() != 50 {
		t.Errorf("%d topics", h.Topics())
	}
}
