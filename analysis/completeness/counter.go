package completeness

import (
	"cmp"
	"math"
	"slices"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/wire"
)

// Counter counts how much of the time a dwelling has readings. The zero value has
// counted none.
type Counter struct{ part Part }

// A Part is what one stretch of frames counts for; a [Sum] of parts in time order
// is the count of them all, wherever they were cut.
type Part struct {
	first, last greywatt.Instant
	readings    int64
	of          [greywatt.NumChannels]seen
	gaps        []Gap        // within the stretch
	begin, end  hour         // of the first frame and of the last; begin.at is 0 while they are the same
	complete    []event.Span // runs of hours between them with all needed channels
}

// seen are the first and last reading of a channel; 0: none.
type seen struct{ first, last greywatt.Instant }

// An hour of the clock (UTC) has readings of some channels.
type hour struct {
	at   greywatt.Instant
	have [greywatt.NumChannels]bool
}

// A Gap is a stretch of more than an hour without readings of a needed channel.
type Gap struct {
	Channel greywatt.Channel
	Span    event.Span
}

const hourUS = greywatt.Instant(3600e6)

func hourOf(at greywatt.Instant) greywatt.Instant { return at - at%hourUS }

// Push takes the next frames, in time order.
func (v *Counter) Push(frames []greywatt.Frame) {
	p := &v.part
	for i := range frames {
		f := &frames[i]
		if p.first == 0 {
			p.first, p.end.at = f.At, hourOf(f.At)
		}
		p.last = f.At
		if f.At-p.end.at >= hourUS || f.At < p.end.at {
			p.turn(hourOf(f.At))
		}
		for c, x := range f.Value {
			if math.IsNaN(x) {
				continue
			}
			p.readings++
			p.end.have[c] = true
			s := &p.of[c]
			if s.first == 0 {
				s.first = f.At
			} else if f.At-s.last > hourUS && !greywatt.Channel(c).Optional() {
				p.gaps = append(p.gaps, Gap{greywatt.Channel(c), event.Span{From: s.last, To: f.At}})
			}
			s.last = f.At
		}
	}
}

// turn ends the last hour and begins the one of at.
func (p *Part) turn(at greywatt.Instant) {
	if p.begin.at == 0 {
		p.begin = p.end
	} else {
		p.complete = p.end.close(p.complete)
	}
	p.end = hour{at: at}
}

// close adds an hour that is over to runs of hours with all needed channels, where
// it has them.
func (h *hour) close(runs []event.Span) []event.Span {
	for c, have := range h.have {
		if !have && !greywatt.Channel(c).Optional() {
			return runs
		}
	}
	return join(runs, event.Span{From: h.at, To: h.at + hourUS})
}

// join adds a run to others before it.
func join(runs []event.Span, s event.Span) []event.Span {
	if n := len(runs); n > 0 && runs[n-1].To == s.From {
		runs[n-1].To = s.To
		return runs
	}
	return append(runs, s)
}

// Take returns what was counted since it was last called.
func (v *Counter) Take() Part {
	p := v.part
	v.part = Part{}
	return p
}

// Result returns the count since the last Take.
func (v *Counter) Result() Result {
	var s Sum
	s.Add(&v.part)
	return s.Result()
}

// First returns the instant of the part's first frame; 0 where it has none.
func (p *Part) First() greywatt.Instant { return p.first }

// A Sum adds parts up. The zero value has none.
type Sum struct {
	first, last greywatt.Instant
	readings    int64
	lastOf      [greywatt.NumChannels]greywatt.Instant
	gaps        []Gap
	open        hour
	complete    []event.Span
}

// Add adds the next part in time order.
func (s *Sum) Add(p *Part) {
	if p.first == 0 {
		return
	}
	if s.first == 0 {
		s.first = p.first
		for c := range s.lastOf {
			s.lastOf[c] = p.first
		}
	}
	s.last = p.last
	s.readings += p.readings
	for c, of := range p.of {
		if of.first == 0 {
			continue
		}
		if ch := greywatt.Channel(c); !ch.Optional() && of.first-s.lastOf[c] > hourUS {
			s.gaps = append(s.gaps, Gap{ch, event.Span{From: s.lastOf[c], To: of.first}})
		}
		s.lastOf[c] = of.last
	}
	s.gaps = append(s.gaps, p.gaps...)
	if p.begin.at != 0 {
		s.enter(&p.begin)
		for _, run := range p.complete {
			s.flush()
			s.complete = join(s.complete, run)
		}
	}
	s.enter(&p.end)
}

// enter takes in what is known of an hour, the open one or a later.
func (s *Sum) enter(h *hour) {
	if h.at != s.open.at {
		s.flush()
		s.open.at = h.at
	}
	for c, have := range h.have {
		s.open.have[c] = s.open.have[c] || have
	}
}

func (s *Sum) flush() {
	if s.open.at != 0 {
		s.complete = s.open.close(s.complete)
	}
	s.open = hour{}
}

// Result returns the count so far.
func (s *Sum) Result() Result {
	c := Result{Span: event.Span{From: s.first, To: s.last}, Readings: s.readings, Share: math.NaN()}
	if s.first == 0 {
		return c
	}
	c.Gaps = slices.Clone(s.gaps)
	for ch, at := range s.lastOf {
		if k := greywatt.Channel(ch); !k.Optional() && s.last-at > hourUS {
			c.Gaps = append(c.Gaps, Gap{k, event.Span{From: at, To: s.last}})
		}
	}
	slices.SortStableFunc(c.Gaps, func(a, b Gap) int {
		return cmp.Or(cmp.Compare(a.Span.To, b.Span.To), cmp.Compare(a.Channel, b.Channel))
	})
	c.Complete = s.open.close(slices.Clone(s.complete))
	have := 0
	for _, run := range c.Complete {
		have += int((run.To - run.From) / hourUS)
	}
	c.Share = float64(have) / float64((hourOf(s.last)-hourOf(s.first))/hourUS+1)
	return c
}

// Pack writes the part.
func (p *Part) Pack(w *wire.Writer) {
	w.Bool(p.first != 0)
	if p.first == 0 {
		return
	}
	w.At(p.first)
	w.At(p.last)
	w.Int(p.readings)
	for c := range p.of {
		w.Bool(p.of[c].first != 0)
		if p.of[c].first != 0 {
			w.At(p.of[c].first)
			w.At(p.of[c].last)
		}
	}
	w.Count(len(p.gaps))
	for _, g := range p.gaps {
		w.Byte(byte(g.Channel))
		packSpan(w, g.Span)
	}
	for _, h := range []*hour{&p.begin, &p.end} {
		w.Int(int64(h.at / hourUS))
		for _, have := range h.have {
			w.Bool(have)
		}
	}
	w.Count(len(p.complete))
	for _, s := range p.complete {
		packSpan(w, s)
	}
}

// Unpack reads a part that Pack wrote. On an error of r it is of no use.
func (p *Part) Unpack(r *wire.Reader) {
	if !r.Bool() {
		return
	}
	p.first, p.last, p.readings = r.At(), r.At(), r.Int()
	for c := range p.of {
		if r.Bool() {
			p.of[c] = seen{r.At(), r.At()}
		}
	}
	for range r.Count(3) {
		g := Gap{greywatt.Channel(r.Byte()), unpackSpan(r)}
		if g.Channel >= greywatt.NumChannels {
			r.Fail()
		}
		p.gaps = append(p.gaps, g)
	}
	for _, h := range []*hour{&p.begin, &p.end} {
		h.at = greywatt.Instant(r.Int()) * hourUS
		for c := range h.have {
			h.have[c] = r.Bool()
		}
	}
	for range r.Count(2) {
		p.complete = append(p.complete, unpackSpan(r))
	}
}

func packSpan(w *wire.Writer, s event.Span) {
	w.At(s.From)
	w.At(s.To)
}

func unpackSpan(r *wire.Reader) event.Span { return event.Span{From: r.At(), To: r.At()} }
