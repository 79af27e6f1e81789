package completeness

import (
	"greywatt/analysis/event"
	"math"
	"slices"

	"greywatt"
)

// Counter counts how much of the time a dwelling has readings.
type Counter struct {
	first, last greywatt.Instant
	hours       int // hours of the clock (UTC) with all needed channels
	hour        greywatt.Instant
	have        [greywatt.NumChannels]bool
	readings    int64
	lastOf      [greywatt.NumChannels]greywatt.Instant
	gaps        []Gap
	complete    []event.Span // runs of such hours
}

// A Gap is a stretch of more than an hour without readings of a needed channel.
type Gap struct {
	Channel greywatt.Channel
	Span    event.Span
}

const hourUS = greywatt.Instant(3600e6)

// Push takes the next frames, in time order.
func (v *Counter) Push(frames []greywatt.Frame) {
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
				v.gaps = append(v.gaps, Gap{ch, event.Span{From: v.lastOf[c], To: f.At}})
			}
			v.lastOf[c] = f.At
		}
	}
}

func (v *Counter) closeHour() {
	all := true
	for c, have := range v.have {
		all = all && (have || greywatt.Channel(c).Optional())
	}
	if all {
		v.hours++
		if n := len(v.complete); n > 0 && v.complete[n-1].To == v.hour {
			v.complete[n-1].To += hourUS
		} else {
			v.complete = append(v.complete, event.Span{From: v.hour, To: v.hour + hourUS})
		}
	}
	v.have = [greywatt.NumChannels]bool{}
}

// Result is what [Coverage] has counted.
type Result struct {
	Span     event.Span
	Readings int64
	Share    float64      // of the hours of the span, those with every needed channel; NaN without readings
	Gaps     []Gap        // longer than an hour, in the order in which they ended
	Complete []event.Span // runs of hours with every needed channel; To is the end of the last
	leftOut  []event.Span // whole hours, ascending and apart; see Without
}

// ShareOf returns the share of a stretch of time, to excluded, that lies in
// complete hours; NaN for a stretch without length. Unlike Share it counts what
// comes before the first reading and after the last as missing.
func (c *Result) ShareOf(from, to greywatt.Instant) float64 {
	have, of := common(c.Complete, from, to), to-from-common(c.leftOut, from, to)
	if to <= from || of <= 0 {
		return math.NaN()
	}
	return float64(have) / float64(of)
}

// common returns how much of a stretch of time lies in the spans, which are apart.
func common(spans []event.Span, from, to greywatt.Instant) (d greywatt.Instant) {
	for _, s := range spans {
		d += max(0, min(s.To, to)-max(s.From, from))
	}
	return d
}

// without returns what of the spans lies in none of the others, which are ascending
// and apart.
func without(spans, others []event.Span) (out []event.Span) {
	for _, s := range spans {
		for _, o := range others {
			if o.To <= s.From || o.From >= s.To {
				continue
			}
			if o.From > s.From {
				out = append(out, event.Span{From: s.From, To: o.From})
			}
			s.From = o.To
			if s.From >= s.To {
				break
			}
		}
		if s.From < s.To {
			out = append(out, s)
		}
	}
	return out
}

// Without returns the count with periods taken out of it, by their beginnings: each
// hour that shares an instant with one counts neither as complete nor as silent, and
// a gap is what of it lies in no period, where that is longer than an hour.
func (c Result) Without(periods []greywatt.LeftOut) Result {
	if len(periods) == 0 || c.Span.From == 0 {
		return c
	}
	begin, end := c.Span.From-c.Span.From%hourUS, c.Span.To-c.Span.To%hourUS+hourUS
	var out, exact []event.Span
	add := func(to *[]event.Span, s event.Span) {
		if n := len(*to); n > 0 && s.From <= (*to)[n-1].To {
			(*to)[n-1].To = max((*to)[n-1].To, s.To)
		} else if s.From < s.To {
			*to = append(*to, s)
		}
	}
	for _, p := range periods {
		from, to := max(p.From, begin), min(p.To, end)
		if from >= to {
			continue
		}
		add(&exact, event.Span{From: from, To: to})
		add(&out, event.Span{From: from - from%hourUS, To: to - 1 - (to-1)%hourUS + hourUS})
	}
	c.leftOut = out
	c.Complete = without(c.Complete, out)
	var gaps []Gap
	for _, g := range c.Gaps {
		for _, s := range without([]event.Span{g.Span}, exact) {
			if s.To-s.From > hourUS {
				gaps = append(gaps, Gap{g.Channel, s})
			}
		}
	}
	c.Gaps = gaps
	c.Share = c.ShareOf(begin, end)
	return c
}

// Result returns the count so far.
func (v *Counter) Result() Result {
	c := Result{Span: event.Span{From: v.first, To: v.last}, Readings: v.readings, Gaps: slices.Clone(v.gaps), Share: math.NaN()}
	if v.first == 0 {
		return c
	}
	for ch, at := range v.lastOf {
		if k := greywatt.Channel(ch); !k.Optional() && v.last-at > hourUS {
			c.Gaps = append(c.Gaps, Gap{k, event.Span{From: at, To: v.last}})
		}
	}
	w := *v
	w.complete = slices.Clone(v.complete)
	w.closeHour()
	c.Complete = w.complete
	c.Share = float64(w.hours) / float64((v.last-v.last%hourUS-(v.first-v.first%hourUS))/hourUS+1)
	return c
}
