package kept

import (
	"encoding/binary"
	"fmt"

	"greywatt"
	"greywatt/analysis"
)

// The analysis of a period begins two days before it, as if there was nothing before,
// and is cut at its bounds. So what is kept holds from the first cut in the period at
// which the state is that in which a kept stretch begins, to the last one; the days
// before and behind are worked out each time. What is worked out between is kept.

// periodKinds is how many periods' findings are kept at most.
const periodKinds = 8

// periodKind is under which name a period's findings are kept.
func periodKind(p analysis.Period) string {
	b := binary.BigEndian.AppendUint64(nil, uint64(p.From))
	of := HashOf(binary.BigEndian.AppendUint64(b, uint64(p.To)))
	return fmt.Sprint("period ", of[0]%periodKinds)
}

func (w *walk) ofPeriod() bool { return w.period != (analysis.Period{}) }

// start is where the walk begins.
func (w *walk) start() greywatt.Instant {
	from, _ := w.period.Around()
	return from
}

// enter goes to where the period begins. had is what is kept of it.
func (w *walk) enter(had []Piece) error {
	if !w.ofPeriod() {
		return nil
	}
	for _, p := range had {
		p.Stretch = nil
		w.had = append(w.had, p)
	}
	if w.at = w.start(); w.period.From == 0 {
		return nil
	}
	return w.workEdge(w.hasher(), w.at, w.period.From)
}

// leave goes from at, to where a stretch has come that began where the walk stands, to
// the end of the period, and on to where the last events of it are over. h has the
// frames of that stretch so far.
func (w *walk) leave(at greywatt.Instant, h *hasher) error {
	if err := w.workEdge(h, at, w.period.To); err != nil {
		return err
	}
	_, end := w.period.Around()
	if err := w.push(w.course, w.at, end, w.hasher()); err != nil {
		return err
	}
	w.course.Close()
	return w.putEdge(w.hashes, end)
}

// workEdge works out what lies before a bound of the period.
func (w *walk) workEdge(h *hasher, from, bound greywatt.Instant) error {
	if err := w.push(w.course, from, bound, h); err != nil {
		return err
	}
	return w.putEdge(h, bound)
}

// putEdge puts what lies before a bound on the chain, though it is not kept: it may
// not end at rest.
func (w *walk) putEdge(h *hasher, bound greywatt.Instant) error {
	p := Piece{From: w.at, To: bound, Begins: w.state, Settings: settings(w.d, w.at, bound), Frames: h.sum()}
	if h.damaged {
		w.at, w.state = p.To, p.Ends
	} else {
		w.advance(&p, w.course)
	}
	return w.give(got{stretch: w.course.Take()})
}

// keepable reports whether a piece that was worked out is to be kept: of a period, one
// that takes no place but that of a piece in whose state it begins.
func (w *walk) keepable(p *Piece) bool {
	if !w.ofPeriod() {
		return true
	}
	if p.Begins == (Hash{}) {
		return false // from the period's beginning, not from a rest
	}
	var beside []Piece
	for _, k := range w.had {
		switch {
		case k.To <= p.From || k.From >= p.To:
			beside = append(beside, k)
		case k.From != p.From || k.Begins != p.Begins:
			return false
		}
	}
	w.had = beside
	return true
}
