package commission

import (
	"math"
	"strings"
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/uncert"
)

// showers returns events of one ratio whose budget has the given contributions,
// one standard uncertainty each: of the waste-in clamp (u 0.1 K), of the rated
// points, and of noise.
func showers(n int, ratio, clamp, rating, noise float64) []event.Event {
	day := time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)
	var out []event.Event
	for i := range n {
		e := event.New()
		e.ID = "d-" + day.AddDate(0, 0, i).Format("20060102T150405Z")
		e.Kind, e.Start, e.SteadyS = event.Shower, greywatt.InstantOf(day.AddDate(0, 0, i)), 300
		e.End = e.Start.Add(400)
		e.Ratio, e.Effectiveness, e.Expected, e.ExpectedU95 = ratio, ratio/2, 0.5, 0.01
		e.FlowLMin, e.WasteFlowLMin = 9, 9
		e.Budgets.Ratio.Rows = []uncert.Row{
			{Name: event.ClampInput(greywatt.WasteIn), Contribution: clamp, U: 0.2},
			{Name: "rated points to these flows", Contribution: rating},
			{Name: "waste-in noise", Contribution: noise},
		}
		e.RatioU95 = 2 * math.Sqrt(clamp*clamp+rating*rating+noise*noise)
		out = append(out, e)
	}
	return out
}

func judged(events []event.Event) Result {
	study := &greywatt.Study{Timezone: time.UTC}
	d := &greywatt.Dwelling{ID: "d", Connection: greywatt.ConnectionA, Exchanger: greywatt.Exchanger{Rated: []greywatt.RatedPoint{{FlowLMin: 9, Effectiveness: 0.5}}}}
	return Judge(study, d, 0, events, 5)
}

// Guarded acceptance and rejection (JCGM 106:2012, 8.3.2, from memory): with a risk of one in
// twenty the band is 1.645 standard uncertainties wide on either side of the
// limit, and a unit within it is neither passed nor failed.
func TestMarginalUnitsCannotBeTold(t *testing.T) {
	const u = 0.02
	for _, c := range []struct {
		off  float64 // of the ratio from the limit, in standard uncertainties
		want Verdict
	}{{-3, Fail}, {-1.7, Fail}, {-1.6, CannotTell}, {-0.5, CannotTell}, {0.5, CannotTell}, {1.6, CannotTell}, {1.7, Pass}, {3, Pass}} {
		got := judged(showers(5, LeastRatio+c.off*u, u, 0, 0))
		if got.Verdict != c.want {
			t.Errorf("%+.1f u from the limit: %s, want %s (%s)", c.off, got.Verdict, c.want, got.Reason)
		}
		if (got.Decide != "") != (c.want == CannotTell) {
			t.Errorf("%+.1f u from the limit: what would decide: %q", c.off, got.Decide)
		}
	}
}

// What showers share stays, what differs averages: by hand, of five showers
// 2 √(0.01² + 0.008² + 0.03²/5) = 0.0371.
func TestRatioOfShowers(t *testing.T) {
	got := judged(showers(7, 1, 0.01, 0.008, 0.03))
	if len(got.Events) != 5 || got.Events[0] != "d-20260304T070000Z" {
		t.Errorf("judged by %v", got.Events)
	}
	if want := 2 * math.Sqrt(0.01*0.01+0.008*0.008+0.03*0.03/5); math.Abs(got.RatioU95-want) > 1e-12 {
		t.Errorf("u95 %.6f, want %.6f", got.RatioU95, want)
	}
	// clamps whose error acts the other way in half of the showers average too
	mixed := showers(4, 1, 0.01, 0, 0)
	mixed[0].Budgets.Ratio.Rows[0].Contribution = -0.01
	mixed[1].Budgets.Ratio.Rows[0].Contribution = -0.01
	if got := judged(mixed); got.RatioU95 > 1e-12 {
		t.Errorf("u95 %.6f of showers whose errors cancel", got.RatioU95)
	}
}

func TestWhatWouldDecide(t *testing.T) {
	for _, c := range []struct {
		name   string
		events []event.Event
		want   string
	}{
		// gap 0.03: u must come to 0.03/1.645 = 0.01824. Of the showers 0.05²/n; with
		// 0.005 shared n is 0.05²/(0.01824² - 0.005²) = 8.1, so 9, 7 more than 2.
		{"noise", showers(2, 0.95, 0.005, 0, 0.05), "7 showers more"},
		// clamps of 0.2 K give 0.03; of 0.1 K 0.015 < 0.01824
		{"clamps", showers(5, 0.95, 0.03, 0, 0.001), "zero check"},
		// of 0.1 K still 0.05; 0.01824/0.10 of 0.2 K are 0.0365 K, u95 0.07 K
		{"poor clamps", showers(5, 0.95, 0.10, 0, 0.001), "u95 0.07 K"},
		{"rating", showers(5, 0.93, 0.001, 0.02, 0.001), "rated points to these flows leaves ±0.040"},
	} {
		got := judged(c.events)
		if got.Verdict != CannotTell || !strings.Contains(got.Decide, c.want) {
			t.Errorf("%s: %s: %q, want %q", c.name, got.Verdict, got.Decide, c.want)
		}
	}
	if got := judged(nil); got.Decide != tenMinutes {
		t.Errorf("no shower: %q", got.Decide)
	}
}

// What the command says of this: the showers more that it asks for do decide.
func TestAskedShowersDecide(t *testing.T) {
	if got := judged(showers(2, 0.95, 0.005, 0, 0.05)); got.Verdict != CannotTell {
		t.Fatal(got.Verdict)
	}
	study := &greywatt.Study{Timezone: time.UTC}
	if got := Judge(study, &greywatt.Dwelling{ID: "d", Connection: greywatt.ConnectionA, Exchanger: greywatt.Exchanger{Rated: []greywatt.RatedPoint{{FlowLMin: 9, Effectiveness: 0.5}}}}, 0, showers(9, 0.95, 0.005, 0, 0.05), 9); got.Verdict != Pass {
		t.Errorf("nine showers: %s, %s", got.Verdict, got.Reason)
	}
}

// Showers without a minute of steady flow count where there is none with one.
func TestShortShowersAreBetterThanNone(t *testing.T) {
	events := showers(2, 1, 0.01, 0, 0.01)
	events[0].SteadyS, events[1].SteadyS = 40, 30
	if got := judged(events); got.Verdict != Pass || len(got.Events) != 2 {
		t.Errorf("%s by %v", got.Verdict, got.Events)
	}
	if Enough(events, 1) {
		t.Error("short showers are enough to read no further")
	}
	events[0].SteadyS = 60
	if got := judged(events); len(got.Events) != 1 || !Enough(events, 1) || Enough(events, 2) {
		t.Errorf("judged by %v", got.Events)
	}
}
