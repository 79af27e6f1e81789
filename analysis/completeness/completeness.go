package completeness

import (
	"math"

	"greywatt"
	"greywatt/analysis/event"
)

// Result is what a [Counter] has counted.
type Result struct {
	Span     event.Span
	Readings int64
	Share    float64      // of the hours of the span, those with every needed channel; NaN without readings
	Gaps     []Gap        // longer than an hour, in the order in which they ended, and of their channels
	Complete []event.Span // runs of hours with every needed channel; To is the end of the last
	leftOut  []event.Span // whole hours, ascending and apart; see Without
}

// ShareOf returns the share of a stretch of time, to excluded, that lies in
// complete hours; NaN for a stretch without length. Unlike Share it counts what
// comes before the first reading and after the last as missing.
func (c *Result) ShareOf(from, to greywatt.Instant) float64 {
	complete, counted := c.TimeOf(from, to)
	return complete / counted
}

// TimeOf returns how much of a stretch of time, to excluded, lies in complete hours,
// and how much of it is not left out, both in s; zeros for a stretch without length.
func (c *Result) TimeOf(from, to greywatt.Instant) (complete, counted float64) {
	if to <= from {
		return 0, 0
	}
	return common(c.Complete, from, to).Sub(0), (to - common(c.leftOut, from, to)).Sub(from)
}

// CoveredOf returns the share of a stretch of time, to excluded, whose readings are
// analysed: it lies in complete hours, and in no period left out. NaN for a stretch
// without length.
func (c *Result) CoveredOf(from, to greywatt.Instant) float64 {
	if to <= from {
		return math.NaN()
	}
	return float64(common(c.Complete, from, to)) / float64(to-from)
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
