package exchanger

import (
	"math"
	"testing"

	"greywatt"
)

// fitPoints is the certificate of a unit that follows the published equal-flow
// curve, factors to 0.01, at the given effectiveness at 9.5 l/min.
func fitPoints(rated float64) *Rating {
	x := greywatt.Exchanger{Orientation: greywatt.Vertical}
	for _, q := range []float64{5.5, 7, 9.5, 12} {
		x.Rated = append(x.Rated, greywatt.RatedPoint{FlowLMin: q, Effectiveness: rated * math.Round(fitFlow(q)*100) / 100})
	}
	return NewRating(x)
}

func onePoint(rated float64) *Rating {
	return NewRating(greywatt.Exchanger{Rated: []greywatt.RatedPoint{{FlowLMin: 9.5, Effectiveness: rated}}})
}

// The fits as their program's source has them: the flow factor at four flows,
// the polynomial at the rated flow, the temperature factor at seven
// temperatures; computed outside this project from coefficients that were read
// there.
func TestFitsThemselves(t *testing.T) {
	near := func(what string, got, want, tol float64) {
		t.Helper()
		if math.Abs(got-want) > tol {
			t.Errorf("%s: %.5f, want %.5f", what, got, want)
		}
	}
	for q, want := range map[float64]float64{5.5: 1.1409, 7: 1.0910, 9.5: 1, 12: 0.9089} {
		near("flow factor", fitFlow(q), want, 6e-5)
	}
	near("polynomial at 2.51 gal/min", polynomial(2.51, 2.51), 1.005, 5e-4)
	for c, want := range map[float64]float64{5: .9290, 8: .9555, 10: .9710, 12: .9849, 15: 1.0024, 18: 1.0162, 20: 1.0231, 14.55: 1} {
		near("temperature factor", fitTemperature(c), want, 1e-4)
	}
	// effectiveness 0.46 at 9.5 l/min, waste flow and ratio: rule and polynomial
	for _, row := range []struct{ waste, ratio, rule, poly float64 }{
		{6, 0.8, 0.5756, 0.5866}, {8, 0.6, 0.6287, 0.6562}, {9.5, 0.7, 0.5699, 0.5754}, {12, 0.8, 0.4936, 0.4878}, {12, 0.6, 0.5866, 0.5868},
	} {
		q := row.ratio * row.waste
		rule, _ := fitFactors(q, row.waste)
		near("rule", 0.46*fitFlow(q)*rule, row.rule, 6e-5)
		near("polynomial", 0.46*polynomial(q/litresPerGal, row.waste/litresPerGal), row.poly, 6e-5)
	}
	if got := polynomial(2, 3) / polynomial(2, 2); got < 1.1 || got > 1.3 {
		t.Errorf("polynomial at half as much waste again: factor %.3f", got)
	}
}

// What is expected at unequal flows against the published rule: R. Manouchehri,
// University of Waterloo 2015, equation 5.7, second hand (two open programs
// carry it); the equal-flow curve is the open building simulation's, read. The
// rule and the polynomial beside it differ by up to 0.033 themselves, so 0.03;
// within the stated uncertainty in nine of ten. Below a ratio of 0.6 the fits do
// not agree and nothing is asserted.
func TestUnequalFlowAgainstRule(t *testing.T) {
	var n, held int
	for _, rated := range []float64{0.46, 0.55} {
		r := fitPoints(rated)
		for _, waste := range []float64{6, 7, 8, 9.5, 12} {
			for _, ratio := range []float64{1, 0.9, 0.8, 0.7, 0.6} {
				mains := ratio * waste
				rule := rated * fitFlow(mains) * (1 + 0.3452*math.Log(1/ratio))
				x := r.At(Flows{WasteLMin: waste, MainsLMin: mains}, r.Inlets())
				off := x.Effectiveness - rule
				n++
				if math.Abs(off) <= 2*x.U {
					held++
				}
				t.Logf("rated %.2f, waste %4.1f l/min, ratio %.1f: rule %.4f, expected %.4f ± %.4f, difference %+.4f", rated, waste, ratio, rule, x.Effectiveness, 2*x.U, off)
				if math.Abs(off) > 0.03 {
					t.Errorf("rated %.2f, waste %.1f l/min, ratio %.1f: expected %.4f, rule %.4f", rated, waste, ratio, x.Effectiveness, rule)
				}
			}
		}
	}
	if float64(held) < 0.9*float64(n) {
		t.Errorf("the rule is within the expanded uncertainty at %d of %d, want nine of ten", held, n)
	}
}

// Equal flow other than the rated one, from one rated point: A. Ferguson's fit
// to tested units (a national laboratory's report of 2010, equations 4 to 12, as
// its author coded it in an open building simulation, read) and the equal-flow
// curve of another. Both within 0.03.
func TestOnePointAgainstEqualFlowFits(t *testing.T) {
	ferguson := func(rated, lMin float64) float64 {
		v := lMin / 60
		ntu := 0.9883991 + rated/(1-rated) - 9.4510200*v + 18.841395*v*v
		return ntu / (1 + ntu)
	}
	if got := ferguson(0.46, 6); math.Abs(got-0.5201) > 1e-4 {
		t.Errorf("Ferguson's fit at 6 l/min: %.4f, want 0.5201", got)
	}
	for _, rated := range []float64{0.42, 0.46, 0.5, 0.55} {
		r := onePoint(rated)
		for _, q := range []float64{6, 8, 12} {
			x := r.At(Flows{q, q}, r.Inlets())
			other := rated * fitFlow(q)
			t.Logf("rated %.2f at %2.0f l/min: expected %.4f, fits %.4f and %.4f", rated, q, x.Effectiveness, ferguson(rated, q), other)
			if math.Abs(x.Effectiveness-ferguson(rated, q)) > 0.03 || math.Abs(x.Effectiveness-other) > 0.03 {
				t.Errorf("rated %.2f at %g l/min: expected %.4f, fits %.4f and %.4f", rated, q, x.Effectiveness, ferguson(rated, q), other)
			}
		}
	}
}

// Heat recovered in connections B and C over that of A: the United Kingdom's
// home energy model (its program read) takes 0.81 and 0.88 on the drain's
// stream. Heat on the drain is ratio times effectiveness over that at equal flow.
func TestConnectionFactors(t *testing.T) {
	r := fitPoints(0.46)
	even := r.At(Flows{9.5, 9.5}, r.Inlets()).Effectiveness
	for _, row := range []struct {
		connection    string
		ratio, lo, hi float64
	}{{"C", 0.689, 0.85, 0.89}, {"B", 0.602, 0.78, 0.82}} {
		got := row.ratio * r.At(Flows{9.5, 9.5 * row.ratio}, r.Inlets()).Effectiveness / even
		t.Logf("connection %s at ratio %.3f: %.3f", row.connection, row.ratio, got)
		if got < row.lo || got > row.hi {
			t.Errorf("connection %s: factor %.3f, want %.2f to %.2f", row.connection, got, row.lo, row.hi)
		}
	}
}

// The published temperature factor over its range, beside ours. The fit is
// twice as steep as correlations of heat transfer; the difference is stated
// here, not hidden, and must stay within 0.035 of effectiveness's factor from 5 to
// 20 °C, and within the expanded uncertainty of the law and the flow conversion
// from 8 to 20 °C, where the fit is not at its steepest.
func TestTemperatureFactorAgainstFit(t *testing.T) {
	r := onePoint(0.466)
	f := Flows{9.5, 9.5}
	for _, c := range []float64{5, 8, 10, 12, 15, 18, 20} {
		x := r.At(f, Inlets{WasteInC: 40, ColdInC: c})
		fit := fitTemperature(c) / fitTemperature(12)
		u95 := 2 * math.Hypot(x.LnEffectiveness.U(r.Strengths()), x.U/x.Effectiveness)
		off := x.TemperatureFactor - fit
		t.Logf("mains %2.0f °C: ours %.4f ± %.4f, fit %.4f, difference %+.4f", c, x.TemperatureFactor, u95, fit, off)
		if math.Abs(off) > 0.035 {
			t.Errorf("mains %g °C: factor %.4f, fit %.4f", c, x.TemperatureFactor, fit)
		}
		if c >= 8 && math.Abs(off) > u95 {
			t.Errorf("mains %g °C: factor %.4f ± %.4f does not hold the fit's %.4f", c, x.TemperatureFactor, u95, fit)
		}
	}
}

// The derivatives that an expectation states, against differences.
func TestSensitivities(t *testing.T) {
	r := fitPoints(0.5)
	for _, f := range []Flows{{9, 9 * 0.999}, {11, 7.8}, {6, 8}} {
		in := Inlets{WasteInC: 36, ColdInC: 6}
		x := r.At(f, in)
		const h = 0.02
		check := func(what string, stated float64, of func(*Expectation) float64, up, down Expectation) {
			t.Helper()
			if got := math.Log(of(&up)/of(&down)) / (2 * h); math.Abs(got-stated) > 0.004 {
				t.Errorf("%s at %+v: stated %.4f, difference quotient %.4f", what, f, stated, got)
			}
		}
		e := func(x *Expectation) float64 { return x.Effectiveness }
		ua := func(x *Expectation) float64 { return x.UAWK }
		step := math.Exp(h)
		if math.Abs(math.Log(f.WasteLMin/f.MainsLMin)) > h { // effectiveness changes its side at equal flow
			wu, wd := r.At(Flows{f.WasteLMin * step, f.MainsLMin}, in), r.At(Flows{f.WasteLMin / step, f.MainsLMin}, in)
			mu, md := r.At(Flows{f.WasteLMin, f.MainsLMin * step}, in), r.At(Flows{f.WasteLMin, f.MainsLMin / step}, in)
			check("PerWaste", x.PerWaste, e, wu, wd)
			check("UAPerWaste", x.UAPerWaste, ua, wu, wd)
			check("PerMains", x.PerMains, e, mu, md)
			check("UAPerMains", x.UAPerMains, ua, mu, md)
		}
		withStrength := func(film, coil float64) Expectation {
			other := *r
			other.strengths.Film.Centre += film
			other.strengths.Coil.Centre += coil
			return other.At(f, in)
		}
		check("film, effectiveness", x.LnEffectiveness.Film, e, withStrength(h, 0), withStrength(-h, 0))
		check("film, UA", x.LnUA.Film, ua, withStrength(h, 0), withStrength(-h, 0))
		check("coil, effectiveness", x.LnEffectiveness.Coil, e, withStrength(0, h), withStrength(0, -h))
		check("coil, UA", x.LnUA.Coil, ua, withStrength(0, h), withStrength(0, -h))
		if x.LnUA.Coil > -0.015 {
			t.Errorf("at %+v and 6 °C: d ln UA / d strength of the coil %.4f, want clearly below 0", f, x.LnUA.Coil)
		}
	}
}

// Conductance and Effectiveness undo each other and At agrees with both.
func TestConductanceInverts(t *testing.T) {
	r := fitPoints(0.5)
	for _, f := range []Flows{{9, 9}, {11, 7}, {6, 8}} {
		for _, in := range []Inlets{{40, 12}, {34, 4}, {38, 22}} {
			x := r.At(f, in)
			if ua := Conductance(x.Effectiveness, f, in); math.Abs(ua/x.UAWK-1) > 2e-5 {
				t.Errorf("%+v, %+v: conductance %.3f W/K of the expected effectiveness, expected %.3f", f, in, ua, x.UAWK)
			}
			if e := Effectiveness(x.UAWK, f, in); math.Abs(e-x.Effectiveness) > 2e-5 {
				t.Errorf("%+v, %+v: effectiveness %.6f of the expected conductance, expected %.6f", f, in, e, x.Effectiveness)
			}
		}
	}
	// Nine and a half litres a minute of 0.46: NTU 0.852, so 0.852 · 0.158 kg/s · 4190 J/(kg K).
	if ua := Conductance(0.46, Flows{9.5, 9.5}, Inlets{40, 12}); math.Abs(ua-0.46/0.54*9.5/60*0.9995*4186) > 2 {
		t.Errorf("conductance %.1f W/K", ua)
	}
	for _, bad := range []float64{-0.1, 1, math.NaN()} {
		if ua := Conductance(bad, Flows{9, 9}, Inlets{40, 12}); !math.IsNaN(ua) {
			t.Errorf("Conductance(%g) = %g, want NaN", bad, ua)
		}
	}
	if x := r.At(Flows{9, 9}, Inlets{math.NaN(), 12}); !math.IsNaN(x.Effectiveness) || !math.IsNaN(x.UAWK) {
		t.Errorf("expectation at NaN: %+v, want NaN", x)
	}
}

// A study file without rated points is refused by its reader; here nothing is
// expected of such a unit, at any flow, and nothing fails.
func TestNoRatedPoints(t *testing.T) {
	for _, points := range [][]greywatt.RatedPoint{nil, {{FlowLMin: 0, Effectiveness: 0.5}}, {{FlowLMin: 9, Effectiveness: 1}}, {{FlowLMin: math.NaN(), Effectiveness: 0.5}}} {
		r := NewRating(greywatt.Exchanger{Rated: points})
		for _, f := range []Flows{{9, 9}, {11, 7}, {0.1, 40}} {
			x := r.At(f, Inlets{36, 8})
			if !math.IsNaN(x.Effectiveness) || !math.IsNaN(x.UAWK) || !math.IsNaN(r.UA(f, Inlets{36, 8})) || !math.IsNaN(r.Parallel(f, Inlets{36, 8})) {
				t.Errorf("points %v, flows %v: %+v, want NaN", points, f, x)
			}
		}
	}
	// a bad point beside good ones changes nothing
	good := []greywatt.RatedPoint{{FlowLMin: 7, Effectiveness: 0.62}, {FlowLMin: 9.5, Effectiveness: 0.57}}
	a := NewRating(greywatt.Exchanger{Rated: good}).At(Flows{9, 8}, Inlets{36, 8})
	b := NewRating(greywatt.Exchanger{Rated: append(good, greywatt.RatedPoint{FlowLMin: 12})}).At(Flows{9, 8}, Inlets{36, 8})
	if a != b {
		t.Errorf("beside a bad point %+v, alone %+v", b, a)
	}
}

// A horizontal unit's film is less known.
func TestHorizontalIsWider(t *testing.T) {
	x := greywatt.Exchanger{Rated: []greywatt.RatedPoint{{FlowLMin: 9.5, Effectiveness: 0.3}}, Orientation: greywatt.Vertical}
	in := Inlets{WasteInC: 34, ColdInC: 6}
	u := func(o greywatt.Orientation) float64 {
		x.Orientation = o
		r := NewRating(x)
		e := r.At(Flows{9, 9}, in)
		return e.LnEffectiveness.U(r.Strengths())
	}
	if v, h := u(greywatt.Vertical), u(greywatt.Horizontal); h < 1.1*v {
		t.Errorf("uncertainty of temperature %.4f horizontal, %.4f vertical, want it wider", h, v)
	}
}

func BenchmarkAt(b *testing.B) {
	r := fitPoints(0.5)
	for b.Loop() {
		sinkE = r.At(Flows{9, 7}, Inlets{36, 8})
	}
}

func BenchmarkNewRating(b *testing.B) {
	for b.Loop() {
		fitPoints(0.5)
	}
}

var sinkE Expectation
