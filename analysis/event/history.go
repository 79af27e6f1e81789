package event

import (
	"encoding/binary"
	"iter"
	"math"
	"math/bits"
	"slices"
	"sort"

	"greywatt"
	"greywatt/analysis/uncert"
)

// A History holds the events of one dwelling, in time order, without their
// budgets, in a tenth of the memory: what is not known takes none. It gives them
// back one by one, each as it was to the last bit. One with Contributions has those
// of the budgets too, see [Analyser.KeepContributions], and takes some three times as much.
//
// The zero value is empty. A copy of a History is what it held at that moment
// and stays so while the original takes in more. Copies may be read by several
// goroutines; only one of them may be added to, and by one goroutine.
type History struct {
	Contributions bool // to be set before the first event is added

	inputs      []string // table of the contributions
	dwelling    string
	at          []uint32 // where each event begins: its block and, in the low half, the place there
	full        [][]byte // blocks of some blockSize
	open        []byte   // the last block
	kinds       []Kind   // tables that events refer to
	connections []greywatt.Connection
	flags       []Flag
	clamps      [][]uncert.Row // see omitBudgets
}

// Add takes in events of one dwelling, none before the last. It panics where
// they are of another.
func (h *History) Add(events ...Event) {
	for i := range events {
		e := &events[i]
		if len(h.at) == 0 {
			h.dwelling = e.Dwelling
		}
		if e.Dwelling != h.dwelling {
			panic("event: events of two dwellings in one history")
		}
		h.put(e)
	}
}

// Len returns the number of events.
func (h *History) Len() int { return len(h.at) }

// blockSize is about that of a block, bytes; it is less than what the place in one
// can say. Blocks do not grow once they are full: one piece for all would be copied
// again and again, and have room that is not used.
const blockSize = 16 << 10

// of returns what is held from event i on.
func (h *History) of(i int) []byte {
	block, place := h.at[i]>>16, h.at[i]&0xffff
	if int(block) == len(h.full) {
		return h.open[place:]
	}
	return h.full[block][place:]
}

// All yields the events.
func (h *History) All() iter.Seq[*Event] {
	return func(yield func(*Event) bool) {
		for i := range h.at {
			if e := h.Event(i); !yield(&e) {
				return
			}
		}
	}
}

// Find returns the place of the event with the given id.
func (h *History) Find(id string) (i int, ok bool) {
	name := func(i int) string { return eventID(h.dwelling, instant(h.of(i))) }
	i = sort.Search(len(h.at), func(i int) bool { return name(i) >= id }) // they sort as their starts do
	return i, i < len(h.at) && name(i) == id
}

// All yields the events of a slice.
func All(events []Event) iter.Seq[*Event] {
	return func(yield func(*Event) bool) {
		for i := range events {
			if !yield(&events[i]) {
				return
			}
		}
	}
}

// put appends an event: when, kind, connection, clamps and flags by their places in
// the tables, numbers, and the parts, which say what Steady says.
func (h *History) put(e *Event) {
	b, begin := h.open, len(h.open)
	b = order.AppendUint64(b, uint64(e.Start))
	b = binary.AppendVarint(b, int64(e.End-e.Start))
	b = append(b, indexIn(&h.kinds, e.Kind), indexIn(&h.connections, e.Connection), h.putClamps(e.Budgets.UA.Rows), byte(len(e.Flags)))
	for _, f := range e.Flags {
		b = append(b, indexIn(&h.flags, f))
	}
	seen := e.seen()
	b = seen.put(b, e.numbers())
	b = binary.AppendUvarint(b, uint64(len(e.Parts)))
	for i := range e.Parts {
		p := &e.Parts[i]
		b = binary.AppendVarint(b, int64(p.Span.From-e.Start))
		b = binary.AppendVarint(b, int64(p.Span.To-p.Span.From))
		if p.Overlap {
			b = append(b, 1)
		} else {
			b = append(b, 0)
		}
		b = seen.put(b, p.numbers())
	}
	if h.Contributions {
		for _, of := range e.Budgets.summed() {
			b = h.putContributions(b, of.Rows)
		}
	}
	if begin > 0 && len(b) > blockSize {
		h.full = append(h.full, slices.Clone(b[:begin]))
		b, begin = slices.Clone(b[begin:]), 0
	}
	h.at = append(h.at, uint32(len(h.full))<<16|uint32(begin))
	h.open = b
}

// putContributions appends the rows' inputs, by their places in the table, and
// contributions.
func (h *History) putContributions(b []byte, rows []uncert.Row) []byte {
	b = append(b, byte(len(rows)))
	for _, r := range rows {
		b = append(b, indexIn(&h.inputs, r.Name))
		b = order.AppendUint64(b, math.Float64bits(r.Contribution))
	}
	return b
}

func (h *History) takeContributions(b []byte) (rows []uncert.Row, rest []byte) {
	n := int(b[0])
	b = b[1:]
	if n > 0 {
		rows = make([]uncert.Row, n)
	}
	for i := range rows {
		rows[i] = uncert.Row{Name: h.inputs[b[0]], Contribution: math.Float64frombits(order.Uint64(b[1:]))}
		b = b[9:]
	}
	return rows, b
}

// Event returns event i, from 0 to before Len.
func (h *History) Event(i int) Event {
	e := Event{Dwelling: h.dwelling}
	b := h.of(i)
	next := func() (v byte) {
		v, b = b[0], b[1:]
		return v
	}
	varint := func() greywatt.Instant {
		v, size := binary.Varint(b)
		b = b[size:]
		return greywatt.Instant(v)
	}
	e.Start = instant(b)
	b = b[8:]
	e.End = e.Start + varint()
	e.ID = eventID(e.Dwelling, e.Start)
	e.Kind, e.Connection = h.kinds[next()], h.connections[next()]
	if c := next(); c > 0 {
		e.Budgets.UA.Rows = h.clamps[c-1]
	}
	if n := next(); n > 0 {
		e.Flags = make([]Flag, n)
		for k := range e.Flags {
			e.Flags[k] = h.flags[next()]
		}
	}
	seen := e.seen()
	b = seen.take(b, e.numbers())
	n, size := binary.Uvarint(b)
	if b = b[size:]; n > 0 {
		e.Parts, e.Steady = make([]Part, n), make([]Span, n)
		for k := range e.Parts {
			p := &e.Parts[k]
			p.Span.From = e.Start + varint()
			p.Span.To = p.Span.From + varint()
			e.Steady[k] = p.Span
			p.Overlap = next() == 1
			b = seen.take(b, p.numbers())
		}
	}
	if h.Contributions {
		for _, of := range e.Budgets.summed() {
			of.Rows, b = h.takeContributions(b)
		}
	}
	return e
}

// numbers are all numbers of an event.
func (e *Event) numbers() []*float64 {
	return []*float64{
		&e.DurationS, &e.RunningS, &e.VolumeL,
		&e.FlowLMin, &e.WasteInC, &e.WasteOutC, &e.ColdInC, &e.PreheatOutC, &e.SteadyS,
		&e.HeatKWh, &e.HeatU95KWh, &e.HeatOwnU95KWh, &e.EffectivenessOwnU95, &e.RatioOwnU95,
		&e.Effectiveness, &e.EffectivenessU95, &e.Expected, &e.ExpectedU95, &e.Ratio, &e.RatioU95,
		&e.WasteFlowLMin, &e.Balance, &e.RoomC, &e.HeatRatio,
		&e.UARatio, &e.UARatioU95, &e.UARatioRandom, &e.UARatingLnU, &e.TemperatureFactor,
		&e.VolumeU95L, &e.HiddenS, &e.EventEffectiveness, &e.EventEffectivenessU95, &e.RestFlowLMin, &e.RestFlowULMin,
	}
}

// numbers are all numbers of a part.
func (p *Part) numbers() []*float64 {
	of := []*float64{&p.FlowLMin, &p.Transient, &p.transientU, &p.heatJ, &p.MeteredWasteLMin, &p.HeatRatio, &p.Effectiveness}
	for c := greywatt.WasteIn; c.IsPort(); c++ {
		of = append(of, p.PortC.Of(c), p.noiseU.Of(c), p.lagK.Of(c))
	}
	return of
}

var order = binary.LittleEndian

// A numbersSeen is the numbers of an event so far, to which those that follow may refer.
// Many are alike: of an event with one part the part's are the event's, and most draws
// run for the whole of their time.
type numbersSeen []uint64

const (
	seenBefore = 9   // instead of a size: the place of the number follows that it equals
	mostSeen   = 256 // numbers that may be referred to
)

// seen begins with the event's length, s.
func (e *Event) seen() numbersSeen {
	return append(make(numbersSeen, 0, 64), math.Float64bits(e.End.Sub(e.Start)))
}

func (s *numbersSeen) add(bits uint64) {
	if len(*s) < mostSeen {
		*s = append(*s, bits)
	}
}

// put appends which of the numbers are known, half a byte for each of those with its
// size, and of each as many leading bytes: the others are zero.
func (s *numbersSeen) put(b []byte, of []*float64) []byte {
	var known uint64
	n := 0
	for i, v := range of {
		if !math.IsNaN(*v) {
			known |= 1 << i
			n++
		}
	}
	for i := range (len(of) + 7) / 8 {
		b = append(b, byte(known>>(8*i)))
	}
	sizes := len(b)
	b = append(b, make([]byte, (n+1)/2)...)
	n = 0
	for i, v := range of {
		if known&(1<<i) == 0 {
			continue
		}
		number := math.Float64bits(*v)
		size := 8 - bits.TrailingZeros64(number)/8
		if k := slices.Index(*s, number); k >= 0 && size > 1 {
			size = seenBefore
			b = append(b, byte(k))
		} else {
			for k := range size {
				b = append(b, byte(number>>(56-8*k)))
			}
			s.add(number)
		}
		b[sizes+n/2] |= byte(size) << (n % 2 * 4)
		n++
	}
	return b
}

func (s *numbersSeen) take(b []byte, of []*float64) []byte {
	var known uint64
	for i := range (len(of) + 7) / 8 {
		known |= uint64(b[0]) << (8 * i)
		b = b[1:]
	}
	n := bits.OnesCount64(known)
	sizes := b
	b, n = b[(n+1)/2:], 0
	for i, v := range of {
		*v = math.NaN()
		if known&(1<<i) == 0 {
			continue
		}
		size := sizes[n/2] >> (n % 2 * 4) & 15
		n++
		if size == seenBefore {
			*v, b = math.Float64frombits((*s)[b[0]]), b[1:]
			continue
		}
		var number uint64
		for k := range size {
			number |= uint64(b[k]) << (56 - 8*k)
		}
		b = b[size:]
		s.add(number)
		*v = math.Float64frombits(number)
	}
	return b
}

func instant(b []byte) greywatt.Instant { return greywatt.Instant(order.Uint64(b)) }

// indexIn returns the place of v in a table, which gets it where it has not.
func indexIn[T comparable](table *[]T, v T) byte {
	i := slices.Index(*table, v)
	if i < 0 {
		i = len(*table)
		*table = append(*table, v)
	}
	return byte(i)
}

// putClamps returns 1 and the place of the clamps' uncertainties in their table;
// 0 where there are none. Past 255 sets, sensors declared anew each time, it
// goes on with the last.
func (h *History) putClamps(rows []uncert.Row) byte {
	if len(rows) == 0 {
		return 0
	}
	i := slices.IndexFunc(h.clamps, func(of []uncert.Row) bool { return sameU(of, rows[:offsetRows]) })
	if i < 0 {
		i = min(len(h.clamps), 254)
		h.clamps = append(h.clamps[:i:i], slices.Clone(rows[:offsetRows]))
	}
	return byte(i + 1)
}

func sameU(a, b []uncert.Row) bool {
	return slices.EqualFunc(a, b, func(x, y uncert.Row) bool { return x.U == y.U })
}
