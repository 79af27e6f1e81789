package health

import (
	"math"
	"slices"

	"greywatt"
	"greywatt/analysis/robust"
)

// Thresholds of slots. All are this project's choice unless stated.
const (
	stillAfterS   = 3600.0     // s after a draw from which readings count for noise
	quietAfterS   = 3600.0     // s after a draw from which flow is resting flow: meters creep for minutes after a shower
	restAfterS    = 4 * 3600.0 // s after a draw from which the clamps are compared
	nightS        = 12 * 3600.0
	lastSlots     = 8    // of a rest, that are averaged: two hours
	minSlots      = 4    // and the least of them
	slotReadings  = 3    // of a clamp in a slot that is compared
	movedK        = 1.5  // K of range within a slot: a draw passes
	warmedK       = 5.0  // K of range of waste-in: a shower
	drawnL        = 8.0  // l in a slot that renew the mains water in the pipe
	flowingLMin   = 0.02 // l/min of a slot's mean that count as flow
	baseShare     = 0.1  // of a day's slots, that are at or below the flow that never ceases
	largeBaseLMin = 0.3  // l/min from which it raises the threshold of a draw
)

// numMembers are the temperatures compared at rest: four clamps and the room.
const numMembers = 5

var members = [numMembers]greywatt.Channel{
	greywatt.WasteIn, greywatt.WasteOut, greywatt.ColdIn, greywatt.PreheatOut, greywatt.Ambient,
}

// night is one rest, reduced.
type night struct {
	from, to greywatt.Instant // of the slots averaged
	lastDraw greywatt.Instant // before it; 0: longer ago than forgetDrawS
	draws    int              // of the part's mains temperatures, those before its end
	restH    float64          // h from the last draw to the middle of them
	c        [numMembers]float64
	dC       [numMembers]float64 // second half less first half, K
	n        [numMembers]int     // readings
	mainsC   float64
	lMin     float64 // mean resting flow; NaN without a meter
}

// openNight collects the latest slots of a rest.
type openNight struct {
	from     greywatt.Instant // end of its first slot; 0: none
	lastDraw greywatt.Instant
	slots    []nightSlot // at most lastSlots
}

type nightSlot struct {
	to   greywatt.Instant
	sum  [numMembers]float64
	n    [numMembers]int
	lMin float64
}

// flowDay is the resting flow of one day.
type flowDay struct {
	from    greywatt.Instant
	quiet   int // slots
	flowing int
	sum     float64 // of their means, l/min
	sum2    float64
	slots   []float64 // l/min, of all slots of the day; let go when it closes
	median  float64   // of the quiet ones
	still   []float64 // l/min, of the quiet slots; let go when it closes
}

// closeSlot takes what the slot that ends at to shows.
func (w *Reducer) closeSlot(to greywatt.Instant) {
	w.part.active++
	var moved [greywatt.NumChannels]bool
	movers := 0
	for _, c := range members[:4] {
		t := &w.tally[c]
		if t.n > 0 && t.hi-t.lo >= movedK {
			moved[c] = true
			movers++
		}
	}
	m := &w.meter
	drew := m.drew || movers >= 2
	for c := range greywatt.Channel(greywatt.NumChannels) {
		w.closeTally(c, movers, moved[c])
	}
	if m.drew {
		w.lastDraw = max(w.lastDraw, m.end)
	}
	if movers >= 2 {
		w.lastDraw = max(w.lastDraw, to)
	}
	if drew {
		w.part.lastDraw = w.lastDraw
	}
	if cold := &w.tally[greywatt.ColdIn]; drew && cold.n > 0 && w.source[greywatt.ColdIn] != nil && (m.volumeL >= drawnL || m.spanS == 0 && movers >= 2) {
		w.part.mains = append(w.part.mains, cold.lo-w.source[greywatt.ColdIn].sensor[greywatt.ColdIn].OffsetK)
	}
	lMin := math.NaN()
	if m.spanS > slotS/3 {
		lMin = m.volumeL * 60 / m.spanS
		w.today.slots = append(w.today.slots, lMin)
	}
	switch rested := to.Sub(w.lastDraw) - slotS; {
	case drew:
		w.closeNight()
	case rested >= quietAfterS:
		if !math.IsNaN(lMin) {
			w.today.add(lMin)
		}
		if rested >= restAfterS {
			w.restSlot(to, lMin)
		}
	}
}

// closeTally files the slot of one channel.
func (w *Reducer) closeTally(c greywatt.Channel, movers int, moved bool) {
	t, a := &w.tally[c], &w.part.channels[c]
	if t.n+t.railed == 0 {
		return
	}
	w.endGap(c, t.at)
	a.readings += t.n + t.railed
	if k := t.steps - 2; k >= slotReadings {
		// second differences of white noise have six times its variance
		w.noise[c] = math.Sqrt(t.bend2 / 6 / float64(k))
		a.noise.add(coarse(w.noise[c]))
	}
	if t.quantum > 0 {
		a.quanta.add(step(t.quantum))
	}
	others := movers
	if moved {
		others--
	}
	in := &w.tally[greywatt.WasteIn]
	shown := others >= 2
	if c.IsFlow() {
		shown = in.n > 0 && in.hi-in.lo >= warmedK && movers >= 2
	}
	if c == greywatt.Ambient {
		shown = false // draws do not move the room
	}
	w.extendRun(c, t, shown)
}

func (d *flowDay) add(lMin float64) {
	d.quiet++
	d.sum += lMin
	d.sum2 += lMin * lMin
	if math.Abs(lMin) > flowingLMin {
		d.flowing++
	}
	d.still = append(d.still, lMin)
}

func (w *Reducer) closeDay() {
	d := w.today
	if len(d.slots) == 0 {
		w.meter.baseLMin = 0
	}
	if len(d.slots) >= 24 {
		slices.Sort(d.slots)
		base := d.slots[int(baseShare*float64(len(d.slots)))]
		if w.meter.baseLMin = 0; base >= largeBaseLMin {
			w.meter.baseLMin = base
		}
	}
	d.median = robust.Median(d.still)
	d.slots = nil
	w.today = flowDay{slots: w.today.slots[:0], still: w.today.still[:0]}
	d.still = nil
	if d.quiet > 0 {
		w.part.days = append(w.part.days, d)
	}
}

// restSlot adds the slot that ends at to to the rest. A long one is cut in two: at
// noon and midnight, once the last draw is forgotten.
func (w *Reducer) restSlot(to greywatt.Instant, lMin float64) {
	cut := to.Sub(w.night.from) > nightS
	if w.lastDraw == 0 {
		cut = (to-1)/halfDayUS != (w.night.from-1)/halfDayUS
	}
	if w.night.from != 0 && cut {
		w.closeNight()
	}
	if w.night.from == 0 {
		w.night.from = to
	}
	w.night.lastDraw = w.lastDraw
	if w.lastDraw == 0 {
		w.night.lastDraw = w.part.lastDraw
	}
	s := nightSlot{to: to, lMin: lMin}
	for p, c := range members {
		t := &w.tally[c]
		if t.n < slotReadings || w.source[c] == nil {
			continue // too few, or the sensor is another one from now on
		}
		s.n[p] = t.n
		s.sum[p] = t.sum - float64(t.n)*w.source[c].sensor[c].OffsetK
	}
	if len(w.night.slots) == lastSlots {
		copy(w.night.slots, w.night.slots[1:])
		w.night.slots = w.night.slots[:lastSlots-1]
	}
	w.night.slots = append(w.night.slots, s)
}

// closeNight ends a rest and keeps what its last two hours show.
func (w *Reducer) closeNight() {
	slots, lastDraw := w.night.slots, w.night.lastDraw
	w.night = openNight{slots: slots[:0]}
	if len(slots) < minSlots {
		return
	}
	n := night{from: slots[0].to.Add(-slotS), to: slots[len(slots)-1].to, lastDraw: lastDraw, draws: len(w.part.mains), mainsC: math.NaN(), lMin: math.NaN()}
	var q float64
	metered := 0
	for _, s := range slots {
		if !math.IsNaN(s.lMin) {
			q += s.lMin
			metered++
		}
	}
	if metered > 0 {
		n.lMin = q / float64(metered)
	}
	for p := range members {
		var sum [2]float64
		var k [2]int
		for i, s := range slots {
			half := 2 * i / len(slots)
			sum[half] += s.sum[p]
			k[half] += s.n[p]
		}
		n.n[p] = k[0] + k[1]
		n.c[p] = math.NaN()
		if min(k[0], k[1]) >= slotReadings*minSlots/2 {
			n.c[p] = (sum[0] + sum[1]) / float64(n.n[p])
			n.dC[p] = sum[1]/float64(k[1]) - sum[0]/float64(k[0])
		}
	}
	w.part.nights = append(w.part.nights, n)
}
