package event

import (
	"math"
	"slices"
	"testing"

	"greywatt"
	"greywatt/analysis/simulate"
	"greywatt/analysis/uncert"
)

// measured returns the first events of a simulated house that have an
// effectiveness, with their models.
func measured(t *testing.T, c greywatt.Connection, n int) []Event {
	t.Helper()
	h := simulate.NewHouse("x", 40+uint64(c), simulate.Options{Days: 4, Connection: c})
	study := &greywatt.Study{Dwellings: []greywatt.Dwelling{h.Dwelling}}
	frames := slices.Collect(h.Frames(nil))
	var out []Event
	for _, e := range NewAnalyser(study, &study.Dwellings[0]).Push(frames) {
		if math.IsNaN(e.Ratio) || len(out) == n {
			continue
		}
		traced, _, ok := trace(&study.Dwellings[0], frames, e.ID)
		if !ok || traced.Effectiveness != e.Effectiveness {
			t.Fatalf("%s traced: %t, effectiveness %g, analysed %g", e.ID, ok, traced.Effectiveness, e.Effectiveness)
		}
		out = append(out, traced)
	}
	if len(out) < n {
		t.Fatalf("%d measured events, want %d", len(out), n)
	}
	return out
}

// The law of propagation (JCGM 100) against propagation of distributions (JCGM
// 101, normal inputs, 2e5 trials): within 2 % where the model is as good as
// linear over the inputs' uncertainties.
func TestBudgetAgreesWithMonteCarlo(t *testing.T) {
	for _, c := range []greywatt.Connection{greywatt.ConnectionA, greywatt.ConnectionB, greywatt.ConnectionC} {
		for _, e := range measured(t, c, 2) {
			models, ok := e.Models()
			if !ok {
				t.Fatal("a traced event without models")
			}
			for name, m := range map[string]uncert.Model{"effectiveness": models.Effectiveness, "ratio": models.Ratio} {
				b, err := m.Propagate()
				if err != nil {
					t.Fatal(err)
				}
				d, err := m.MonteCarlo(200_000, 1)
				if err != nil {
					t.Fatal(err)
				}
				if rel := math.Abs(b.U/d.U - 1); rel > 0.02 {
					t.Errorf("%s, %s: u %.6f by propagation, %.6f by Monte Carlo", c, name, b.U, d.U)
				}
				if math.Abs(b.Value-d.Mean) > 0.1*d.U {
					t.Errorf("%s, %s: %.6f at the estimates, mean %.6f", c, name, b.Value, d.Mean)
				}
			}
		}
	}
}

// sameSides is an expectation for sides of equal specific heat.
func sameSides(effectiveness, ua float64) expectation {
	x := expectation{heat: 1, leftOut: 1}
	x.Effectiveness, x.UAWK, x.PerUA = effectiveness, ua, 0.5
	return x
}

// Cold-in 10 °C, preheat-out 24 °C, waste-in 36 °C, each with u 0.30 K: the
// effectiveness is 0.538462 with u 0.0141456 (worked by hand from the
// temperature ratio and its derivatives). The budget's clamps alone must give
// that.
func TestClampsInTheBudget(t *testing.T) {
	c := &combined{
		parts:  []Part{{FlowLMin: 9, PortC: greywatt.Ports[float64]{WasteIn: 36, WasteOut: 22, ColdIn: 10, PreheatOut: 24}, Effectiveness: 14.0 / 26, HeatRatio: 1, heatJ: 1}},
		weight: []float64{1}, lossBy: []float64{1}, ratio: []float64{1}, basis: wasteEqual,
		expect: []expectation{{}},
	}
	c.expect[0] = sameSides(0.55, 760)
	inputs := make([]uncert.Input, numRows)
	for k := range 4 {
		inputs[k].U = 0.30
	}
	b, err := uncert.Model{Inputs: inputs, F: func(x []float64) float64 { return c.at(x).effectiveness }}.Propagate()
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(b.Value-0.538462) > 1e-6 || math.Abs(b.U-0.0141456) > 2e-5 {
		t.Errorf("%.6f with u %.7f, want 0.538462 and 0.0141456", b.Value, b.U)
	}
	// beside a part with next to no heat, whose fall a clamp's error turns around
	c.parts = append(c.parts, Part{FlowLMin: 6, PortC: greywatt.Ports[float64]{WasteIn: 19.7, WasteOut: 19.6, ColdIn: 8.4, PreheatOut: 8.7}, HeatRatio: 1.0 / 3, heatJ: 0.01})
	c.weight, c.lossBy, c.ratio = []float64{0.99, 0.01}, []float64{1, 1}, []float64{1, 1}
	c.expect = append(c.expect, c.expect[0])
	c.equal.perHeat = 0.5
	with, err := uncert.Model{Inputs: inputs, F: func(x []float64) float64 { return c.at(x).effectiveness / c.at(x).expected }}.Propagate()
	if err != nil || math.IsNaN(with.Value) {
		t.Errorf("ratio %v beside a part with next to no heat: %v", with.Value, err)
	}
	c.parts, c.weight, c.equal.perHeat = c.parts[:1], []float64{1}, 0
	// what the three clamps of a ratio share cancels
	common := make([]float64, numRows)
	for k := range 4 {
		common[k] = 0.3
	}
	if d := c.at(common).effectiveness - b.Value; math.Abs(d) > 1e-12 {
		t.Errorf("a common offset moves the effectiveness by %g", d)
	}
}

// The sides' heats are exchanged at C_min: with waste the smaller side, the
// effectiveness is the plain ratio times the ratio of capacity rates, which is
// the fall of the drain over the span.
func TestEffectivenessOnTheSmallerSide(t *testing.T) {
	c := &combined{
		parts:  []Part{{FlowLMin: 12, PortC: greywatt.Ports[float64]{WasteIn: 36, WasteOut: 18, ColdIn: 10, PreheatOut: 22}, Effectiveness: 12.0 / 26, HeatRatio: 1.5}},
		weight: []float64{1}, lossBy: []float64{1}, ratio: []float64{1.5}, basis: wasteMeasured, meterShare: 1,
		expect: []expectation{{}},
	}
	c.expect[0].Effectiveness, c.expect[0].UAWK = 0.7, 760
	if got, want := c.at(make([]float64, numRows)).effectiveness, 18.0/26; math.Abs(got-want) > 1e-12 {
		t.Errorf("effectiveness %.6f, want %.6f", got, want)
	}
}
