package simulate

import "greywatt"

// A Unit is Physics with a name.
type Unit struct {
	Name string
	Physics
}

// Units returns invented units far apart from each other, for looking at one
// behaviour at a time where [RandomPhysics] mixes them all.
func Units() []Unit {
	tall := Physics{
		Model: Cells, Law: Series, Orientation: greywatt.Vertical,
		FilmShare: 0.38, WallShare: 0.06, FilmExponent: 0.3, MainsExponent: 0.8,
		FilmPerK: 0.012, MainsPerK: 0.0125,
		CoilL: 1.1, WallJK: 2600, FilmS: 1.6, RestMin: 30, LossShare: 0.015, LumpedLagS: 6,
	}
	tall.setEffectiveness(0.58)

	heavy := tall // thick wall, poor contact, much water held: settles in about a minute
	heavy.WallShare, heavy.CoilL, heavy.WallJK, heavy.LossShare = 0.18, 2.5, 5000, 0.04
	heavy.setEffectiveness(0.48)

	patchy := tall // part of the film breaks up at low flow
	patchy.WettingLMin, patchy.WettingLoss, patchy.FilmShare = 7.5, 0.5, 0.5
	patchy.setEffectiveness(0.52)

	flat := tall // under a shower tray
	flat.Orientation, flat.FilmShare, flat.FilmExponent, flat.CoilL, flat.WallJK = greywatt.Horizontal, 0.6, 0.5, 0.5, 1400
	flat.setEffectiveness(0.38)

	fitted := tall // neither resistances nor slices: two powers and two lags
	fitted.Model, fitted.Law, fitted.FilmExponent, fitted.MainsExponent = Lumped, PowerLaw, 0.2, 0.3
	fitted.LumpedLagS = 9
	fitted.setEffectiveness(0.55)

	return []Unit{
		{"tall", tall}, {"heavy", heavy}, {"patchy", patchy}, {"flat", flat}, {"fitted", fitted},
	}
}
