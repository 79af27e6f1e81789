package health

import (
	"cmp"
	"math"
	"slices"

	"greywatt"
	"greywatt/analysis/wire"
)

// A Part is what the frames of one stretch show, for [Watch.Add] to add up. Parts
// in time order give the same sum wherever the frames were cut.
type Part struct {
	first, last greywatt.Instant // of its frames; first is 0 where it has none
	outOfOrder  int
	active      int // slots with any reading
	nodes       []nodePart
	channels    [greywatt.NumChannels]channelPart
	lastDraw    greywatt.Instant // 0: none in it
	mains       []float64        // °C, of the slots with a draw
	nights      []night
	days        []flowDay
}

// nodePart is what one node sent in the part.
type nodePart struct {
	name         string
	first, last  greywatt.Instant
	silences     []span // of half a day and more
	frames       int
	gaps         int
	gapUS        greywatt.Instant
	starts, late int
	drawS, restS float64 // as known at its end; 0: not
}

type span struct{ from, to greywatt.Instant }

// channelPart is one channel in the part. What counts slots counts those of the
// part.
type channelPart struct {
	first       greywatt.Instant // latest reading of the first slot with any; 0: none
	firstActive int
	seen        greywatt.Instant // latest reading
	seenActive  int
	node        string // whose it was; empty where it is not used any more
	gaps        []gap  // after first
	readings    int

	shown, unmoved, still, stillUnmoved int // see channelTotals

	runs   []stuckRun // see Reducer.emit
	open   stuckRun   // at the end, where it would count
	noise  counts
	quanta counts
}

// gap is a long silence of a channel that a node sent before.
type gap struct {
	from, to greywatt.Instant
	node     string
}

func (p *Part) empty() bool { return p.first == 0 && p.active == 0 && p.outOfOrder == 0 }

// node returns the part of a node, nil where it sent nothing.
func (p *Part) node(name string) *nodePart {
	i := slices.IndexFunc(p.nodes, func(n nodePart) bool { return n.name == name })
	if i < 0 {
		return nil
	}
	return &p.nodes[i]
}

// counts say how often each value came, ascending. They add up to the same
// whatever the order.
type counts []count

type count struct {
	v float64
	n int
}

func (h *counts) add(v float64) { h.addN(v, 1) }

func (h *counts) addN(v float64, n int) {
	i, ok := slices.BinarySearchFunc(*h, v, func(c count, v float64) int { return cmp.Compare(c.v, v) })
	if ok {
		(*h)[i].n += n
		return
	}
	*h = slices.Insert(*h, i, count{v, n})
}

func (h *counts) addAll(of counts) {
	for _, c := range of {
		h.addN(c.v, c.n)
	}
}

// median returns the middle value, NaN where there is none.
func (h counts) median() float64 {
	return median(len(h), func(i int) (float64, int) { return h[i].v, h[i].n })
}

// median returns the middle one of values that come in ascending order, each so many
// times; NaN where there is none.
func median(n int, of func(i int) (v float64, times int)) float64 {
	all := 0
	for i := range n {
		_, times := of(i)
		all += times
	}
	if all == 0 {
		return math.NaN()
	}
	at := func(k int) float64 {
		for i := range n {
			v, times := of(i)
			if k -= times; k < 0 {
				return v
			}
		}
		return math.NaN()
	}
	return (at((all-1)/2) + at(all/2)) / 2
}

// A noises is the counts of a record's noises, coarse ones, in half their memory: a
// dwelling has thousands. Each has above noiseShift what coarse leaves of the value,
// which sorts as the value does, and below how often it came.
type noises []uint64

const noiseShift = 52 - 8

func (h *noises) addAll(of counts) {
	if len(of) == 0 {
		return
	}
	grown := make(noises, 0, len(*h)+len(of))
	old := *h
	for _, c := range of {
		code := math.Float64bits(coarse(c.v)) >> noiseShift
		for len(old) > 0 && old[0]>>noiseShift < code {
			grown, old = append(grown, old[0]), old[1:]
		}
		if len(old) > 0 && old[0]>>noiseShift == code {
			grown, old = append(grown, old[0]+uint64(c.n)), old[1:]
		} else {
			grown = append(grown, code<<noiseShift|uint64(c.n))
		}
	}
	if grown = append(grown, old...); len(grown) < cap(grown)*7/8 {
		grown = slices.Clone(grown)
	}
	*h = grown
}

func (h noises) median() float64 {
	return median(len(h), func(i int) (float64, int) {
		return math.Float64frombits(h[i] >> noiseShift << noiseShift), int(h[i] & (1<<noiseShift - 1))
	})
}

// coarse returns a noise in steps of a four-hundredth of it and less.
func coarse(v float64) float64 {
	return math.Float64frombits((math.Float64bits(v) + 1<<(noiseShift-1)) >> noiseShift << noiseShift)
}

// step returns the step of an output to ten millionths; those that are finer than
// what counts as one are alike.
func step(v float64) float64 {
	if v < minQuantum {
		return 0
	}
	return math.Round(v*1e7) / 1e7
}

// Pack writes the part.
func (p *Part) Pack(w *wire.Writer) {
	w.Int(int64(p.first))
	w.At(p.last)
	w.Count(p.outOfOrder)
	w.Count(p.active)
	w.Count(len(p.nodes))
	for i := range p.nodes {
		n := &p.nodes[i]
		w.String(n.name)
		w.At(n.first)
		w.At(n.last)
		w.Count(len(n.silences))
		for _, s := range n.silences {
			w.At(s.from)
			w.At(s.to)
		}
		for _, v := range []int{n.frames, n.gaps, n.starts, n.late} {
			w.Count(v)
		}
		w.Int(int64(n.gapUS))
		w.Float(n.drawS)
		w.Float(n.restS)
	}
	for c := range p.channels {
		p.channels[c].pack(w)
	}
	w.Int(int64(p.lastDraw))
	w.Count(len(p.mains))
	for _, c := range p.mains {
		w.Float(c)
	}
	w.Count(len(p.nights))
	for i := range p.nights {
		n := &p.nights[i]
		w.At(n.from)
		w.At(n.to)
		w.Int(int64(n.lastDraw))
		w.Count(n.draws)
		w.Float(n.lMin)
		for k := range n.c {
			w.Count(n.n[k])
			if n.n[k] > 0 {
				w.Float(n.c[k])
				w.Float(n.dC[k])
			}
		}
	}
	w.Count(len(p.days))
	for i := range p.days {
		d := &p.days[i]
		w.At(d.from)
		w.Count(d.quiet)
		w.Count(d.flowing)
		w.Float(d.sum)
		w.Float(d.sum2)
		w.Float(d.median)
	}
}

// Unpack reads a part that Pack wrote. On an error of r it is of no use.
func (p *Part) Unpack(r *wire.Reader) {
	p.first, p.last = greywatt.Instant(r.Int()), r.At()
	p.outOfOrder, p.active = r.Count(0), r.Count(0)
	for range r.Count(26) {
		n := nodePart{name: r.String(), first: r.At(), last: r.At()}
		for range r.Count(2) {
			n.silences = append(n.silences, span{r.At(), r.At()})
		}
		for _, v := range []*int{&n.frames, &n.gaps, &n.starts, &n.late} {
			*v = r.Count(0)
		}
		n.gapUS, n.drawS, n.restS = greywatt.Instant(r.Int()), r.Float(), r.Float()
		p.nodes = append(p.nodes, n)
	}
	for c := range p.channels {
		p.channels[c].unpack(r)
	}
	p.lastDraw = greywatt.Instant(r.Int())
	for range r.Count(8) {
		p.mains = append(p.mains, r.Float())
	}
	for range r.Count(17) {
		n := night{from: r.At(), to: r.At(), lastDraw: greywatt.Instant(r.Int()), draws: r.Count(0), mainsC: math.NaN(), lMin: r.Float()}
		if n.draws > len(p.mains) {
			r.Fail()
		}
		for k := range n.c {
			n.c[k] = math.NaN()
			if n.n[k] = r.Count(0); n.n[k] > 0 {
				n.c[k], n.dC[k] = r.Float(), r.Float()
			}
		}
		p.nights = append(p.nights, n)
	}
	if !slices.IsSortedFunc(p.nights, func(a, b night) int { return cmp.Compare(a.draws, b.draws) }) {
		r.Fail()
	}
	for range r.Count(27) {
		p.days = append(p.days, flowDay{from: r.At(), quiet: r.Count(0), flowing: r.Count(0), sum: r.Float(), sum2: r.Float(), median: r.Float()})
	}
}

func (k *channelPart) pack(w *wire.Writer) {
	w.Bool(k.first != 0)
	if k.first != 0 {
		w.At(k.first)
		w.At(k.seen)
		w.Count(k.firstActive)
		w.Count(k.seenActive)
		w.String(k.node)
	}
	w.Count(len(k.gaps))
	for _, g := range k.gaps {
		w.At(g.from)
		w.At(g.to)
		w.String(g.node)
	}
	for _, v := range []int{k.readings, k.shown, k.unmoved, k.still, k.stillUnmoved} {
		w.Count(v)
	}
	w.Count(len(k.runs))
	for i := range k.runs {
		k.runs[i].pack(w)
	}
	k.open.pack(w)
	k.noise.pack(w)
	k.quanta.pack(w)
}

func (k *channelPart) unpack(r *wire.Reader) {
	if r.Bool() {
		k.first, k.seen, k.firstActive, k.seenActive, k.node = r.At(), r.At(), r.Count(0), r.Count(0), r.String()
	}
	for range r.Count(3) {
		k.gaps = append(k.gaps, gap{r.At(), r.At(), r.String()})
	}
	for _, v := range []*int{&k.readings, &k.shown, &k.unmoved, &k.still, &k.stillUnmoved} {
		*v = r.Count(0)
	}
	for range r.Count(1) {
		var run stuckRun
		run.unpack(r)
		k.runs = append(k.runs, run)
	}
	k.open.unpack(r)
	k.noise.unpack(r)
	k.quanta.unpack(r)
}

func (s *stuckRun) pack(w *wire.Writer) {
	var is byte
	for i, v := range []bool{s.begun, s.railed, s.linked, s.shown > 0, s.still > 0} {
		if v {
			is |= 1 << i
		}
	}
	w.Byte(is)
	if !s.begun {
		return
	}
	w.Int(int64(s.from))
	w.Int(int64(s.to))
	w.Float(s.lo)
	w.Float(s.hi)
	if s.shown > 0 {
		w.Count(s.shown)
		w.Int(int64(s.first))
		w.Int(int64(s.last))
	}
	if s.still > 0 {
		w.Count(s.still)
		for p := range members {
			w.Float(s.otherLo[p])
			w.Float(s.otherHi[p])
		}
	}
}

func (s *stuckRun) unpack(r *wire.Reader) {
	is := r.Byte()
	if is&1 == 0 {
		return
	}
	*s = newRun(is&2 != 0, is&4 != 0)
	s.from, s.to, s.lo, s.hi = greywatt.Instant(r.Int()), greywatt.Instant(r.Int()), r.Float(), r.Float()
	if is&8 != 0 {
		s.shown, s.first, s.last = r.Count(0), greywatt.Instant(r.Int()), greywatt.Instant(r.Int())
	}
	if is&16 != 0 {
		s.still = r.Count(0)
		for p := range members {
			s.otherLo[p], s.otherHi[p] = r.Float(), r.Float()
		}
	}
}

func (h counts) pack(w *wire.Writer) {
	w.Count(len(h))
	for _, c := range h {
		w.Float(c.v)
		w.Count(c.n)
	}
}

func (h *counts) unpack(r *wire.Reader) {
	n := r.Count(9)
	if n > 0 {
		*h = make(counts, 0, n)
	}
	for range n {
		*h = append(*h, count{r.Float(), r.Count(0)})
	}
}
