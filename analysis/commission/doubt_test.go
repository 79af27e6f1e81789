package commission

import (
	"math"
	"strings"
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/exchanger"
	"greywatt/analysis/uncert"
)

// made are five showers by hand: effectiveness-NTU of counterflow (Kays and London, from memory) with a share of the rated
// conductance, the mixing rule of the connection, and one clamp that shows a share of its pipe.
func made(c greywatt.Connection, conduct float64, clamp greywatt.Channel, contact float64) (*greywatt.Study, *greywatt.Dwelling, []event.Event) {
	const hotC, roomC, dropK = 60.0, 20.0, 4.0
	d := &greywatt.Dwelling{ID: "d", Connection: c, Heater: greywatt.Heater{HotC: hotC},
		Exchanger: greywatt.Exchanger{Rated: []greywatt.RatedPoint{{FlowLMin: 6, Effectiveness: 0.53}, {FlowLMin: 9, Effectiveness: 0.48}, {FlowLMin: 12, Effectiveness: 0.445}}}}
	rating := exchanger.NewRating(d.Exchanger)
	day := time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)
	var out []event.Event
	for i := range 5 {
		waste, mains, drain := 37+0.3*float64(i%3), 11+0.2*float64(i%2), 8+0.4*float64(i)
		share := 1.0
		var t [4]float64
		var in exchanger.Inlets
		var f exchanger.Flows
		for range 60 {
			f = exchanger.Flows{WasteLMin: drain, MainsLMin: drain * share}
			in = exchanger.Inlets{WasteInC: waste, ColdInC: mains}
			rise := exchanger.Effectiveness(rating.UA(f, in)*conduct, f, in) * (waste - mains)
			t = [4]float64{waste, waste - rise*share*1.02, mains, mains + rise}
			switch c {
			case greywatt.ConnectionB:
				share = (hotC - waste - dropK) / (hotC - t[3])
			case greywatt.ConnectionC:
				share = (waste + dropK - mains) / (hotC - mains)
			}
		}
		t[clamp] = roomC + contact*(t[clamp]-roomC)
		e := event.New()
		e.ID = "d-" + day.AddDate(0, 0, i).Format("20060102T150405Z")
		e.Kind, e.Start, e.SteadyS, e.RunningS = event.Shower, greywatt.InstantOf(day.AddDate(0, 0, i)), 300, 400
		e.End = e.Start.Add(400)
		e.WasteInC, e.WasteOutC, e.ColdInC, e.PreheatOutC, e.RoomC = t[0], t[1], t[2], t[3], roomC
		e.FlowLMin, e.WasteFlowLMin = f.MainsLMin, f.WasteLMin
		e.Parts = []event.Part{{Span: event.Span{From: e.Start, To: e.End}, FlowLMin: e.FlowLMin, MeteredWasteLMin: math.NaN()}}
		in.WasteInC, in.ColdInC = t[0], t[2]
		e.Expected, e.ExpectedU95 = rating.At(f, in).Effectiveness, 0.01
		e.Effectiveness = (t[3] - t[2]) / (t[0] - t[2])
		e.Ratio, e.RatioU95 = e.Effectiveness/e.Expected, 0.03
		e.UARatio, e.UARatioU95, e.UARatioRandom = 1, 0.06, 0.01
		e.Budgets.Ratio.Rows = []uncert.Row{{Name: event.ClampInput(greywatt.WasteIn), Contribution: 0.012, U: 0.08}, {Name: "waste-in noise", Contribution: 0.009}}
		out = append(out, e)
	}
	return &greywatt.Study{Timezone: time.UTC}, d, out
}

// A clamp that hangs loose takes from the ratio, or adds to it, as a unit does that is weak or good: where
// that has more than the chance of one in twenty that a verdict may be wrong by (JCGM 106:2012, section 8, from memory), none is
// given, and the clamp and how to check it are named. A weak unit whose clamps fit fails as before.
func TestLooseClampIsNoVerdict(t *testing.T) {
	for _, c := range []greywatt.Connection{greywatt.ConnectionA, greywatt.ConnectionB, greywatt.ConnectionC} {
		for _, clamp := range []greywatt.Channel{greywatt.PreheatOut, greywatt.WasteIn} {
			study, d, events := made(c, 1, clamp, 0.72)
			r := Judge(study, d, 0, events, 5)
			if r.Verdict != CannotTell {
				t.Errorf("%s, %s loose: %s, %s", c, clamp, r.Verdict, r.Reason)
			}
			if !strings.Contains(r.Reason, clamp.String()) || !strings.Contains(r.Decide, "hand-held probe") && !strings.Contains(r.Decide, "once the clamp is right") {
				t.Errorf("%s, %s loose: %s; %s", c, clamp, r.Reason, r.Decide)
			}
		}
		study, d, events := made(c, 0.6, greywatt.PreheatOut, 1)
		if r := Judge(study, d, 0, events, 5); r.Verdict != Fail {
			t.Errorf("%s, weak: %s, %s", c, r.Verdict, r.Reason)
		}
		study, d, events = made(c, 1, greywatt.PreheatOut, 1)
		if r := Judge(study, d, 0, events, 5); r.Verdict != Pass {
			t.Errorf("%s, sound: %s, %s", c, r.Verdict, r.Reason)
		}
	}
}
