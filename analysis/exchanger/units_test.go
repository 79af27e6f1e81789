package exchanger

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"greywatt"
	"greywatt/analysis/water"
)

// A physicalUnit is a unit computed from a film and a coil correlation, with a
// wall between them, at each side's mean temperature.
type physicalUnit struct {
	film, coil  correlation
	rFilm, rCoi float64 // resistances at rated conditions times UA there; the wall has the rest
	uaWK        float64 // at 9.5 l/min both sides, 12 and 40 °C
	film0, coi0 float64 // coefficients there
}

var ratingTest = Inlets{WasteInC: 40, ColdInC: 12}

// newPhysicalUnit returns the unit that is rated at the given effectiveness at
// 9.5 l/min and [ratingTest].
func newPhysicalUnit(film, coil correlation, rFilm, wall, rated float64) *physicalUnit {
	u := &physicalUnit{film: film, coil: coil, rFilm: rFilm, rCoi: 1 - rFilm - wall}
	mains, waste := capacity(9.5, 19), capacity(9.5, 33)
	least := min(mains, waste)
	u.uaWK = CounterflowNTU(rated*mains/least, least/max(mains, waste)) * least
	half := rated * 14
	u.film0, u.coi0 = film.h(40-half, 9.5), coil.h(12+half, 9.5)
	return u
}

// capacity in W/K of litres counted at 12 °C, at a mean temperature.
func capacity(flow, mean float64) float64 {
	rho, _ := water.Density(12)
	cp, _ := water.HeatCapacity(mean)
	return flow / 60000 * rho * cp
}

// at returns effectiveness, on the mains side where its flow is not the larger,
// and conductance, by iteration.
func (u *physicalUnit) at(f Flows, in Inlets) (e, ua float64) {
	e = 0.5
	for range 40 {
		small := min(f.WasteLMin, f.MainsLMin)
		half := e * (in.WasteInC - in.ColdInC) / 2
		wasteMean, coldMean := in.WasteInC-half*small/f.WasteLMin, in.ColdInC+half*small/f.MainsLMin
		ua = u.uaWK / (u.rFilm*u.film0/u.film.h(wasteMean, f.WasteLMin) + u.rCoi*u.coi0/u.coil.h(coldMean, f.MainsLMin) + 1 - u.rFilm - u.rCoi)
		waste, mains := capacity(f.WasteLMin, wasteMean), capacity(f.MainsLMin, coldMean)
		least := min(waste, mains)
		e = Counterflow(ua/least, least/max(waste, mains)) * least
		if f.MainsLMin <= f.WasteLMin {
			e /= mains
		} else {
			e /= waste
		}
	}
	return e, ua
}

func (u *physicalUnit) effectiveness(f Flows, in Inlets) float64 {
	e, _ := u.at(f, in)
	return e
}

// certificate is what a test bench makes of a unit, to 0.01.
func certificate(at func(Flows, Inlets) float64, flows ...float64) greywatt.Exchanger {
	x := greywatt.Exchanger{Orientation: greywatt.Vertical}
	for _, q := range flows {
		x.Rated = append(x.Rated, greywatt.RatedPoint{FlowLMin: q, Effectiveness: math.Round(100*at(Flows{q, q}, ratingTest)) / 100})
	}
	return x
}

// The change of conductance with mains from six pairs of correlations, computed
// outside this project: rated 0.466 at 12 and 40 °C, waste 38 °C, 9.5 l/min on
// both sides, resistances 0.43 film, 0.10 wall, 0.47 coil; ln UA over the rated,
// in %, at 5, 10, 12, 15, 20 °C. First the units of these tests must give the
// same, then the package's expectation must hold them within its own
// uncertainty.
func TestConductanceAgainstMains(t *testing.T) {
	mains := []float64{5, 10, 12, 15, 20}
	for _, row := range []struct {
		film, coil int
		want       [5]float64
	}{
		{0, 0, [5]float64{-5.1, -2.2, -1.1, 0.6, 3.1}},
		{0, 1, [5]float64{-6.0, -2.5, -1.1, 0.8, 3.7}},
		{1, 1, [5]float64{-6.6, -2.8, -1.4, 0.6, 3.8}},
		{0, 3, [5]float64{-4.3, -1.9, -1.0, 0.3, 2.5}},
		{0, 4, [5]float64{-4.7, -2.0, -1.0, 0.5, 2.8}},
		{2, 1, [5]float64{-5.9, -2.4, -1.1, 0.8, 3.7}},
	} {
		u := newPhysicalUnit(films[row.film], coils[row.coil], 0.43, 0.10, 0.466)
		r := NewRating(certificate(u.effectiveness, 9.5))
		_, rated := u.at(Flows{9.5, 9.5}, ratingTest)
		reference := r.UA(Flows{9.5, 9.5}, ratingTest)
		for i, c := range mains {
			in := Inlets{WasteInC: 38, ColdInC: c}
			_, ua := u.at(Flows{9.5, 9.5}, in)
			got := 100 * math.Log(ua/rated)
			// 0.3: the printed digit and tubes of another bore
			if math.Abs(got-row.want[i]) > 0.3 {
				t.Errorf("%s + %s at %g °C: %+.2f %%, want %+.1f", u.film.name, u.coil.name, c, got, row.want[i])
			}
			x := r.At(Flows{9.5, 9.5}, in)
			ours := 100 * math.Log(x.UAWK/reference)
			if u95 := 200 * x.LnUA.U(r.Strengths()); math.Abs(got-ours) > u95 {
				t.Errorf("%s + %s at %g °C: unit %+.2f %%, expected %+.2f ± %.2f", u.film.name, u.coil.name, c, got, ours, u95)
			}
		}
	}
}

// fitTemperature is the published factor of effectiveness on the temperature of
// the mains, fitted to tested units and capped at 81 °F: an open building
// simulation (CSE, function wr_EffAdjusted), read. 1 at 14.55 °C.
func fitTemperature(coldC float64) float64 {
	f := min(coldC*1.8+32, 81)
	return (-3.06e-5*f*f + 4.96e-3*f + 0.281) / 0.466
}

// fitFlow is the same program's factor on the flow of both sides.
func fitFlow(lMin float64) float64 {
	v := lMin / litresPerGal
	return -6.98484455e-4*math.Pow(v, 4) + 1.28561447e-2*math.Pow(v, 3) - 7.02399803e-2*v*v + 1.33657748e-2*v + 1.23339312
}

// Conductance that grows as the correlations have it must not look like a
// change of the unit: the conductance over the expected one at mains of 5 and
// 20 °C within 0.02 of each other for the pairs of the table above, and within
// 0.03 for all pairs. Without a law of temperature they differ by 0.06 to 0.10.
func TestSeasonIsNoChange(t *testing.T) {
	published := map[[2]int]bool{{0, 0}: true, {0, 1}: true, {1, 1}: true, {0, 3}: true, {0, 4}: true, {2, 1}: true}
	for i, film := range films {
		for k, coil := range coils {
			u := newPhysicalUnit(film, coil, 0.43, 0.10, 0.466)
			r := NewRating(certificate(u.effectiveness, 7, 9.5, 12))
			change := func(reference func(f Flows, in Inlets) float64) float64 {
				ratio := func(cold float64) float64 {
					f, in := Flows{9.5, 9.5}, Inlets{WasteInC: 37, ColdInC: cold}
					return Conductance(u.effectiveness(f, in), f, in) / reference(f, in)
				}
				return ratio(20) - ratio(5)
			}
			with := change(r.UA)
			without := change(func(f Flows, _ Inlets) float64 { return r.UA(f, ratingTest) })
			t.Logf("%-24s + %-25s: %+.4f, without the law %+.4f", film.name, coil.name, with, without)
			most := 0.03
			if published[[2]int{i, k}] {
				most = 0.02
			}
			if math.Abs(with) > most || without < 0.05 {
				t.Errorf("%s + %s: the ratio of conductances moves by %+.3f from 5 to 20 °C, by %+.3f without the law", film.name, coil.name, with, without)
			}
		}
	}
}

// share counts how many of a kind held, or sums a figure of a kind.
type share struct{ sum, n float64 }

func (s *share) add(v float64) { s.sum += v; s.n++ }
func (s share) mean() float64  { return s.sum / s.n }

// Units over the whole published range (films, coils, shares, ratings) and a
// quarter of them that follow the published fit of temperature alone, in which
// the mains' temperature counts for twice as much as in any correlation and the
// waste's for nothing. Each has a certificate of three points, is measured in
// connection A by clamps and a meter as usual, at mains of 4 to 20 °C and waste
// of 34 to 38 °C. The strengths and their uncertainties were chosen while looking at
// other seeds of this same population, so that only the draw is new here; the numbers
// asked for are those that a study needs to judge a unit in winter.
func TestPopulation(t *testing.T) {
	rng := rand.New(rand.NewPCG(20261202, 412))
	const instrument = 0.0115 // standard uncertainty of a measured ratio
	bias, coverage := map[string]*share{}, map[string]*share{}
	tally := func(m map[string]*share, v float64, keys ...string) {
		for _, key := range keys {
			if m[key] == nil {
				m[key] = &share{}
			}
			m[key].add(v)
		}
	}
	var widths []float64
	for range 1200 {
		film, coil := films[rng.IntN(len(films))], coils[rng.IntN(len(coils))]
		u := newPhysicalUnit(film, coil, 0.33+0.2*rng.Float64(), 0.05+0.1*rng.Float64(), 0.38+0.22*rng.Float64())
		kind, truth := "correlations", u.effectiveness
		if rng.Float64() < 0.25 {
			kind = "fit"
			truth = func(f Flows, in Inlets) float64 {
				return u.effectiveness(f, ratingTest) * fitTemperature(in.ColdInC) / fitTemperature(ratingTest.ColdInC)
			}
		}
		r := NewRating(certificate(truth, 7, 9.5, 12))
		for cold := 4.0; cold <= 20; cold += 2 {
			q := 6.5 + 4*rng.Float64()
			f, in := Flows{q, q}, Inlets{WasteInC: 34 + 4*rng.Float64(), ColdInC: cold}
			x := r.At(f, in)
			off := math.Log(truth(f, in) / x.Effectiveness)
			w := math.Hypot(math.Hypot(instrument, x.U/x.Effectiveness), x.LnEffectiveness.U(r.Strengths()))
			widths = append(widths, 2*w)
			held := 0.0
			if math.Abs(off+instrument*rng.NormFloat64()) <= 2*w {
				held = 1
			}
			at := fmt.Sprintf("%.0f °C", cold)
			tally(bias, off, at, at+", "+kind)
			tally(coverage, held, "all", at, kind)
		}
	}
	for _, cold := range []string{"4 °C", "12 °C", "20 °C"} {
		t.Logf("mains %5s: bias %+.4f (correlations %+.4f, fit %+.4f), coverage %.3f", cold, bias[cold].mean(),
			bias[cold+", correlations"].mean(), bias[cold+", fit"].mean(), coverage[cold].mean())
		if b := bias[cold].mean(); math.Abs(b) > 0.008 {
			t.Errorf("mains %s: bias of the ratio %+.4f, want within 0.008", cold, b)
		}
	}
	slices.Sort(widths)
	t.Logf("coverage %.3f (correlations %.3f, fit %.3f), median u95 of the ratio %.4f",
		coverage["all"].mean(), coverage["correlations"].mean(), coverage["fit"].mean(), widths[len(widths)/2])
	if c := coverage["all"].mean(); c < 0.93 || c > 0.98 {
		t.Errorf("coverage %.3f, want 0.93 to 0.98", c)
	}
	if m := widths[len(widths)/2]; m > 0.0325 {
		t.Errorf("median u95 of the ratio %.4f, want no more than 0.0325", m)
	}
}

// What a certificate at equal flow does not tell about unequal flow, without any
// simulated dwelling: units of film and coil correlations, and the same units with the
// published fits in place of what unequal flow does to them, against what is expected
// of their certificates at the certificates' inlets. Of the films those count that
// hold at a shower's flow: turbulent, as the heat atlas takes the largest of its three
// (above Γ/μ of about 300, 3 l/min) and Chun and Seban's laminar film ends at
// 4Γ/μ = 5840 Pr^-1.06, about 3 l/min here. The others are printed: of the same shape,
// but not for these flows.
func TestWhatUnequalFlowHides(t *testing.T) {
	rng := rand.New(rand.NewPCG(31, 7))
	type tally struct{ off, square, held share }
	tallies := map[string]*tally{}
	add := func(ratio float64, kind string, off, u float64) {
		key := fmt.Sprintf("%.1f %s", ratio, kind)
		if tallies[key] == nil {
			tallies[key] = &tally{}
		}
		held := 0.0
		if math.Abs(off) <= 2*u {
			held = 1
		}
		tallies[key].off.add(off)
		tallies[key].square.add(off * off)
		tallies[key].held.add(held)
	}
	ratios := []float64{1, 0.85, 0.7, 0.6, 0.5, 0.4}
	for i, film := range films {
		kind := "film out of its range"
		if i == 1 || i == 3 {
			kind = "turbulent film"
		}
		for _, coil := range coils {
			for range 12 {
				unit := newPhysicalUnit(film, coil, 0.33+0.2*rng.Float64(), 0.05+0.1*rng.Float64(), 0.38+0.22*rng.Float64())
				r := NewRating(certificate(unit.effectiveness, 5.5, 7, 9.5, 12))
				for _, ratio := range ratios {
					waste := 7 + 4*rng.Float64()
					mains := ratio * waste
					x := r.At(Flows{waste, mains}, ratingTest)
					u := x.U / x.Effectiveness
					add(ratio, kind, math.Log(unit.effectiveness(Flows{waste, mains}, ratingTest)/x.Effectiveness), u)
					even := unit.effectiveness(Flows{mains, mains}, ratingTest)
					rule, poly := fitFactors(mains, waste)
					add(ratio, "rule", math.Log(even*rule/x.Effectiveness), u)
					add(ratio, "polynomial", math.Log(even*poly/x.Effectiveness), u)
				}
			}
		}
	}
	for _, ratio := range ratios {
		for _, kind := range []string{"turbulent film", "film out of its range", "rule", "polynomial"} {
			v := tallies[fmt.Sprintf("%.1f %s", ratio, kind)]
			t.Logf("mains/waste %.2f, %-21s: over expected, mean %+.4f, root of mean square %.4f, within u95 %.2f", ratio, kind, v.off.mean(), math.Sqrt(v.square.mean()), v.held.mean())
			if kind == "turbulent film" && (math.Abs(v.off.mean()) > 0.008 || v.held.mean() < 0.93) {
				t.Errorf("mains/waste %.2f, %s: off by %+.4f, covered %.2f", ratio, kind, v.off.mean(), v.held.mean())
			}
		}
		rule := tallies[fmt.Sprintf("%.1f rule", ratio)]
		if ratio >= 0.6 && rule.held.mean() < 0.93 {
			t.Errorf("mains/waste %.2f: the rule is covered in %.2f", ratio, rule.held.mean())
		}
	}
}
