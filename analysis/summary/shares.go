package summary

import (
	"cmp"
	"maps"
	"math"
	"slices"
	"strings"

	"greywatt"
	"greywatt/analysis/event"
)

// Shares are the parts of an expanded uncertainty, k = 2, in the figure's unit.
// They combine in squares.
type Shares struct {
	OwnU95    float64 // of the dwelling's own: its showers, its room, its sensors apart from their batch
	BatchU95  float64 // of the batches of sensors
	MethodU95 float64 // of what the method assumes, of all dwellings alike
}

// U95 returns the parts together.
func (s Shares) U95() float64 {
	return math.Sqrt(s.OwnU95*s.OwnU95 + s.BatchU95*s.BatchU95 + s.MethodU95*s.MethodU95)
}

// A contribution is one dwelling's part of a sum: factor times a figure.
type contribution struct {
	factor     float64
	own        float64            // standard uncertainty of the figure
	systematic []SystematicEffect // on the figure
}

// with returns the contribution with one more effect, on the sum.
func (c contribution) with(s SystematicEffect) contribution {
	if s.Shift == 0 {
		return c
	}
	s.Shift /= c.factor
	c.systematic = append(slices.Clip(c.systematic), s)
	return c
}

func (c contribution) times(factor float64) contribution {
	c.factor *= factor
	return c
}

// sharesOf returns the parts of the uncertainty of a sum over dwellings: errors
// of a batch and of the method add up with their signs, all others in squares.
// Sensors of two channels are independent, whatever their batch.
func sharesOf(sum []contribution) Shares {
	type shared struct{ input, batch string }
	batches, method := map[shared]float64{}, map[string]float64{}
	var own float64
	for _, c := range sum {
		own += c.factor * c.factor * c.own * c.own
		for _, s := range c.systematic {
			shift := c.factor * s.Shift
			if s.OfMethod {
				method[s.Input] += shift
				continue
			}
			own += shift * shift * (1 - s.InBatch)
			if s.InBatch > 0 {
				batches[shared{s.Input, s.Batch}] += shift * math.Sqrt(s.InBatch)
			}
		}
	}
	var ofBatch, ofMethod float64
	keys := slices.SortedFunc(maps.Keys(batches), func(a, b shared) int {
		return cmp.Or(strings.Compare(a.input, b.input), strings.Compare(a.batch, b.batch))
	})
	for _, k := range keys { // in one order, for the same digits
		ofBatch += batches[k] * batches[k]
	}
	for _, k := range slices.Sorted(maps.Keys(method)) {
		ofMethod += method[k] * method[k]
	}
	return Shares{2 * math.Sqrt(own), 2 * math.Sqrt(ofBatch), 2 * math.Sqrt(ofMethod)}
}

// Shares returns the parts of U95 as other dwellings share them.
func (e *Estimate) Shares() Shares {
	return sharesOf([]contribution{{1, e.OwnU95 / 2, e.Systematic}})
}

// effectOf returns a systematic effect on a dwelling's figure with how other
// dwellings share it, by the batch of the sensor whose error it is. A clamp's time
// constant and loss go with its batch: they are those of its make and mounting.
func effectOf(d *greywatt.Dwelling, input string, shift float64) SystematicEffect {
	s := SystematicEffect{Input: input, Shift: shift, OfMethod: event.SharingOf(input) == event.OfMethod}
	c, ok := event.ChannelOf(input)
	if !ok {
		return s
	}
	for i := range d.Sensors {
		if sensor := &d.Sensors[i]; sensor.Channel == c {
			s.Batch, s.InBatch = sensor.Batch, sensor.BatchShare()
			return s
		}
	}
	if c != greywatt.WasteFlow { // which, not metered, is the dwelling's own
		s.InBatch = 1
	}
	return s
}
