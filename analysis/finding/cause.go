package finding

import (
	"math"

	"greywatt"
)

// A cause is a hypothesis about what changed in the course of a record.
type cause uint8

// The causes. The four clamps follow causeDrift and causeLoose in the order of
// the ports.
const (
	causeNone    cause = iota
	causeFouling       // of the unit, gradual, down
	causeStep          // of the unit, sudden, down
	causeMended        // of the unit, up: cleaned, or a valve opened
	causeMeter         // the mains meter's scale changes over weeks
	causeWasteMeter
	causeMeterStep // it changes from one shower to the next
	causeWasteMeterStep
	causeMisfit   // everything wanders: none of the others
	causeUnlisted // conductance and balance change together, each by its own amount
	causeDrift    // clamp of port 0
	causeLoose    = causeDrift + 4
	numCauses     = causeLoose + 4
)

// priors of the causes: how often each is met in a record, this project's choice.
var priors = func() (p [numCauses]float64) {
	p[causeNone] = 0.70
	p[causeFouling] = 0.08
	p[causeStep] = 0.05
	p[causeMended] = 0.02
	p[causeMeter] = 0.04
	p[causeWasteMeter] = 0.025
	p[causeMeterStep] = 0.015
	p[causeWasteMeterStep] = 0.01
	p[causeMisfit] = 0.01
	p[causeUnlisted] = 0.004
	for c := causeDrift; c < causeLoose; c++ {
		p[c] = 0.01
	}
	for c := causeLoose; c < numCauses; c++ {
		p[c] = 0.012
	}
	return p
}()

// channel is the channel that a cause concerns, if one.
func (c cause) channel() (greywatt.Channel, bool) {
	switch {
	case c >= causeLoose:
		return greywatt.Channel(c - causeLoose), true
	case c >= causeDrift:
		return greywatt.Channel(c - causeDrift), true
	case c == causeMeter || c == causeMeterStep:
		return greywatt.Flow, true
	case c == causeWasteMeter || c == causeWasteMeterStep:
		return greywatt.WasteFlow, true
	}
	return 0, false
}

// unnamed reports whether a cause is none that can be named.
func (c cause) unnamed() bool { return c == causeMisfit || c == causeUnlisted }

func (c cause) source() int {
	switch {
	case c >= causeLoose:
		return int(c - causeLoose)
	case c >= causeDrift:
		return int(c - causeDrift)
	case c == causeMeter || c == causeMeterStep:
		return sourceMeter
	case c == causeWasteMeter || c == causeWasteMeterStep:
		return sourceWasteMeter
	}
	return sourceUnit
}

// A profile is the course of a change: 0 before, 1 once it is complete.
type profile struct {
	kind   profileKind
	t0, t1 float64 // days; of a step both are its place
	tau    float64 // days, of an approach
	until  float64 // day from which the sensor is another, or fits again; 0: none

	// of dirt: a resistance beside the clean unit's, which takes the more the better that
	// conducts, rather than a share of the unit
	resists bool
}

// end is what has come of it by day t, or by the day on which it was over.
func (p profile) end(t float64) float64 {
	if p.until > 0 && t >= p.until {
		t = math.Nextafter(p.until, p.t0)
	}
	return p.at(t)
}

type profileKind uint8

const (
	profileStep profileKind = iota
	profileRamp
	profileApproach
)

func (p profile) at(t float64) float64 {
	switch {
	case t < p.t0, p.until > 0 && t >= p.until:
		return 0
	case p.kind == profileStep:
		return 1
	case p.kind == profileApproach:
		return 1 - math.Exp(-(t-p.t0)/p.tau)
	}
	return min(1, (t-p.t0)/(p.t1-p.t0))
}

// A change is one cause with the course and size that describe it best.
type change struct {
	cause     cause
	p         float64 // probability among the causes
	ln        float64 // of its weight, prior times likelihood, over that of no change
	lnL       float64 // of the best course, over that of no change
	course    profile
	size      float64 // ln, or K of a clamp
	u         float64
	share     float64 // of a loose clamp
	deviation float64 // how far the size is from what was expected of it, in standard deviations
	shift     []float64
}
