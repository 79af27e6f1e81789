package health

import (
	"cmp"
	"maps"
	"slices"

	"greywatt"
	"greywatt/analysis/wire"
)

// AtRest reports whether no water runs, so that what is carried over is little.
func (w *Reducer) AtRest() bool { return !w.meter.peak }

// Carry writes, at rest, what the next frames need to be reduced as they would be
// if the reducer went on, and nothing else. Reducers that began at different times
// come to write the same: see forgetNodeS. Take the part before.
func (w *Reducer) Carry(o *wire.Writer) {
	o.Bool(w.begun)
	if !w.begun {
		return
	}
	o.At(w.newest)
	o.Bool(w.still)
	o.Int(int64(w.lastDraw))
	names := slices.SortedFunc(maps.Keys(w.senders), cmp.Compare[string])
	o.Count(len(names))
	for _, name := range names {
		n := w.senders[name]
		o.String(name)
		o.At(n.last)
		o.Bool(n.awake)
		o.Float(n.drawS)
		o.Float(n.restS)
	}
	for c := range w.tally {
		t := &w.tally[c]
		o.Bool(t.at != 0)
		if t.at == 0 {
			continue
		}
		o.At(t.at)
		place := 0
		if n := w.source[c]; n != nil {
			place = 1 + slices.Index(names, n.name)
		}
		o.Count(place)
		for _, v := range t.numbers() {
			o.Float(*v)
		}
		o.Count(t.n)
		o.Count(t.railed)
		o.Count(t.steps)
		o.Float(w.noise[c])
		r := &w.run[c]
		o.Bool(r.known)
		o.Bool(r.empty)
		r.pack(o)
	}
	m := &w.meter
	o.Bool(m.at != 0)
	if m.at != 0 {
		o.At(m.at)
		for _, v := range []float64{m.lMin, m.volumeL, m.spanS} {
			o.Float(v)
		}
		o.Bool(m.drew)
		o.Count(int(m.count))
		end := m.end
		if w.newest.Sub(end) > idleStartS && !m.drew {
			end = 0
		}
		o.Int(int64(end))
	}
	o.Float(m.baseLMin)
	o.Int(int64(w.night.from))
	o.Count(len(w.night.slots))
	for i := range w.night.slots {
		s := &w.night.slots[i]
		o.At(s.to)
		o.Float(s.lMin)
		for p := range s.n {
			if o.Count(s.n[p]); s.n[p] > 0 {
				o.Float(s.sum[p])
			}
		}
	}
	d := &w.today
	o.At(d.from)
	o.Count(d.quiet)
	o.Count(d.flowing)
	o.Float(d.sum)
	o.Float(d.sum2)
	for _, of := range [][]float64{d.slots, d.still} {
		o.Count(len(of))
		for _, v := range of {
			o.Float(v)
		}
	}
}

func (t *tally) numbers() []*float64 {
	return []*float64{&t.sum, &t.lo, &t.hi, &t.rail, &t.before, &t.latest, &t.prev, &t.step, &t.bend2, &t.quantum}
}

// Resume makes a new reducer go on from what another carried over. On an error of r
// it is of no use.
func (w *Reducer) Resume(r *wire.Reader) {
	if w.begun = r.Bool(); !w.begun {
		return
	}
	w.newest = r.At()
	w.describe(w.newest)
	w.slotEnd = w.newest - w.newest%slotUS + slotUS
	w.still = r.Bool()
	w.lastDraw = greywatt.Instant(r.Int())
	var senders []*sender
	for range r.Count(19) {
		n := w.senderOf(r.String())
		n.last, n.awake, n.drawS, n.restS = r.At(), r.Bool(), r.Float(), r.Float()
		senders = append(senders, n)
	}
	for c := range w.tally {
		if !r.Bool() {
			w.tally[c].empty()
			continue
		}
		t := &w.tally[c]
		t.at = r.At()
		if place := r.Index(len(senders) + 1); place > 0 {
			w.source[c] = senders[place-1]
		}
		for _, v := range t.numbers() {
			*v = r.Float()
		}
		t.n, t.railed, t.steps = r.Count(0), r.Count(0), r.Count(0)
		w.noise[c] = r.Float()
		run := &w.run[c]
		run.known, run.empty = r.Bool(), r.Bool()
		run.unpack(r)
	}
	m := &w.meter
	if r.Bool() {
		m.at = r.At()
		for _, v := range []*float64{&m.lMin, &m.volumeL, &m.spanS} {
			*v = r.Float()
		}
		m.drew, m.count, m.end = r.Bool(), uint(r.Count(0)), greywatt.Instant(r.Int())
	}
	m.baseLMin = r.Float()
	w.night.from, w.night.lastDraw = greywatt.Instant(r.Int()), w.lastDraw
	for range r.Count(14) {
		s := nightSlot{to: r.At(), lMin: r.Float()}
		for p := range s.n {
			if s.n[p] = r.Count(0); s.n[p] > 0 {
				s.sum[p] = r.Float()
			}
		}
		w.night.slots = append(w.night.slots, s)
	}
	if len(w.night.slots) > lastSlots {
		r.Fail()
	}
	d := &w.today
	d.from, d.quiet, d.flowing, d.sum, d.sum2 = r.At(), r.Count(0), r.Count(0), r.Float(), r.Float()
	for _, of := range []*[]float64{&d.slots, &d.still} {
		for range r.Count(8) {
			*of = append(*of, r.Float())
		}
	}
}
