package exchanger

import (
	"math"

	"greywatt"
	"greywatt/analysis/water"
)

// A Strength is how strongly one side's conductance follows the temperature of
// its water, as a multiple of that side's reference correlation: the logarithm
// of the conductance moves by the strength times the logarithm of the
// correlation's ratio. It belongs to the unit, so that its error is the same in
// every event; as units are of one kind, dwellings share most of it.
type Strength struct {
	Centre float64 // what is expected
	U      float64 // standard uncertainty
}

// Strengths are those of both sides.
type Strengths struct {
	Film Strength // falling film of waste water
	Coil Strength // mains water in its coil
}

// The strengths of the vertical units that ratings are made of.
//
// Film. Around 30 °C correlations of falling films give 0.95 (Chun and Seban,
// turbulent), 1.2 (the same, wavy laminar), 1.25 and 1.7 % per kelvin (heat
// atlas, transition and turbulent); the reference is the third.
//
// Coil. Around 19 °C correlations of water in tubes and coils give 0.9
// (Schmidt), 1.0 (laminar coil), 1.2 (Dittus and Boelter) and 1.4 to 1.5 % per
// kelvin (Gnielinski); the reference is Dittus and Boelter. A fit to tested units
// published with an open building simulation (CSE, function wr_EffAdjusted) has
// the whole conductance rise with the cold inlet by 1.0 to 1.4 % per kelvin, twice
// what any pair of correlations does, as a strength of 2.0 to 2.8 would; of the
// waste's temperature it has nothing, as no film at all would. The centres are the
// correlations' means. Twice the uncertainty reaches the middle of the fit's range,
// and nearly a film of none.
//
// Of the whole conductance, all this is 0.6 ± 0.3 % per kelvin of mains and 0.5 ±
// 0.2 % per kelvin of waste.
const (
	filmStrength  = 1.0
	filmStrengthU = 0.45
	coilStrength  = 1.05
	coilStrengthU = 0.70

	// A horizontal unit's sheet of waste water follows flow and temperature in
	// ways that no correlation read covers: half as much again for its film.
	sheetStrengthU = 0.70

	// How far the bench was from the certificate's inlets, and from the usual
	// ones where the certificate does not state them. K, standard uncertainty.
	statedInletU = 0.3
	usualInletU  = 0.8
)

func strengthsOf(x *greywatt.Exchanger) Strengths {
	s := Strengths{Strength{filmStrength, filmStrengthU}, Strength{coilStrength, coilStrengthU}}
	if x.Orientation == greywatt.Horizontal {
		s.Film.U = sheetStrengthU
	}
	return s
}

// filmLaw returns the logarithm of what the film's conductance is proportional
// to at equal flow, by the heat atlas's transition from laminar to turbulent
// (part M3, from memory): Nu = 0.0425 Re^0.2 Pr^0.344 over the length
// (ν²/g)^(1/3), so k ν^(-2/3) μ^(-0.2) Pr^0.344. t in °C, 0 to 100.
func filmLaw(t float64) float64 {
	p := transportAt(t)
	return math.Log(p.conductivity) - 2.0/3*math.Log(p.kinematic) - 0.2*math.Log(p.viscosity) + 0.344*math.Log(p.prandtl)
}

// coilLaw returns the same of the coil, by Dittus and Boelter's turbulent flow
// in tubes, heating: Nu = 0.023 Re^0.8 Pr^0.4, so k μ^(-0.8) Pr^0.4.
func coilLaw(t float64) float64 {
	p := transportAt(t)
	return math.Log(p.conductivity) - 0.8*math.Log(p.viscosity) + 0.4*math.Log(p.prandtl)
}

type transport struct{ conductivity, viscosity, kinematic, prandtl float64 }

// transportAt panics outside 0 to 100 °C, which its callers keep to.
func transportAt(t float64) transport {
	value := func(f func(float64) (float64, error)) float64 {
		v, err := f(t)
		if err != nil {
			panic(err)
		}
		return v
	}
	return transport{value(water.Conductivity), value(water.Viscosity), value(water.KinematicViscosity), value(water.Prandtl)}
}

// lawTable holds a law at each whole °C from 0 to 100. Straight lines between
// differ from the law by less than 6e-5 (TestLawTable).
type lawTable [101]float64

var filmTable, coilTable = tabulated(filmLaw), tabulated(coilLaw)

func tabulated(law func(float64) float64) *lawTable {
	var t lawTable
	for i := range t {
		t[i] = law(float64(i))
	}
	return &t
}

// at returns the law at t °C, held at its ends beyond 0 and 100; NaN for NaN.
func (l *lawTable) at(t float64) float64 {
	if math.IsNaN(t) {
		return t
	}
	t = min(max(t, 0), 100)
	i := min(int(t), len(l)-2)
	f := t - float64(i)
	return l[i] + f*(l[i+1]-l[i])
}

// slope returns the law's derivative at t °C, 1/K; 0 beyond its ends.
func (l *lawTable) slope(t float64) float64 { return l.at(t+0.5) - l.at(t-0.5) }
