// Package analysis is the way from the frames of one dwelling to its events,
// its findings and what follows from them. Its packages do the parts: event
// finds the draws of water and measures them; finding diagnoses unit, sensors
// and piping from events; monitor, commission, cleaning, summary, completeness
// and zerocheck each answer one question. All of it is pure: no clock, no I/O,
// no goroutines; the same frames give the same results, byte for byte.
package analysis
