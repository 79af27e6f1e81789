package simulate

import (
	"math"
	"math/rand/v2"

	"greywatt"
)

// A Model is how a unit behaves in time.
type Model string

// The models.
const (
	// Cells is counterflow in slices: a film with no hold-up falls past the wall,
	// mains water moves up the coil in plugs. Energy closes exactly.
	Cells Model = "cells"
	// Lumped is the steady state by effectiveness-NTU behind dead times and
	// first-order lags. Energy closes in steady running only.
	Lumped Model = "lumped"
	// Correlated is counterflow in slices whose film and tube coefficients come from
	// published correlations at the temperatures of the water in each slice.
	Correlated Model = "correlated"
)

// Models lists the models.
var Models = []Model{Cells, Lumped, Correlated}

// A Law says how conductance depends on the flows.
type Law string

// The laws.
const (
	Series   Law = "series"    // film, wall and mains-side resistances in series
	PowerLaw Law = "power-law" // UA ~ waste^FilmExponent · mains^MainsExponent
)

// ratedFlowLMin is the flow at which conductances are quoted.
const ratedFlowLMin = 9.5

// Physics is one unit, clean. Its shares and exponents are the simulator's
// choice within the ranges that [RandomPhysics] gives.
type Physics struct {
	Model       Model
	Law         Law
	Orientation greywatt.Orientation

	UAWK          float64 // W/K, whole unit, clean, both sides at 9.5 l/min, stream means of 19 and 33 °C
	FilmShare     float64 // of the total resistance there, on the waste side
	WallShare     float64 // and in the wall and its contacts; the rest is the mains side
	FilmExponent  float64 // film coefficient ~ flow^this
	MainsExponent float64

	WettingLMin float64 // below this waste flow part of the wall stays dry; 0: never
	WettingLoss float64 // share of the film conductance lost as flow goes to zero

	FilmPerK    float64 // rise of the film coefficient with waste temperature, 1/K
	MainsPerK   float64 // rise of the mains-side coefficient with mains temperature, 1/K
	InletFactor bool    // effectiveness follows the mains inlet by [inletFactor]

	Geometry Geometry // of a Correlated unit

	RatedColdInC   float64 // inlets of the rating test; 0: 12 and 40 °C
	RatedWasteInC  float64
	InletsDeclared bool // and whether the certificate states them

	CoilL      float64 // mains water held
	WallJK     float64 // heat capacity of the metal, J/K
	FilmS      float64 // transit of the film, s
	RestMin    float64 // time constant of cooling to the room at rest, min
	LossShare  float64 // of the heat drawn from the waste at certificate conditions, lost to the room
	LumpedLagS float64 // Lumped: time constant at 9.5 l/min, s
}

// Usual conditions of a rating: common practice, from memory.
const (
	ratedColdC  = 12.0
	ratedWasteC = 40.0
	ratedRoomC  = 20.0
)

// A Condition is what has befallen a unit.
type Condition struct {
	Fouling  float64 // added resistance, as a share of the clean total at 9.5 l/min
	Factor   float64 // on the whole conductance; 0 means 1
	Parallel bool    // both streams run the same way
	Bypass   float64 // share of the mains flow that goes around the unit
}

func (c Condition) factor() float64 {
	if c.Factor == 0 {
		return 1
	}
	return c.Factor
}

// Feed is what enters a unit.
type Feed struct {
	MainsKgS, WasteKgS   float64
	ColdC, WasteC, RoomC float64
}

// conductances returns the two halves of the unit's conductance in W/K, waste
// film to wall (with fouling) and wall to mains water, for mean temperatures
// of the two streams.
func (p *Physics) conductances(f Feed, mainsC, filmC float64, c Condition) (film, mains float64) {
	// The floor stands for natural convection and keeps the powers finite.
	mainsRel := max(f.MainsKgS*60, 0.3) / ratedFlowLMin
	wasteRel := max(f.WasteKgS*60, 0.05) / ratedFlowLMin
	r := 1 / p.UAWK
	warmFilm, warmMains := 1+p.FilmPerK*(filmC-ratedFilmC), 1+p.MainsPerK*(mainsC-ratedMainsC)
	if p.Law == PowerLaw {
		half := 2 * p.UAWK * math.Pow(wasteRel, p.FilmExponent) * math.Pow(mainsRel, p.MainsExponent)
		return p.atInlet(f, c.factor()/(1/(half*warmFilm)+c.Fouling*r), c.factor()*half*warmMains)
	}
	filmR := r * p.FilmShare / math.Pow(wasteRel, p.FilmExponent) / warmFilm
	if q := f.WasteKgS * 60; q < p.WettingLMin {
		filmR /= 1 - p.WettingLoss*(1-q/p.WettingLMin)
	}
	mainsShare := 1 - p.FilmShare - p.WallShare
	mainsR := r * mainsShare / math.Pow(mainsRel, p.MainsExponent) / warmMains
	wallR := r * p.WallShare / 2
	return p.atInlet(f, c.factor()/(filmR+wallR+c.Fouling*r), c.factor()/(mainsR+wallR))
}

// atInlet brings the halves of the conductance to the feed's mains inlet where
// effectiveness follows it.
func (p *Physics) atInlet(f Feed, film, mains float64) (float64, float64) {
	if !p.InletFactor || f.MainsKgS <= 0 || f.WasteKgS <= 0 {
		return film, mains
	}
	cold, waste := f.MainsKgS*specificHeat(f.ColdC), f.WasteKgS*specificHeat(f.WasteC)
	least := min(cold, waste)
	ratio := least / max(cold, waste)
	ntu := 1 / (1/film + 1/mains) / least
	e := effectivenessNTU(ntu, ratio, false)
	if e >= mostByFactor {
		return film, mains
	}
	gain := transferUnits(min(e*inletFactor(f.ColdC)/inletFactor(ratedColdC), mostByFactor), ratio) / ntu
	return film * gain, mains * gain
}

// mostByFactor is the effectiveness that the factor's source holds it to.
const mostByFactor = 0.95

// inletFactor is a published factor on the effectiveness of such units, by
// mains inlet temperature: a fit in an open building-energy program (CSE,
// heat-recovery part of its draw model), 1 at 14.6 °C, constant above 27.2 °C.
func inletFactor(coldC float64) float64 {
	t := min(1.8*coldC+32, 81) // °F
	return (-3.06e-5*t*t + 4.96e-3*t + 0.281) / 0.466
}

// Stream means at which the temperature corrections are nil.
const (
	ratedMainsC = 19.0
	ratedFilmC  = 33.0
)

// UA returns the unit's conductance in W/K in steady running.
func (p *Physics) UA(f Feed, c Condition) float64 {
	if p.Model == Correlated {
		f.MainsKgS *= 1 - c.Bypass
		_, ua := p.local(f, c)
		return ua
	}
	s := p.Steady(f, c)
	film, mains := p.conductances(f, (f.ColdC+s.PreheatC)/2, (f.WasteC+s.WasteOutC)/2, c)
	return 1 / (1/film + 1/mains)
}

// lossConductance returns W/K from the film to the room that loses LossShare
// of the heat at certificate conditions.
func (p *Physics) lossConductance() float64 {
	c := massFlow(ratedFlowLMin, ratedColdC) * 4180
	ntu := p.UAWK / c
	heat := ntu / (1 + ntu) * c * (ratedWasteC - ratedColdC)
	return p.LossShare * heat / (ratedFilmC - ratedRoomC)
}

// Outlets is what leaves a unit.
type Outlets struct{ PreheatC, WasteOutC float64 }

// Effectiveness returns heat gained by the mains water over the most that the
// smaller stream could carry; NaN where a stream stands still.
func (o Outlets) Effectiveness(f Feed) float64 {
	gained, most := o.heats(f)
	return gained / most
}

// heats returns W gained by the mains water and W that an ideal unit would pass.
func (o Outlets) heats(f Feed) (gained, most float64) {
	if f.MainsKgS <= 0 || f.WasteKgS <= 0 {
		return 0, math.NaN()
	}
	mains := f.MainsKgS * specificHeat((f.ColdC+o.PreheatC)/2)
	waste := f.WasteKgS * specificHeat((f.WasteC+o.WasteOutC)/2)
	return mains * (o.PreheatC - f.ColdC), min(mains, waste) * (f.WasteC - f.ColdC)
}

// ratingInlets returns the inlet temperatures of the rating test, °C.
func (p *Physics) ratingInlets() (coldC, wasteC float64) {
	coldC, wasteC = ratedColdC, ratedWasteC
	if p.RatedColdInC != 0 {
		coldC = p.RatedColdInC
	}
	if p.RatedWasteInC != 0 {
		wasteC = p.RatedWasteInC
	}
	return coldC, wasteC
}

// Rated returns the clean unit's effectiveness on its certificate: equal flows
// of lMin at the inlet temperatures of the rating test.
func (p *Physics) Rated(lMin float64) float64 {
	coldC, wasteC := p.ratingInlets()
	f := Feed{ColdC: coldC, WasteC: wasteC, RoomC: ratedRoomC}
	f.MainsKgS = massFlow(lMin, coldC)
	f.WasteKgS = f.MainsKgS
	return p.Steady(f, Condition{}).Effectiveness(f)
}

// RandomPhysics draws a unit. Exponents: film 0.2 to 0.4 and mains side 0.5 to
// 0.85, the range of the heat-atlas and textbook correlations for falling films
// and for turbulent flow in tubes (from memory). Effectiveness 0.28 to 0.66 at
// 9.5 l/min covers and slightly exceeds what is usual for such units.
func RandomPhysics(r *rand.Rand) Physics {
	p := Physics{
		Model: Cells, Law: Series, Orientation: greywatt.Vertical,
		FilmShare: between(r, 0.30, 0.55), WallShare: between(r, 0.03, 0.18),
		FilmExponent: between(r, 0.20, 0.40), MainsExponent: between(r, 0.50, 0.85),
		CoilL: between(r, 0.5, 2.5), WallJK: between(r, 1000, 5000),
		FilmS: between(r, 0.8, 2), RestMin: between(r, 15, 60),
		LossShare: between(r, 0, 0.04), LumpedLagS: between(r, 4, 10),
	}
	effectiveness := between(r, 0.40, 0.66)
	if chance(r, 0.2) {
		p.Orientation = greywatt.Horizontal
		effectiveness = between(r, 0.28, 0.50)
		p.FilmShare = between(r, 0.4, 0.65)
		p.FilmExponent = between(r, 0.35, 0.6)
		p.CoilL = between(r, 0.4, 1.2)
	}
	if chance(r, 0.3) {
		p.Model = Lumped
	}
	if chance(r, 0.2) {
		p.Law = PowerLaw
		// published curves of equal-flow units have UA rise with flow to the power
		// 0.27 to 0.5 about 9.5 l/min
		p.FilmExponent = between(r, 0.12, 0.25)
		p.MainsExponent = between(r, 0.15, 0.30)
	} else {
		if chance(r, 0.6) {
			p.FilmPerK = between(r, 0, 0.004)
			p.MainsPerK = between(r, 0, 0.006)
		}
		if chance(r, 0.2) {
			p.WettingLMin = between(r, 5, 7.5)
			p.WettingLoss = between(r, 0.2, 0.5)
		}
	}
	p.setEffectiveness(effectiveness)
	p.warm(r)
	p.rate(r)
	return p
}

// warm draws how conductance follows temperature. The correlations for films
// and for water in tubes and coils give, at the temperatures of such a unit, 0.9
// to 1.75 % per kelvin of the film and 0.84 to 1.74 % of the mains side (central
// differences of the correlations in this package). The published factor on
// effectiveness is about twice as steep per kelvin of mains; one unit in
// seven has that and nothing else, and one in ten has hardly any effect.
func (p *Physics) warm(r *rand.Rand) {
	film, mains := between(r, 0.009, 0.0175), between(r, 0.0084, 0.0174)
	switch u := r.Float64(); {
	case u < 0.10: // stays with at most 0.4 and 0.6 % per kelvin
	case u < 0.25:
		p.FilmPerK, p.MainsPerK, p.InletFactor = 0, 0, true
	default:
		p.FilmPerK, p.MainsPerK = film, mains
	}
}

// rate draws the inlet temperatures of the rating test: stated, and then
// anywhere about the usual ones, or not stated and near them.
func (p *Physics) rate(r *rand.Rand) {
	p.InletsDeclared = chance(r, 0.5)
	sd, most := 0.7, 1.5
	if p.InletsDeclared {
		sd, most = 2, 4
	}
	p.RatedColdInC = math.Round(10*(ratedColdC+truncated(r, sd, most))) / 10
	p.RatedWasteInC = math.Round(10*(ratedWasteC+truncated(r, sd, most))) / 10
}

// setEffectiveness chooses the conductance for an effectiveness at 9.5 l/min,
// equal flow, before losses.
func (p *Physics) setEffectiveness(e float64) {
	p.UAWK = e / (1 - e) * massFlow(ratedFlowLMin, ratedColdC) * 4182
}
