package simulate

import (
	"fmt"
	"math"
	"testing"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.6g, want %.6g ± %.2g", what, got, want, tolerance)
	}
}

// constant is a unit whose conductance depends on nothing, with equal and
// constant specific heats as far as the water table allows.
func constant(uaWK float64, model Model) Physics {
	return Physics{
		Model: model, Law: PowerLaw, UAWK: uaWK, CoilL: 1, WallJK: 2000,
		FilmS: 1, RestMin: 1e9, LumpedLagS: 8,
	}
}

// Effectiveness of counterflow and of parallel flow from NTU: Kays and London,
// Compact Heat Exchangers, ch. 2, from memory; the closed forms evaluated to four places,
// which handbook tables print to three. The slices may miss by 5e-4, the four
// places by 5e-5.
func TestSteadyAgreesWithEffectivenessNTU(t *testing.T) {
	ratios := []float64{0.25, 0.5, 0.75, 0.9, 1}
	table := []struct {
		ntu  float64
		want [5]float64
	}{
		{0.25, [5]float64{.2157, .2103, .2051, .2020, .2000}},
		{0.5, [5]float64{.3776, .3623, .3475, .3389, .3333}},
		{1, [5]float64{.5983, .5647, .5319, .5126, .5000}},
		{1.5, [5]float64{.7350, .6908, .6454, .6181, .6000}},
		{2, [5]float64{.8228, .7746, .7218, .6889, .6667}},
		{3, [5]float64{.9188, .8744, .8171, .7777, .7500}},
	}
	const heat = 4180 // J/(kg K), near that of both streams
	for _, row := range table {
		for i, ratio := range ratios {
			for _, model := range []Model{Cells, Lumped} {
				for _, mainsLeast := range []bool{true, false} {
					f := Feed{MainsKgS: 0.15 * ratio, WasteKgS: 0.15, ColdC: 29.9, WasteC: 30.1, RoomC: 30}
					if !mainsLeast {
						f.MainsKgS, f.WasteKgS = f.WasteKgS, f.MainsKgS
					}
					p := constant(row.ntu*heat*0.15*ratio, model)
					got := p.Steady(f, Condition{}).Effectiveness(f)
					near(t, fmt.Sprintf("%s, NTU %g, ratio %g, mains least %v", model, row.ntu, ratio, mainsLeast), got, row.want[i], 6e-4)
				}
			}
		}
	}
}

func TestParallelFlowClosedForm(t *testing.T) {
	for _, ntu := range []float64{0.3, 0.8, 1.5, 3} {
		for _, ratio := range []float64{0.4, 1} {
			f := Feed{MainsKgS: 0.15 * ratio, WasteKgS: 0.15, ColdC: 29.9, WasteC: 30.1, RoomC: 30}
			p := constant(ntu*4180*f.MainsKgS, Cells)
			want := (1 - math.Exp(-ntu*(1+ratio))) / (1 + ratio) // Kays and London, ch. 2, from memory
			near(t, fmt.Sprintf("NTU %g, ratio %g", ntu, ratio), p.Steady(f, Condition{Parallel: true}).Effectiveness(f), want, 1e-3)
		}
	}
}

// The transient unit must come to rest where the steady solution says, both
// ways of flow, though it knows nothing of it.
func TestTransientReachesSteady(t *testing.T) {
	for seed := uint64(1); seed <= 30; seed++ {
		p := RandomPhysics(generator(seed, physicsStream))
		if seed > 20 {
			p.correlate(generator(seed, unitStream))
		}
		for _, c := range []Condition{{}, {Parallel: true}, {Fouling: 0.4}, {Factor: 0.7, Bypass: 0.3}} {
			f := Feed{MainsKgS: 0.08, WasteKgS: 0.15, ColdC: 8, WasteC: 36, RoomC: 20}
			u := newUnit(&p, 20)
			var out Outlets
			for range 3000 {
				out = u.step(0.5, f, c)
			}
			want := p.Steady(f, c)
			near(t, fmt.Sprintf("seed %d, %s, %+v: preheat", seed, p.Model, c), out.PreheatC, want.PreheatC, 0.03)
			near(t, fmt.Sprintf("seed %d, %s, %+v: waste out", seed, p.Model, c), out.WasteOutC, want.WasteOutC, 0.03)
		}
	}
}

// A unit of slices loses no heat: over 10 min of changing flows and an hour of
// rest, what the waste gives is what the mains water, the room and the metal got.
func TestCellsCloseEnergy(t *testing.T) {
	for seed := uint64(1); seed <= 16; seed++ {
		p := RandomPhysics(generator(seed, physicsStream))
		p.Model = Cells
		if seed > 10 {
			p.correlate(generator(seed, unitStream))
		}
		p.FilmS = 1e-3 // the film's transit is a delay, not a store
		var u interface {
			unit
			storedJ() float64
			lostJ() float64
		} = newCells(&p, 20)
		if p.Model == Correlated {
			u = newCorrelated(&p, 20)
		}
		before := u.storedJ()
		var waste, mains float64
		step := func(dt float64, f Feed) {
			out := u.step(dt, f, Condition{Fouling: 0.2})
			waste += f.WasteKgS * dt * (enthalpy(f.WasteC) - enthalpy(out.WasteOutC))
			mains += f.MainsKgS * dt * (enthalpy(out.PreheatC) - enthalpy(f.ColdC))
		}
		for i := range 1200 {
			s := float64(i) / 2
			f := Feed{MainsKgS: 0.1 + 0.05*math.Sin(s/40), WasteKgS: 0.15, ColdC: 8 + 10*math.Exp(-s/10), WasteC: 36 - 15*math.Exp(-s/30), RoomC: 20}
			if s > 200 && s < 260 {
				f.MainsKgS, f.WasteKgS = 0, 0.15*math.Exp(-(s-200)/10)
			}
			step(0.5, f)
		}
		for range 60 {
			step(60, Feed{ColdC: 20, WasteC: 20, RoomC: 20})
		}
		got := mains + u.lostJ() + u.storedJ() - before
		near(t, fmt.Sprintf("seed %d: heat accounted for / heat given", seed), got/waste, 1, 0.005)
	}
}

// A whole simulated shower, rest to rest: drain heat is mains heat, losses and
// storage to 1 %.
func TestShowerClosesEnergy(t *testing.T) {
	for seed := uint64(1); seed <= 12; seed++ {
		h := NewHouse("h", seed, Options{Days: 1, ShowersPerDay: 3})
		h.Physics.Model = Cells
		r := h.begin(Output{})
		u := &accountant{cells: newCells(&h.Physics, r.weather.roomC)}
		r.unit = u
		before := u.storedJ()
		for r.t < r.end {
			r.turnPages()
			r.step(r.stepLength())
		}
		if u.waste == 0 {
			continue // nobody showered
		}
		got := u.mains + u.toRoomJ + u.storedJ() - before
		near(t, fmt.Sprintf("seed %d: heat accounted for / heat given", seed), got/u.waste, 1, 0.01)
	}
}

type accountant struct {
	*cells
	waste, mains float64 // J
}

func (a *accountant) step(dt float64, f Feed, c Condition) Outlets {
	out := a.cells.step(dt, f, c)
	a.waste += f.WasteKgS * dt * (enthalpy(f.WasteC) - enthalpy(out.WasteOutC))
	a.mains += f.MainsKgS * dt * (enthalpy(out.PreheatC) - enthalpy(f.ColdC))
	return out
}

// The heat lost is the share asked for, at certificate conditions.
func TestLossShare(t *testing.T) {
	for _, model := range []Model{Cells, Lumped} {
		p := constant(650, model)
		p.LossShare = 0.03
		f := Feed{ColdC: ratedColdC, WasteC: ratedWasteC, RoomC: ratedRoomC}
		f.MainsKgS = massFlow(ratedFlowLMin, ratedColdC)
		f.WasteKgS = f.MainsKgS
		out := p.Steady(f, Condition{})
		gained := enthalpy(out.PreheatC) - enthalpy(f.ColdC)
		given := enthalpy(f.WasteC) - enthalpy(out.WasteOutC)
		near(t, string(model), given/gained, 1.03, 0.004) // stream means are only near those assumed
	}
}

func TestConductanceFollowsItsExponents(t *testing.T) {
	p := Physics{Law: Series, UAWK: 600, FilmShare: 0.4, WallShare: 0.1, FilmExponent: 0.3, MainsExponent: 0.8}
	f := Feed{MainsKgS: ratedFlowLMin / 60, WasteKgS: ratedFlowLMin / 60}
	film, mains := p.conductances(f, ratedMainsC, ratedFilmC, Condition{})
	near(t, "overall", 1/(1/film+1/mains), 600, 1e-9)
	f.WasteKgS *= 2
	f.MainsKgS /= 2
	film, mains = p.conductances(f, ratedMainsC, ratedFilmC, Condition{Fouling: 0.25})
	near(t, "film side", 600/film, 0.4*math.Pow(2, -0.3)+0.05+0.25, 1e-12)
	near(t, "mains side", 600/mains, 0.5*math.Pow(2, 0.8)+0.05, 1e-12)
}

func TestWettingBelowCriticalFlow(t *testing.T) {
	p := Physics{Law: Series, UAWK: 600, FilmShare: 0.4, WallShare: 0.1, FilmExponent: 0.3, MainsExponent: 0.8}
	dry := p
	dry.WettingLMin, dry.WettingLoss = 6, 0.4
	for _, lMin := range []float64{3, 6, 9} {
		f := Feed{MainsKgS: 0.1, WasteKgS: lMin / 60}
		wetFilm, _ := p.conductances(f, ratedMainsC, ratedFilmC, Condition{})
		dryFilm, _ := dry.conductances(f, ratedMainsC, ratedFilmC, Condition{})
		if lost := dryFilm < wetFilm*0.999; lost != (lMin < 6) {
			t.Errorf("%g l/min: film conductance %g wet, %g with dry patches", lMin, wetFilm, dryFilm)
		}
	}
}

// Density and heat capacity against the check table of IAPWS SR6-08(2011), Table 8,
// at 298.15 K, read second hand in the tests of an open library; between grid points the tolerance is that
// of the linear interpolation.
func TestWater(t *testing.T) {
	near(t, "density", density(25), 997.047013, 1e-3)
	near(t, "specific heat", specificHeat(25), 4181.44618, 0.01)
	near(t, "mean heat", (enthalpy(40)-enthalpy(10))/30, 4183.1, 2) // Simpson's rule on the grid of the same equations
	for c := 1.0; c < 60; c += 0.7 {
		near(t, fmt.Sprintf("dh/dT at %g", c), (enthalpy(c+1e-3)-enthalpy(c-1e-3))/2e-3, specificHeat(c), 0.01)
	}
}

func (u *cells) lostJ() float64 { return u.toRoomJ }

func BenchmarkCorrelatedStep(b *testing.B) {
	p := correlatedUnit(AtlasTransition, Gnielinski, 2, 0.0079)
	u := newCorrelated(&p, 20)
	f := Feed{MainsKgS: 0.12, WasteKgS: 0.15, ColdC: 8, WasteC: 36, RoomC: 20}
	for b.Loop() {
		u.step(usualStepS, f, Condition{})
	}
}

func BenchmarkCellsStep(b *testing.B) {
	p := RandomPhysics(generator(1, physicsStream))
	u := newCells(&p, 20)
	f := Feed{MainsKgS: 0.12, WasteKgS: 0.15, ColdC: 8, WasteC: 36, RoomC: 20}
	for b.Loop() {
		u.step(usualStepS, f, Condition{})
	}
}
