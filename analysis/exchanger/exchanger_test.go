package exchanger

import (
	"math"
	"testing"

	"greywatt"
)

// The grid is the counterflow formula of Kays and London (from memory) evaluated to four
// decimals outside this project; handbook tables print the same to three.
func TestCounterflowGrid(t *testing.T) {
	ratios := []float64{0, 0.25, 0.5, 0.7, 0.75, 0.9, 1}
	grid := map[float64][]float64{
		0.25: {.2212, .2157, .2103, .2061, .2051, .2020, .2000},
		0.5:  {.3935, .3776, .3623, .3504, .3475, .3389, .3333},
		0.75: {.5276, .5017, .4764, .4568, .4520, .4378, .4286},
		1:    {.6321, .5983, .5647, .5384, .5319, .5126, .5000},
		1.5:  {.7769, .7350, .6908, .6545, .6454, .6181, .6000},
		2:    {.8647, .8228, .7746, .7326, .7218, .6889, .6667},
		3:    {.9502, .9188, .8744, .8295, .8171, .7777, .7500},
		5:    {.9933, .9823, .9572, .9207, .9088, .8664, .8333},
	}
	for ntu, row := range grid {
		for i, want := range row {
			got := Counterflow(ntu, ratios[i])
			if math.Abs(got-want) > 0.6e-4 { // rounding of the grid
				t.Errorf("Counterflow(%g, %g) = %.5f, want %.4f", ntu, ratios[i], got, want)
			}
			if back := CounterflowNTU(got, ratios[i]); math.Abs(back-ntu) > 1e-9*ntu {
				t.Errorf("CounterflowNTU(%.5f, %g) = %.12g, want %g", got, ratios[i], back, ntu)
			}
		}
	}
}

// The oil cooler of Incropera & DeWitt, example 11.1 (from memory): oil 0.1
// kg/s, 2131 J/kg K, 100 to 60 °C; water 0.2 kg/s, 4178 J/kg K, from 30 °C.
func TestOilCooler(t *testing.T) {
	oil, water := 0.1*2131, 0.2*4178
	heat := oil * 40
	waterOut := 30 + heat/water
	eff := 40.0 / 70
	ntu := CounterflowNTU(eff, oil/water)
	lmtd := heat / (ntu * oil)
	if math.Abs(waterOut-40.2) > 0.05 || math.Abs(lmtd-43.2) > 0.05 {
		t.Errorf("water leaves at %.2f °C with LMTD %.2f K, want 40.2 and 43.2", waterOut, lmtd)
	}
}

func TestParallelLimit(t *testing.T) {
	for _, cr := range []float64{0.3, 0.7, 1} {
		// however large the surface, both streams leave at one temperature
		limit := 1 / (1 + cr)
		if got := Parallel(50, cr); math.Abs(got-limit) > 1e-9 {
			t.Errorf("Parallel(50, %g) = %g, want the limit %g", cr, got, limit)
		}
		if Parallel(1, cr) >= Counterflow(1, cr) {
			t.Errorf("parallel flow beats counterflow at cr %g", cr)
		}
	}
}

func TestRatingReturnsItsPoints(t *testing.T) {
	points := []greywatt.RatedPoint{{FlowLMin: 5.5, Effectiveness: 0.655}, {FlowLMin: 7, Effectiveness: 0.62}, {FlowLMin: 9.5, Effectiveness: 0.57}, {FlowLMin: 12.5, Effectiveness: 0.53}}
	r := NewRating(greywatt.Exchanger{Rated: points})
	for _, p := range points {
		x := r.At(Flows{p.FlowLMin, p.FlowLMin}, r.Inlets())
		if math.Abs(x.Effectiveness-p.Effectiveness) > 5e-4 || x.Extrapolated {
			t.Errorf("at %g l/min: expected %+v, want %g", p.FlowLMin, x, p.Effectiveness)
		}
	}
}

// A unit with a stated split is certified at equal flow; the rating must find
// what that unit does at unequal flows within its own stated uncertainty. Its
// conductance does not follow temperature, so that the inlets are 1 K apart.
func TestRatingAtUnequalFlows(t *testing.T) {
	var outside, n int
	for _, film := range []float64{0.35, 0.5, 0.65} {
		for _, coil := range []float64{0.25, 0.35} {
			for _, m := range []float64{0.22, 0.33} {
				for _, k := range []float64{0.55, 0.8} {
					ua := func(w, c float64) float64 {
						return 11 / (film*math.Pow(w/9, -m) + coil*math.Pow(c/9, -k) + 1 - film - coil)
					}
					var points []greywatt.RatedPoint
					for _, v := range []float64{6, 9, 12} {
						points = append(points, greywatt.RatedPoint{FlowLMin: v, Effectiveness: math.Round(100*Counterflow(ua(v, v)/v, 1)) / 100})
					}
					r := NewRating(greywatt.Exchanger{Rated: points, RatedColdInC: 25, RatedWasteInC: 26})
					for _, share := range []float64{0.55, 0.65, 0.75} {
						c := 9 * share
						want := Counterflow(ua(9, c)/c, share)
						x := r.At(Flows{9, c}, r.Inlets())
						n++
						if math.Abs(x.Effectiveness-want) > 2*x.U {
							outside++
						}
						if rel := math.Abs(x.Effectiveness/want - 1); rel > 0.03 {
							t.Errorf("film %.2f coil %.2f m %.2f n %.2f at %.1f/9 l/min: %.4f, true %.4f", film, coil, m, k, c, x.Effectiveness, want)
						}
					}
				}
			}
		}
	}
	if float64(outside) > 0.1*float64(n) {
		t.Errorf("%d of %d expectations lie outside their k = 2 interval", outside, n)
	}
}

func TestFlowDerivatives(t *testing.T) {
	r := NewRating(greywatt.Exchanger{Rated: []greywatt.RatedPoint{{FlowLMin: 7, Effectiveness: 0.62}, {FlowLMin: 9.5, Effectiveness: 0.57}}})
	x := r.At(Flows{8.3, 6.1}, r.Inlets())
	const h = 1e-3
	d := (math.Log(r.At(Flows{8.3 * (1 + h), 6.1 * (1 + h)}, r.Inlets()).Effectiveness) - math.Log(x.Effectiveness)) / math.Log1p(h)
	got := x.PerWaste + x.PerMains
	if math.Abs(d-got) > 1e-3 {
		t.Errorf("derivative %.4f, difference quotient %.4f", got, d)
	}
	if got > 0 || got < -1 {
		t.Errorf("derivative %.3f: effectiveness must fall with flow, more slowly than flow", got)
	}
}

// A unit of known resistances in series, film and coil of textbook exponents
// (falling film 0.2 to 0.4, VDI Heat Atlas; water in tubes 0.8, Dittus and
// Boelter; both from memory), seen through its certificate only: what is
// expected at unequal flows must be near, and the uncertainty must cover it. As
// above, 1 K between the inlets leaves temperature out of it.
func TestRatingOfTextbookUnits(t *testing.T) {
	for _, film := range []float64{0.35, 0.5} {
		for _, m := range []float64{0.25, 1.0 / 3, 0.4} {
			for _, e := range []float64{0.42, 0.5, 0.62} {
				truth := func(waste, mains float64) float64 {
					ua := e / (1 - e) * 9.5 / (film*math.Pow(waste/9.5, -m) + (1-film)*math.Pow(mains/9.5, -0.8))
					return Counterflow(ua/mains, mains/waste)
				}
				x := greywatt.Exchanger{Orientation: greywatt.Vertical, RatedColdInC: 25, RatedWasteInC: 26}
				for _, f := range []float64{5, 7, 9, 11, 13} {
					x.Rated = append(x.Rated, greywatt.RatedPoint{FlowLMin: f, Effectiveness: math.Round(100*truth(f, f)) / 100})
				}
				rating := NewRating(x)
				for _, waste := range []float64{6, 9, 12} {
					for _, share := range []float64{0.45, 0.65, 0.85} {
						got, want := rating.At(Flows{waste, share * waste}, rating.Inlets()), truth(waste, share*waste)
						if off := got.Effectiveness/want - 1; math.Abs(off) > 0.035 || math.Abs(got.Effectiveness-want) > 3*got.U {
							t.Errorf("film %.2f, exponent %.2f, rated %.2f: at %.0f l/min, mains %.2f of it, %.3f ± %.3f, want %.3f",
								film, m, e, waste, share, got.Effectiveness, 2*got.U, want)
						}
					}
				}
			}
		}
	}
}
