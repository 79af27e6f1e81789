package monitor

import (
	"encoding/json"
	"math"
	"testing"

	"greywatt"
	"greywatt/analysis/event"
)

var dwelling = greywatt.Dwelling{ID: "d", Connection: greywatt.ConnectionA}

// feed gives a guard n showers, two a day, of a conductance of ratio with ±1 % in
// turn, mains water of mainsC and half of the span recovered on both sides. It
// returns after how many of them the first alarm came; 0: none.
func feed(g *Guard, n int, ratio, balance, mainsC float64) int {
	return feedAt(g, n, ratio, balance, mainsC, 0.01)
}

// feedAt is feed at flows at which the certificate leaves ln UA open by ratingU.
func feedAt(g *Guard, n int, ratio, balance, mainsC, ratingU float64) int {
	study := &greywatt.Study{}
	first := 0
	for i := range n {
		e := event.New()
		e.Kind, e.Start = event.Shower, g.Last.Add(43200)
		e.ColdInC, e.WasteInC = mainsC, 38
		e.PreheatOutC = mainsC + 0.5*(38-mainsC)
		e.WasteOutC = 38 - balance*0.5*(38-mainsC)
		e.UARatio = ratio * (0.99 + 0.02*float64(i%2))
		e.UARatioRandom, e.UARatingLnU = 0.005, ratingU
		e.Parts = make([]event.Part, 1)
		if alarms := g.Add(study, &dwelling, &e); len(alarms) > 0 && first == 0 {
			first = i + 1
		}
	}
	return first
}

// The guard answers to what is worth an alarm, 10 % of conductance, within a week of
// two showers a day; half of the allowance, 4 %, stays without one for two years. The
// heat balance likewise at 12 % and 4 %.
func TestGuardShift(t *testing.T) {
	for _, c := range []struct {
		name           string
		ratio, balance float64
		least, most    int // showers to the alarm; 0 and 0: none in 1500
	}{
		{"as it was", 1, 1, 0, 0}, {"better", 1.1, 1, 0, 0},
		{"4 % less conductance", 0.96, 1, 0, 0}, {"10 % less", 0.9, 1, guardShowers, 14}, {"half", 0.5, 1, guardShowers, 4},
		{"4 % less balance", 1, 0.96, 0, 0}, {"12 % less", 1, 0.88, guardShowers, 14}, {"12 % more", 1, 1.12, guardShowers, 14},
	} {
		var g Guard
		if at := feed(&g, guardLearns, 1, 1, 12); at != 0 {
			t.Fatal("an alarm while it learns")
		}
		n := 1500
		if c.most > 0 {
			n = c.most
		}
		if at := feed(&g, n, c.ratio, c.balance, 12); at < c.least || at > c.most {
			t.Errorf("%s: alarm after %d showers, want %d to %d", c.name, at, c.least, c.most)
		}
	}
}

// The same 10 % in mains water 10 K colder: 9.3 % of them, 2.5 standard uncertainties
// of 0.35 % per kelvin at half of the span (perUA 0.5 against 0.53), may be the
// temperature law's, which leaves no alarm; 25 % raise one.
func TestGuardAllowsForTheSeason(t *testing.T) {
	for _, c := range []struct {
		ratio float64
		alarm bool
	}{{0.9, false}, {1.08, false}, {0.75, true}} {
		var g Guard
		feed(&g, guardLearns, 1, 1, 16)
		if at := feed(&g, 200, c.ratio, 1, 6); (at > 0) != c.alarm {
			t.Errorf("ratio %.2f in mains water 10 K colder: alarm after %d showers", c.ratio, at)
		}
	}
	e := event.New()
	e.WasteInC, e.WasteOutC, e.ColdInC, e.PreheatOutC = 38, 22, 6, 22
	ua, _ := allowances(&dwelling, [4]float64{38, 27, 16, 27}, 0, &e)
	// beside the law the clamps of 0.25 K: d ln UA/dT of one is 1/(ε (1-ε) span) of
	// preheat-out and half of it, each, of waste-in and cold-in: 4/22 - 4/32 = 0.0568,
	// 0.0284, 0.0284, and so 0.25 · 0.0696 = 0.0174
	want := 2.5 * math.Hypot(0.0035*10*0.53/0.5, 0.0174)
	if math.Abs(ua-want) > 0.001 {
		t.Errorf("allowed %.4f, want %.4f", ua, want)
	}
}

// Where somebody showers at a flow at which the certificate leaves ln UA open by 6 %,
// against 2 % at the level's, the two may differ by 2.5 √(0.06² - 0.02²) = 14 % without
// anything having changed; as far from it at the level's own flow is an alarm.
func TestGuardAllowsForFlows(t *testing.T) {
	for _, c := range []struct {
		ratingU, ratio float64
		alarm          bool
	}{{0.06, 0.86, false}, {0.02, 0.86, true}, {0.06, 0.7, true}, {0.01, 0.86, true}} {
		var g Guard
		feedAt(&g, guardLearns, 1, 1, 12, 0.02)
		if at := feedAt(&g, 200, c.ratio, 1, 12, c.ratingU); (at > 0) != c.alarm {
			t.Errorf("ratio %.2f, certificate open by %.2f: alarm after %d showers", c.ratio, c.ratingU, at)
		}
	}
}

// Two showers that come out at a tenth raise no alarm, a third in a row does.
func TestGuardTakesThreeShowers(t *testing.T) {
	for n, want := range []int{0, 0, 0, 3} {
		var g Guard
		feed(&g, guardLearns+10, 1, 1, 12)
		if at := feed(&g, n, 0.1, 1, 12); at != want {
			t.Errorf("%d showers: alarm after %d, want %d", n, at, want)
		}
	}
}

// What an earlier method noted is read, and its level, of conductances without the
// temperature law, is learnt again; what this one notes goes on where it was.
func TestGuardReadsWhatWasStored(t *testing.T) {
	old := `{"Learnt":20,"UA":null,"Heat":null,"UASum":{"Target":0.3,"K":0.05,"H":0.2,"Clip":0.12},"HeatSum":{"Target":0,"K":0.06,"H":0.2,"Clip":0.1},"Last":1000000,"Cleaned":1}`
	var g Guard
	if err := json.Unmarshal([]byte(old), &g); err != nil {
		t.Fatal(err)
	}
	if at := feed(&g, 1500, 1, 1, 12); at != 0 || g.Cleaned != 1 {
		t.Errorf("alarm after %d showers, against a level that another method learnt", at)
	}
	var fresh Guard
	feed(&fresh, guardLearns+5, 1, 1, 12)
	note, err := json.Marshal(&fresh)
	if err != nil {
		t.Fatal(err)
	}
	if len(note) > 1000 {
		t.Errorf("a note of %d bytes", len(note))
	}
	var again Guard
	if err := json.Unmarshal(note, &again); err != nil {
		t.Fatal(err)
	}
	a, b := feed(&fresh, 14, 0.9, 1, 12), feed(&again, 14, 0.9, 1, 12)
	if a == 0 || a != b {
		t.Errorf("alarm after %d showers, %d once stored and read", a, b)
	}
}
