// Package finding diagnoses a dwelling from its events: what is wrong with its
// unit, its sensors or its piping, with a probability, and how the unit's
// conductance went over time.
package finding
