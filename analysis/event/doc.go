// Package event turns the frames of one dwelling into events: draws of water,
// their corrected temperatures, the heat recovered and the effectiveness, each
// with its uncertainty. It is pure: no clock, no I/O, no goroutines; the same
// frames give the same events, byte for byte.
package event
