package event

import (
	"math"
	"testing"

	"greywatt"
	"greywatt/analysis/exchanger"
	"greywatt/analysis/uncert"
)

// rowsCase is an event of one part in connection A, whose budget can be worked by
// hand: waste 36 to 22 °C, mains 10 to 24 °C, room 20 °C.
func rowsCase(perHeat float64) (*window, *combined) {
	a := &Analyser{dwelling: &greywatt.Dwelling{Connection: greywatt.ConnectionA}}
	a.buf[greywatt.Flow].sensor.U95Relative = 0.03
	w := &window{a: a, roomU: 1}
	loss := greywatt.Ports[float64]{WasteIn: 0.02, ColdIn: 0.05, PreheatOut: 0.03}
	for ch, f := range loss.All() {
		w.port.Of(ch).sensor = greywatt.Sensor{U95K: 0.30, ResponseS: 18, LossFraction: f}
	}
	c := &combined{
		parts: []Part{{
			FlowLMin: 9, PortC: greywatt.Ports[float64]{WasteIn: 36, WasteOut: 22, ColdIn: 10, PreheatOut: 24}, Effectiveness: 14.0 / 26, HeatRatio: 1, heatJ: 1,
			noiseU: greywatt.Ports[float64]{WasteIn: 0.02, WasteOut: 0.02, ColdIn: 0.02, PreheatOut: 0.02},
			lagK:   greywatt.Ports[float64]{WasteIn: -0.4, ColdIn: 0.1, PreheatOut: 0.5}, transientU: 0.002,
		}},
		weight: []float64{1}, lossBy: []float64{1}, ratio: []float64{1}, basis: wasteEqual, loss: loss, room: 20,
		equal:     equality{perHeat: perHeat, u: 0.01},
		strengths: exchanger.Strengths{Film: exchanger.Strength{Centre: 1, U: 0.35}, Coil: exchanger.Strength{Centre: 1.05, U: 0.6}},
		expect:    []expectation{sameSides(0.55, 760)},
	}
	x := &c.expect[0]
	x.U, x.PerWaste, x.PerMains = 0.005, -0.1, -0.2
	x.UAPerWaste, x.UAPerMains = 0.2, 0.3
	x.LnEffectiveness = exchanger.Sensitivity{Film: 0.02, Coil: -0.05}
	x.LnUA = exchanger.Sensitivity{Film: 0.04, Coil: -0.1}
	x.inlets = exchanger.Inlets{WasteInC: 36, ColdInC: 10}
	return w, c
}

// Each row of the budget against a calculation by hand. With ε = (P - C)/(W - C):
// ∂ε/∂W = -14/26² = -0.0207101, ∂ε/∂C = -1/26 + 14/26² = -0.0177515,
// ∂ε/∂P = 1/26 = 0.0384615; f/(1-f) = 0.0204082, 0.0526316, 0.0309278.
func TestRowsByHand(t *testing.T) {
	w, c := rowsCase(0)
	var e Event
	w.figures(c, &e)
	eps, ratio := 14.0/26, 14.0/26/0.55
	want := map[string]float64{
		// an offset is taken off the reading: -derivative · 0.30 K/2
		"waste-in clamp":    0.0207101 * 0.15,
		"waste-out clamp":   0,
		"cold-in clamp":     0.0177515 * 0.15,
		"preheat-out clamp": -0.0384615 * 0.15,
		// a kelvin more of room takes f/(1-f) off each: 0.0207101·0.0204082 +
		// 0.0177515·0.0526316 - 0.0384615·0.0309278
		"room temperature":  0.0001674,
		"waste-in noise":    0.0207101 * 0.02,
		"waste-out noise":   0,
		"cold-in noise":     0.0177515 * 0.02,
		"preheat-out noise": -0.0384615 * 0.02,
		// a time constant 8 % longer: derivative · 0.08 · (-0.4, 0, 0.1, 0.5) K
		"waste-in response":    -0.0207101 * 0.08 * -0.4,
		"waste-out response":   0,
		"cold-in response":     -0.0177515 * 0.08 * 0.1,
		"preheat-out response": 0.0384615 * 0.08 * 0.5,
		// a loss fraction 12 % larger: derivative · 0.12 · f/(1-f) · (T - 20 °C)
		"waste-in loss fraction":    -0.0207101 * 0.12 * 0.0204082 * 16,
		"waste-out loss fraction":   0,
		"cold-in loss fraction":     -0.0177515 * 0.12 * 0.0526316 * -10,
		"preheat-out loss fraction": 0.0384615 * 0.12 * 0.0309278 * 4,
		"mains flow":                0,
		"waste-side flow":           0,
		// the mains side carrying 1 % more makes ε on the waste side 1 % larger
		"equal flow on both sides":    eps * 0.01,
		"heat lost to the room":       0,
		"not quite steady":            math.Hypot(0.002, 0.0007),
		"rated points to these flows": 0,
		"temperature of the film":     0,
		"temperature of the coil":     0,
	}
	checkRows(t, e.Budgets.Effectiveness, want)
	// noise: 0.02·√(0.0207101² + 0.0177515² + 0.0384615²) = 0.0009437; with what is not
	// steady, √(0.002² + 0.0007²) = 0.0021190: 0.0023197
	if got := e.EffectivenessOwnU95 / 2; math.Abs(got-0.0023197) > 3e-6 {
		t.Errorf("own u %.7f, want 0.0023197", got)
	}

	// The ratio is ε/0.55; what moves the expected value alone: flow by ln slopes -0.2
	// and -0.1 of 1.5 %, the rated points by √((0.005/0.55)² + 0.002²) = 0.0093083, the
	// laws of temperature by 0.02·0.35 and -0.05·0.6. The equal-flow row: 1 % less waste
	// at constant mains adds 0.1 % to the expected value.
	for name := range want {
		want[name] /= 0.55
	}
	want["mains flow"] = ratio * 0.3 * 0.015
	want["rated points to these flows"] = -ratio * 0.0093083
	want["temperature of the film"] = -ratio * 0.02 * 0.35
	want["temperature of the coil"] = ratio * 0.05 * 0.6
	want["equal flow on both sides"] = ratio * (0.01 - 0.1*0.01)
	checkRows(t, e.Budgets.Ratio, want)
}

// Where the heat balance moves the ratio of flows by a half of itself, the same by
// hand: the fall and the rise are 14 K, so that 0.15 K are 0.0107143 of either;
// half of that, times ε = 0.5384615, is 0.0028846. Lost heat: -0.5·0.015/0.98·ε.
func TestRowsWithTheBalanceByHand(t *testing.T) {
	w, c := rowsCase(0.5)
	var e Event
	w.figures(c, &e)
	got := map[string]float64{}
	for _, r := range e.Budgets.Effectiveness.Rows {
		got[r.Name] = r.Contribution
	}
	for name, want := range map[string]float64{
		"waste-in clamp":        0.0031065 - 0.0028846,
		"waste-out clamp":       0.0028846,
		"cold-in clamp":         0.0026627 - 0.0028846,
		"preheat-out clamp":     -0.0057692 + 0.0028846,
		"waste-out noise":       0.0028846 * 0.02 / 0.15,
		"heat lost to the room": -0.0041209,
	} {
		if math.Abs(got[name]-want) > 2e-5 {
			t.Errorf("%s: %.7f, want %.7f", name, got[name], want)
		}
	}
}

func checkRows(t *testing.T, b uncert.Budget, want map[string]float64) {
	t.Helper()
	if len(b.Rows) != len(want) {
		t.Errorf("%d rows, want %d", len(b.Rows), len(want))
	}
	for _, r := range b.Rows {
		w, ok := want[r.Name]
		// differences over one u each leave what is not linear: 0.5 % and a little
		if !ok || math.Abs(r.Contribution-w) > 0.005*math.Abs(w)+1e-6 {
			t.Errorf("%s: %.7f, want %.7f", r.Name, r.Contribution, w)
		}
	}
}

// The conductance's rows by hand. By the logarithmic mean difference UA is C · 14/12:
// both ends are 12 K apart. C is 9 l/min · 0.9997 kg/l · 4190 J/(kg K) = 628 W/K, so UA is 733 W/K,
// 0.964 of the 760 W/K expected. At equal capacity rates NTU = ε/(1-ε), so that what
// moves ε moves ln UA by 1/(ε (1-ε)) = 4.0238 as much. A flow 1.5 % larger makes UA 1.5 %
// larger and the expected one 0.5 · 1.5 %. One per cent less waste flow brings the cold end
// to 11.86 K, the mean difference to 11.93 K: ln UA +0.00587, and that of the expected one -0.002.
func TestConductanceRowsByHand(t *testing.T) {
	w, c := rowsCase(0)
	// the waste's specific heat is 0.2 % smaller than the mains'; in A the effectiveness
	// leaves that out
	x := &c.expect[0]
	x.heat = 1 / heatOfMass(c.parts[0].PortC)
	x.leftOut = x.heat
	var e Event
	w.figures(c, &e)
	ua := e.UARatio
	if math.Abs(ua-0.9645) > 0.003 {
		t.Errorf("conductance %.4f of the expected one, want 0.9645", ua)
	}
	got := map[string]float64{}
	for _, r := range e.Budgets.UA.Rows {
		got[r.Name] = r.Contribution
	}
	const gain = 4.0238
	for name, want := range map[string]float64{
		"waste-in clamp":              gain * 0.0207101 * 0.15,
		"waste-out clamp":             0,
		"cold-in clamp":               gain * 0.0177515 * 0.15,
		"preheat-out clamp":           -gain * 0.0384615 * 0.15,
		"room temperature":            gain * 0.0001674,
		"waste-in noise":              gain * 0.0207101 * 0.02,
		"waste-out noise":             0,
		"cold-in noise":               gain * 0.0177515 * 0.02,
		"preheat-out noise":           -gain * 0.0384615 * 0.02,
		"waste-in response":           -gain * 0.0207101 * 0.08 * -0.4,
		"waste-out response":          0,
		"cold-in response":            -gain * 0.0177515 * 0.08 * 0.1,
		"preheat-out response":        gain * 0.0384615 * 0.08 * 0.5,
		"waste-in loss fraction":      -gain * 0.0207101 * 0.12 * 0.0204082 * 16,
		"waste-out loss fraction":     0,
		"cold-in loss fraction":       -gain * 0.0177515 * 0.12 * 0.0526316 * -10,
		"preheat-out loss fraction":   gain * 0.0384615 * 0.12 * 0.0309278 * 4,
		"mains flow":                  0.5 * 0.015,
		"waste-side flow":             0,
		"equal flow on both sides":    0.00587 + 0.2*0.01,
		"heat lost to the room":       0,
		"not quite steady":            gain * math.Hypot(0.002, 0.0007),
		"rated points to these flows": -0.0093083 / 0.5, // over d ln ε / d ln UA
		"temperature of the film":     -0.04 * 0.35,
		"temperature of the coil":     0.1 * 0.6,
	} {
		have, ok := got[name]
		if want *= ua; !ok || math.Abs(have-want) > 0.015*math.Abs(want)+1e-5 {
			t.Errorf("%s: %.6f, want %.6f", name, have, want)
		}
		delete(got, name)
	}
	if len(got) > 0 {
		t.Errorf("rows without a calculation: %v", got)
	}
}
