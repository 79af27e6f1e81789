package plan

import (
	"math"
	"strings"
	"testing"

	"greywatt"
)

// Two samples of 20 that differ by one standard deviation: 0.869 in J. Cohen,
// Statistical Power Analysis for the Behavioral Sciences (from memory), 0.8689528
// by calculation. 22.0211 a sample reach 0.9, as public calculators have it (from
// memory).
func TestPowerOfT(t *testing.T) {
	of := func(n float64) float64 { return powerOfT(math.Sqrt(n/2), 2*n-2) }
	if got := of(20); math.Abs(got-0.8689528) > 1e-6 {
		t.Errorf("n 20: power %.7f", got)
	}
	if got := of(22.0211); math.Abs(got-0.9) > 1e-5 {
		t.Errorf("n 22.0211: power %.7f", got)
	}
	if got := powerOfT(0, 7); math.Abs(got-0.05) > 1e-8 {
		t.Errorf("no shift: %.9f", got)
	}
	// without end of data the shift is the sum of two quantiles of the normal distribution
	if got := detectable(1e6); math.Abs(got-(1.959964+0.841621)) > 1e-4 {
		t.Errorf("detectable %.6f", got)
	}
}

func design() Design {
	d := Design{
		Dwelling: greywatt.Dwelling{ID: "plan", Connection: greywatt.ConnectionA,
			Exchanger: greywatt.Exchanger{Orientation: greywatt.Vertical, Rated: []greywatt.RatedPoint{{FlowLMin: 9.5, Effectiveness: 0.5}}},
			Heater:    greywatt.Heater{Efficiency: 0.9, CarbonKgPerKWh: math.NaN(), PricePerKWh: math.NaN()}},
		FlowLMin: 9, Minutes: 7, MainsC: 12, WasteInC: 37, MainsPerMix: 0.7,
		ShowersPerWeek: 10, Weeks: 26, Dwellings: 40, Scatter: 0.01, Between: 0.05,
	}
	for c := greywatt.WasteIn; c.IsPort(); c++ {
		d.Dwelling.Sensors = append(d.Dwelling.Sensors, greywatt.Sensor{Channel: c, U95K: 0.3, Scale: 1})
	}
	d.Dwelling.Sensors = append(d.Dwelling.Sensors, greywatt.Sensor{Channel: greywatt.Flow, U95Relative: 0.03, Scale: 1})
	return d
}

// In connection A the effectiveness is a quotient of differences of temperatures,
// and its u95 follows by hand from three clamps (the waste's outlet tells by the
// balance a little of the flows).
func TestShowerByHand(t *testing.T) {
	p, err := Of(design())
	if err != nil {
		t.Fatal(err)
	}
	span, e := 25.0, p.Effectiveness
	byHand := 0.3 / span * math.Sqrt(1+(1-e)*(1-e)+e*e)
	if p.EffectivenessU95 < 0.8*byHand || p.EffectivenessU95 > 1.2*byHand {
		t.Errorf("u95 of the effectiveness %.4f, by hand %.4f", p.EffectivenessU95, byHand)
	}
	if p.Showers != 260 {
		t.Errorf("%d showers", p.Showers)
	}
	// 63 l of water by 12.5 K, less what warms the unit up
	if want := 63 * 4.18 * e * span / 3600; p.HeatKWh < 0.9*want || p.HeatKWh > 1.02*want {
		t.Errorf("heat %.3f kWh, about %.3f by hand", p.HeatKWh, want)
	}
}

// What more dwellings, more showers and better sensors do, and what they do not.
func TestOfResponds(t *testing.T) {
	base := must(t, design())
	d := design()
	d.Dwellings *= 4
	more := must(t, d)
	if r := more.Study.OwnU95 / base.Study.OwnU95; math.Abs(r-0.5) > 1e-9 {
		t.Errorf("four times the dwellings: own part times %.3f", r)
	}
	if more.Study.MethodU95 != base.Study.MethodU95 {
		t.Error("more dwellings change what the method leaves")
	}
	d = design()
	for i := range d.Dwelling.Sensors {
		d.Dwelling.Sensors[i].BatchU95K, d.Dwelling.Sensors[i].BatchU95Relative = d.Dwelling.Sensors[i].U95K, d.Dwelling.Sensors[i].U95Relative
	}
	shared := must(t, d)
	if shared.Study.BatchU95 <= base.Study.OwnU95 || shared.MeanU95 <= base.MeanU95 {
		t.Errorf("clamps of one batch: %+v against %+v", shared.Study, base.Study)
	}
	if math.Abs(shared.Dwelling.U95()-base.Dwelling.U95()) > 1e-12 {
		t.Error("a batch changes the uncertainty of a single dwelling")
	}
	d = design()
	d.Weeks *= 4
	longer := must(t, d)
	for _, c := range []struct {
		what        string
		short, long float64
	}{{"step", base.Step, longer.Step}, {"fouling", base.Fouling, longer.Fouling}} {
		if r := c.long / c.short; r < 0.48 || r > 0.51 {
			t.Errorf("four times the showers: smallest %s times %.3f", c.what, r)
		}
	}
	if r := base.Fouling / base.Step; math.Abs(r-math.Sqrt(3)) > 1e-9 {
		t.Errorf("a steady change against a step: %.3f", r) // 12/n against 4/n
	}
}

func TestNeeded(t *testing.T) {
	d := design()
	for i := range d.Dwelling.Sensors { // nothing shared
		d.Dwelling.Sensors[i].BatchU95K = 0
	}
	d.Dwellings = 30
	at30 := must(t, d).MeanU95
	n, ok, err := Needed(d, at30, 1000)
	if err != nil || !ok || n != 30 {
		t.Errorf("%d dwellings, %v, %v", n, ok, err)
	}
	floor := must(t, d).Study.MethodU95
	if _, ok, err := Needed(d, floor*0.99, 1000); ok || err != nil {
		t.Errorf("less than the method's own uncertainty is reached: %v, %v", ok, err)
	}
}

func TestOfRefuses(t *testing.T) {
	for _, c := range []struct {
		change func(*Design)
		want   string
	}{
		{func(d *Design) { d.FlowLMin = 100 }, "flow"},
		{func(d *Design) { d.WasteInC = 15 }, "waste"},
		{func(d *Design) { d.Weeks = math.NaN() }, "weeks"},
		{func(d *Design) { d.Dwellings = 0 }, "dwellings"},
		{func(d *Design) { d.Dwelling.Exchanger.Rated = nil }, "rated"},
	} {
		d := design()
		c.change(&d)
		if _, err := Of(d); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("want an error about %s, got %v", c.want, err)
		}
	}
}

func must(t *testing.T, d Design) Plan {
	t.Helper()
	p, err := Of(d)
	if err != nil {
		t.Fatal(err)
	}
	return p
}
