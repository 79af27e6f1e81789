// Package simulate invents dwellings with a shower heat exchanger and runs
// them: a transient exchanger, its plumbing, the people who shower, the sensors
// and their nodes. It yields the frames that the nodes would send and, beside
// them, the truth that the analysis is scored against.
//
// It is pure: no clock, no I/O, no goroutines. The same House gives the same
// frames and the same truth, bit for bit. It shares no formula with the
// analysis: water properties, the exchanger's steady state and the definition of
// effectiveness are written here a second time, so that an error in one of them
// does not cancel in the score.
//
// There is more than one physics: a counterflow unit of many cells with wall
// mass and water moving through it, a lumped unit of dead times and two lags that
// knows only its steady state, and a unit whose film and tube coefficients come
// from published correlations cell by cell; resistances in series with film
// coefficients, or a plain power law of the two flows; thermostatic valves, or a
// person turning a lever. Conductance follows the water's temperatures over the
// whole range that is published, by the correlations or by a factor on
// effectiveness. An analysis that is right on all of them is not tuned to one.
// [NewHouse] draws the first two models; the third where it is asked for, and in
// [Hazard] and [HalfYear].
//
// What is left out: baths, legionella cycles, draws of cold water elsewhere in
// the house, ice, air in the pipes, and in connection B every draw but the
// shower, since no other passes the exchanger there. A drip after a shower
// ([Meter.Drip]) exists for the flow sensor only and is no part of the true volume;
// a [Leak] is water.
package simulate
