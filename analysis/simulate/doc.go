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
// There is more than one physics, drawn at random: a counterflow unit of many
// cells with wall mass and water moving through it, and a lumped unit of dead
// times and two lags that knows only its steady state; resistances in series
// with film coefficients, or a plain power law of the two flows; thermostatic
// valves, or a person turning a lever. An analysis that is right on all of
// them is not tuned to one.
//
// What is left out: baths, legionella cycles, draws of cold water elsewhere in
// the house, ice, air in the pipes, and in connection B every draw but the
// shower, since no other passes the exchanger there. A drip from the shower
// head exists for the flow sensor only and is no part of the true volume.
package simulate
