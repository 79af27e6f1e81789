package quantity

import (
	"math"
	"strings"
	"testing"
)

// RFC 8428 was read as its last draft; the other documents named are quoted from memory.
func TestUnits(t *testing.T) {
	tests := []struct {
		unit   string
		v      float64
		kind   Kind
		want   float64
		source string
	}{
		{"Cel", 37.5, Temperature, 37.5, "RFC 8428 section 12.1"},
		{"K", 310.65, Temperature, 37.5, "SI brochure: 0 °C is 273.15 K"},
		{"°F", 212, Temperature, 100, "NIST SP 811, appendix B.8: 5/9 of what is above 32"},
		{"degF", 98.6, Temperature, 37, "the same"},
		{"l/s", 0.125, Flow, 0.125, "stored unit"},
		{"l/min", 7.5, Flow, 0.125, "60 s a minute"},
		{"LPM", 7.5, Flow, 0.125, "the same"},
		{"l / h", 450, Flow, 0.125, "3600 s an hour"},
		{"m³/h", 0.45, Flow, 0.125, "1000 l a cubic metre"},
		{"m3/s", 0.000125, Flow, 0.125, "RFC 8428 section 12.1"},
		{"gal_us/min", 2.5, Flow, 0.157725491, "NIST SP 811, appendix B.8: 6.309020e-5 m3/s a gallon a minute"},
		{"gal_uk/min", 1, Flow, 0.075768167, "4.54609 l, exactly, over 60 s"},
		{"m3", 1.5, Volume, 1500, "1000 l a cubic metre"},
		{"gal_us", 10, Volume, 37.85411784, "NIST SP 811, appendix B.8: 3.785412e-3 m3"},
		{"Ω", 109.73, Resistance, 109.73, "RFC 8428 section 12.1: Ohm"},
		{"kOhm", 10, Resistance, 10_000, "1000 Ω"},
		{"imp", 3, Pulses, 3, "counted"},
	}
	for _, tt := range tests {
		u, ok := ParseUnit(tt.unit)
		if !ok || u.Kind != tt.kind {
			t.Errorf("%s: kind %d, known %v", tt.unit, u.Kind, ok)
			continue
		}
		if got := u.Convert(tt.v); math.Abs(got-tt.want) > 1e-9 {
			t.Errorf("%v %s is %.12g, want %.12g (%s)", tt.v, tt.unit, got, tt.want, tt.source)
		}
	}
	for _, name := range []string{"gal/min", "gpm", "gal", "", "bar", "ppm"} {
		if u, ok := ParseUnit(name); ok {
			t.Errorf("%q is taken for %s", name, u.Name)
		}
	}
}

// Values of the table of IEC 60751 (Pt100, to a hundredth of an ohm), from
// memory. Half a hundredth of an ohm is 0.013 K.
func TestPlatinum(t *testing.T) {
	pt100, pt1000 := Platinum(100), Platinum(1000)
	for ohm, want := range map[float64]float64{
		60.26: -100, 80.31: -50, 88.22: -30, 96.09: -10, 100: 0, 103.90: 10, 107.79: 20, 109.73: 25, 111.67: 30,
		115.54: 40, 119.40: 50, 123.24: 60, 138.51: 100, 175.86: 200,
	} {
		if got := pt100(ohm); math.Abs(got-want) > 0.014 {
			t.Errorf("%v Ω of a Pt100 is %.4f °C, want %v", ohm, got, want)
		}
		if got := pt1000(10 * ohm); math.Abs(got-pt100(ohm)) > 1e-8 {
			t.Errorf("%v Ω of a Pt1000 is %.4f °C, and a tenth of a Pt100 %.4f", 10*ohm, got, pt100(ohm))
		}
	}
	for _, ohm := range []float64{0, -5, 1e9, math.NaN(), math.Inf(1)} {
		if got := pt100(ohm); !math.IsNaN(got) {
			t.Errorf("%v Ω is %v °C", ohm, got)
		}
	}
}

// The law and its inverse agree, below and above 0 °C.
func TestPlatinumInverse(t *testing.T) {
	law := Platinum(100)
	for c := -199.0; c < 850; c += 7.3 {
		r := 1 + platinumA*c + platinumB*c*c
		if c < 0 {
			r += platinumC * (c - 100) * c * c * c
		}
		if got := law(100 * r); math.Abs(got-c) > 2e-8 {
			t.Errorf("%.6f °C came back as %.9f", c, got)
		}
	}
}

// The worked example that is everywhere for a thermistor of 10 kΩ with the
// coefficients 1.129148e-3, 2.34125e-4, 8.76741e-8, and the resistances that
// makers' tables of that curve state, from memory.
func TestSteinhartHart(t *testing.T) {
	law := SteinhartHart(1.129148e-3, 2.34125e-4, 8.76741e-8)
	for ohm, want := range map[float64]float64{10_000: 25, 32_650: 0, 19_900: 10, 3_602: 50} {
		if got := law(ohm); math.Abs(got-want) > 0.05 {
			t.Errorf("%v Ω is %.3f °C, want %v", ohm, got, want)
		}
	}
	if err := CheckThermistor(law); err != nil {
		t.Error(err)
	}
	if err := CheckThermistor(SteinhartHart(1, 1, 1)); err == nil {
		t.Error("absurd coefficients pass")
	}
}

func TestBeta(t *testing.T) {
	law := Beta(10_000, 3435)
	// By hand: B = ln(R1/R2)/(1/T1-1/T2), with R2 = 10 kΩ at 298.15 K; at 348.15 K
	// R = 10 kΩ·exp(3435·(1/348.15-1/298.15)) = 1911.6 Ω.
	for ohm, want := range map[float64]float64{10_000: 25, 1911.6: 75} {
		if got := law(ohm); math.Abs(got-want) > 0.01 {
			t.Errorf("%v Ω is %.4f °C, want %v", ohm, got, want)
		}
	}
	// Both laws agree where Steinhart and Hart's has no cubic term.
	same := SteinhartHart(1/thermistorAt-math.Log(10_000)/3435, 1.0/3435, 0)
	if a, b := law(4000), same(4000); math.Abs(a-b) > 1e-6 {
		t.Errorf("beta gives %v, Steinhart-Hart %v", a, b)
	}
	if !math.IsNaN(law(0)) {
		t.Error("0 Ω has a temperature")
	}
}

func TestCounter(t *testing.T) {
	type step struct {
		second, value float64
		flow          float64 // NaN: none
		why           string  // part of the reason
	}
	none := math.NaN()
	tests := map[string]struct {
		law   CounterLaw
		steps []step
	}{
		"total in litres":     {CounterLaw{Litres: 1}, []step{{0, 100, none, ""}, {10, 101, 0.1, ""}, {20, 101, 0, ""}, {25, 102, 0.2, ""}}},
		"pulses, 450 a litre": {CounterLaw{Litres: 1.0 / 450}, []step{{0, 7, none, ""}, {1, 52, 0.1, ""}, {2, 52, 0, ""}}},
		"16 bits roll over":   {CounterLaw{Litres: 0.01, RollsOver: 65536}, []step{{0, 65530, none, ""}, {1, 4, 0.1, ""}, {2, 14, 0.1, ""}}},
		"reset, not roll-over": {CounterLaw{Litres: 0.01, RollsOver: 65536},
			[]step{{0, 5000, none, ""}, {1, 3, none, "begins anew"}, {2, 13, 0.1, ""}}},
		"reset":             {CounterLaw{Litres: 1}, []step{{0, 5000, none, ""}, {1, 0, none, "begins anew"}, {11, 1, 0.1, ""}}},
		"since the last":    {CounterLaw{Litres: 0.5, SinceLast: true}, []step{{0, 9, none, ""}, {5, 1, 0.1, ""}, {10, 0, 0, ""}}},
		"long at rest":      {CounterLaw{Litres: 1}, []step{{0, 1, none, ""}, {5000, 1, 0, ""}, {10000, 2, none, "too long"}, {10010, 3, 0.1, ""}}},
		"out of order":      {CounterLaw{Litres: 1}, []step{{10, 1, none, ""}, {5, 1, none, "older"}, {10, 1, none, ""}, {10, 2, none, "two values"}, {20, 2, 0.1, ""}}},
		"longer gap wanted": {CounterLaw{Litres: 1, MaxGapS: 1000}, []step{{0, 0, none, ""}, {900, 90, 0.1, ""}}},
	}
	for name, tt := range tests {
		var c Counter
		for _, s := range tt.steps {
			flow, ok, why := c.Next(&tt.law, int64(s.second*1e6), s.value)
			if ok == math.IsNaN(s.flow) || ok && math.Abs(flow-s.flow) > 1e-9 || (s.why == "") != (why == "") || !strings.Contains(why, s.why) {
				t.Errorf("%s: at %v s: %v, %v, %q; want %v, %q", name, s.second, flow, ok, why, s.flow, s.why)
			}
		}
	}
}
