package analysis

import (
	"math"

	"greywatt"
)

// Coverage counts how much of the time a dwelling has readings.
type Coverage struct {
	first, last greywatt.Instant
	hours       int // hours of the clock (UTC) with all needed channels
	hour        greywatt.Instant
	have        [greywatt.NumChannels]bool
	readings    int64
	lastOf      [greywatt.NumChannels]greywatt.Instant
	gaps        []Gap
}

// A Gap is a stretch of more than an hour without readings of a needed channel.
type Gap struct {
	Channel greywatt.Channel
	Span    Span
}

const hourUS = greywatt.Instant(3600e6)

// Push takes the next frames, in time order.
func (v *Coverage) Push(frames []greywatt.Frame) {
	for i := range frames {
		f := &frames[i]
		if v.first == 0 {
			v.first, v.hour = f.At, f.At-f.At%hourUS
			for c := range v.lastOf {
				v.lastOf[c] = f.At
			}
		}
		v.last = f.At
		if h := f.At - f.At%hourUS; h != v.hour {
			v.closeHour()
			v.hour = h
		}
		for c, x := range f.Value {
			if math.IsNaN(x) {
				continue
			}
			v.readings++
			v.have[c] = true
			if ch := greywatt.Channel(c); !ch.Optional() && f.At-v.lastOf[c] > hourUS {
				v.gaps = append(v.gaps, Gap{ch, Span{v.lastOf[c], f.At}})
			}
			v.lastOf[c] = f.At
		}
	}
}

func (v *Coverage) closeHour() {
	all := true
	for c, have := range v.have {
		all = all && (have || greywatt.Channel(c).Optional())
	}
	if all {
		v.hours++
	}
	v.have = [greywatt.NumChannels]bool{}
}

// Completeness is what [Coverage] has counted.
type Completeness struct {
	Span     Span
	Readings int64
	Share    float64 // of the hours of the span, those with every needed channel; NaN without readings
	Gaps     []Gap   // longer than an hour, in the order in which they ended
}

// Result returns the count so far.
func (v *Coverage) Result() Completeness {
	c := Completeness{Span: Span{v.first, v.last}, Readings: v.readings, Gaps: v.gaps, Share: math.NaN()}
	if v.first == 0 {
		return c
	}
	for ch, at := range v.lastOf {
		if k := greywatt.Channel(ch); !k.Optional() && v.last-at > hourUS {
			c.Gaps = append(c.Gaps, Gap{k, Span{at, v.last}})
		}
	}
	w := *v
	w.closeHour()
	c.Share = float64(w.hours) / float64((v.last-v.last%hourUS-(v.first-v.first%hourUS))/hourUS+1)
	return c
}
