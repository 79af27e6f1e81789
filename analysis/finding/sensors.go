package finding

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"greywatt"
	"greywatt/analysis/robust"
	"greywatt/analysis/trend"
)

// reversed looks for clamps that changed places.
//
// Warm waste gives heat away, so it leaves colder than it came, and mains water
// leaves warmer. Where a side shows the opposite by more than its clamps'
// uncertainty, shower after shower, while the other side shows the heat
// passing, its two clamps are swapped: no flow of heat does that. What is
// swapped is swapped back for what follows. A clamp that fell off and reads the
// room can look so too; see [diagnoser.hangs].
func (d *diagnoser) reversed() {
	d.swap(WasteSensorsSwapped, 0, 1, "waste")
	d.swap(SupplySensorsSwapped, 3, 2, "supply")
}

// exchanged are two clamps that changed places, and when: in the record's first shower
// where they always were so.
type exchanged struct {
	at         greywatt.Instant
	warm, cold int
}

// swap checks the pair of ports whose first should be the warmer.
func (d *diagnoser) swap(code Code, warm, cold int, side string) {
	holds := make([]bool, len(d.showers))
	for i := range d.showers {
		s := &d.showers[i]
		u := s.clampU()
		holds[i] = s.t[cold]-s.t[warm] > max(0.8, 3*math.Hypot(u[warm], u[cold]))
	}
	k := since(holds)
	if k < 0 {
		return
	}
	if !d.ordered(k, warm, cold) {
		return
	}
	if d.hangs(k, warm, cold) {
		d.addLoose(greywatt.Channel(warm), d.from(k), 0.9, fmt.Sprintf("since then %s reads the room, below %s; in each other's place the two would not show the heat that they did", greywatt.Channel(warm), greywatt.Channel(cold)))
		d.showers = d.showers[:k]
		return
	}
	swap, loose := d.weighReversal(d.showers[k:], warm, cold)
	if loose.weight > swap {
		d.addLoose(greywatt.Channel(warm), d.from(k), loose.weight/(swap+loose.weight), fmt.Sprintf("since then it reads below %s; %s, and exchanging the two does not",
			greywatt.Channel(cold), loose.contactWords("heat balance and conductance to what they should be")))
		d.showers = d.showers[:k]
		return
	}
	var wrong, other []float64
	n := 0
	for i := k; i < len(d.showers); i++ {
		s := &d.showers[i]
		if !holds[i] {
			continue
		}
		n++
		wrong = append(wrong, s.t[cold]-s.t[warm])
		s.t[warm], s.t[cold] = s.t[cold], s.t[warm]
		// with the pair exchanged, both sides must agree about the heat
		other = append(other, (s.t[0]-s.t[1])/(s.t[3]-s.t[2]))
		v := d.evaluate(s.t, s.flow, s.loss)
		s.lnUA, s.ratio = v.ua, d.ratioAt(s.t, s.flow, s.loss)
	}
	confidence := min(0.97, swap/(swap+loose.weight))
	if math.IsNaN(confidence) {
		confidence = 0.97
	}
	if r := robust.Median(other); !(r > 0.3 && r < 1.3) {
		confidence = min(confidence, 0.7) // reversed, and something else is wrong as well
	}
	evidence := fmt.Sprintf("in %d of %d showers %s reads %.1f K above %s (median); exchanged, waste fall over mains rise is %.2f",
		n, len(d.showers)-k, greywatt.Channel(cold), robust.Median(wrong), greywatt.Channel(warm), robust.Median(other))
	d.add(code, d.from(k), confidence, evidence)
	d.swapped = append(d.swapped, exchanged{d.showers[k].e.Start, warm, cold})
}

// orderedK is by how much clamps may seem to contradict the direction in which heat
// passes: this project's choice.
const orderedK = 1.5

// ordered reports whether, with a pair exchanged from shower k on, no pipe of the mains
// is warmer than the waste that enters, and none of the waste colder than the mains: whichever of
// the other side's is which. Else a clamp of either side is on the other's pipe.
func (d *diagnoser) ordered(k, warm, cold int) bool {
	n := 0
	for i := k; i < len(d.showers); i++ {
		t := d.showers[i].t
		t[warm], t[cold] = t[cold], t[warm]
		above := func(a, b float64) bool { return !(a < b-orderedK) } // true where either is not read
		if above(max(t[0], t[1]), max(t[2], t[3])) && above(min(t[0], t[1]), min(t[2], t[3])) {
			n++
		}
	}
	return 2*n > len(d.showers)-k
}

// weighReversal weighs what may make a side of the unit seem to run backwards over
// the showers: its clamps in each other's place, or the one that should be the
// warmer showing a share of its pipe only. Each must bring heat balance and
// conductance to what they should be, or the conductance to that of a weak unit. Both
// weights are 0 where neither can be read.
func (d *diagnoser) weighReversal(ss []shower, warm, cold int) (swap float64, loose hypothesis) {
	const weak = 0.15 // probability of a unit that does not reach its certificate
	weight := func(l levels) float64 {
		if 2*l.n < min(len(ss), 60) {
			return 0
		}
		unit := (1-weak)*normal(l.ua, 0, math.Hypot(l.uUA, unitSpread)) + weak*uniform(l.ua, math.Log(0.4), math.Log(1.3), l.uUA)
		if w := d.heatDensity(l) * scatterLikelihood(l) * unit; w > 0 {
			return w
		}
		return 0
	}
	swap = priorSwap * weight(d.summarise(ss, func(s *shower) [4]float64 {
		t := s.t
		t[warm], t[cold] = t[cold], t[warm]
		return t
	}))
	loose = hypothesis{code: SensorLoose, sensor: greywatt.Channel(warm)}
	best := 0.0
	for _, share := range shares {
		w := priorLoose / 4 / float64(len(shares)) * weight(d.summarise(ss, undoPartialContact(warm, share)))
		if loose.weight += w; w > best {
			best, loose.share = w, share
		}
	}
	return swap, loose
}

// hangs reports whether the clamp that should be the warmer rather hangs in the
// air from shower k on: it reads the room, and exchanged with the other's place
// the pair would show less than half of the heat that it did before.
func (d *diagnoser) hangs(k, warm, cold int) bool {
	ratio := func(t [4]float64) float64 { return (t[0] - t[1]) / (t[3] - t[2]) }
	var before, exchanged, above []float64
	for i := range d.showers {
		t := d.showers[i].t
		if i < k {
			before = append(before, ratio(t))
			continue
		}
		above = append(above, math.Abs(t[warm]-d.showers[i].room))
		t[warm], t[cold] = t[cold], t[warm]
		exchanged = append(exchanged, ratio(t))
	}
	return len(before) >= 3 && robust.Median(above) < 1.5*roomTold && robust.Median(exchanged) < robust.Median(before)/2
}

// clampU returns the standard uncertainty of each clamp, K.
func (s *shower) clampU() [4]float64 {
	u, ok := s.e.ClampU()
	if ok {
		return u
	}
	for i := range u {
		u[i] = greywatt.DefaultU95K / 2
	}
	return u
}

// cameLoose looks for a clamp that came off its pipe on the way, and returns the
// showers before that.
//
// Whatever happens to the unit, the heat that the waste side loses is the heat that
// the mains gains: dirt, tilt or a changed flow leave their ratio alone. A clamp
// that hangs loose shows a mix of pipe and room, and breaks it from one shower
// to the next. The clamp is the one whose tightening, by one share for all
// showers since, brings both the ratio and the conductance back to where they
// were; a change of conductance alone is the unit's.
func (d *diagnoser) cameLoose(ss []shower) (k int, h hypothesis, ok bool) {
	for _, k := range d.breaks(ss) {
		if d.excused(ss, k) {
			continue
		}
		h, ok := d.whichLoose(ss[max(0, k-40):k], ss[k:min(len(ss), k+40)])
		if !ok {
			continue
		}
		return k, h, true
	}
	return 0, h, false
}

// reportLoose notes the clamp that came loose at shower k.
func (d *diagnoser) reportLoose(ss []shower, k int, h hypothesis) {
	was, is := d.levelsOf(ss[max(0, k-40):k], nil), d.levelsOf(ss[k:min(len(ss), k+40)], nil)
	moved := "the waste side no longer loses what the mains side gains"
	if !math.IsNaN(is.heat) && !math.IsNaN(is.ua) {
		moved = fmt.Sprintf("waste heat over mains heat moved by %+.1f %% and conductance by %+.1f %%", 100*math.Expm1(is.heat-was.heat), 100*math.Expm1(is.ua-was.ua))
	}
	d.addLoose(h.sensor, ss[k].e.Start, h.weight, fmt.Sprintf("%s from one shower to the next; %s", moved, h.contactWords("both back")))
}

// What a break of the balance may have to do with other than a loose clamp: this
// project's choice.
const (
	nearSwap     = 4    // showers from where two clamps changed places
	nearCleaning = 2.0  // days from a cleaning
	refitted     = 0.06 // of the balance: what clamps that were taken off for a cleaning and put back may move it by
)

// excused reports whether a break at shower k has another reason: two clamps
// that changed places there, which kept the corrections of the ones they were
// declared as, another clamp or meter, or a cleaning or other work, for which
// clamps come off and go back on.
func (d *diagnoser) excused(ss []shower, k int) bool {
	at := ss[k].e.Start
	for _, swap := range d.swapped {
		if ss[max(0, k-nearSwap)].e.Start <= swap.at && swap.at <= ss[min(len(ss)-1, k+nearSwap)].e.Start {
			return true
		}
	}
	if l := d.turning(at.Sub(d.first) / day); l != nil {
		was, is := d.levelsOf(ss[max(0, k-40):k], nil), d.levelsOf(ss[k:min(len(ss), k+40)], nil)
		var flows []float64
		for i := max(0, k-40); i < min(len(ss), k+40); i++ {
			flows = append(flows, ss[i].flow)
		}
		// what passes the unit and never comes down the drain is so much of the balance
		return math.Abs(is.heat-was.heat) < refitted+1.5*math.Log1p(l.FlowLMin/robust.Median(flows))
	}
	for _, c := range d.cuts() {
		if math.Abs(at.Sub(c.at)) < nearCleaning*day {
			if c.kind.OfSensor() {
				return true
			}
			was, is := d.levelsOf(ss[max(0, k-40):k], nil), d.levelsOf(ss[k:min(len(ss), k+40)], nil)
			return math.Abs(is.heat-was.heat) < refitted
		}
	}
	return false
}

// contactWords says what a loose clamp shows, and what is well once that is undone.
func (h *hypothesis) contactWords(well string) string {
	if h.share == 0 {
		return h.sensor.String() + " shows the room; its pipe where the heat balance wants it brings " + well
	}
	return fmt.Sprintf("%s showing %.0f %% of its pipe and the rest of the room brings %s", h.sensor, 100*h.share, well)
}

// breaks returns the showers at which balance or conductance changes level,
// the clearest change of the balance first, and those from which there is neither.
func (d *diagnoser) breaks(ss []shower) []int {
	type point struct {
		k    int
		size float64
	}
	var all []point
	for _, y := range []func(*shower) float64{
		func(s *shower) float64 { return d.balance(s.t, s.loss) },
		func(s *shower) float64 { return d.evaluate(s.t, s.flow, s.loss).ua },
	} {
		var ps []trend.Point
		var index []int
		for i := range ss {
			if v := y(&ss[i]); !math.IsNaN(v) && !math.IsInf(v, 0) {
				ps = append(ps, trend.Point{T: ss[i].e.Start.Sub(d.first) / day, Y: v, U: 0.004})
				index = append(index, i)
			}
		}
		cut, err := trend.Changes(ps, trend.ChangeOptions{})
		if err != nil {
			continue
		}
		for _, c := range cut.Changes {
			if size := math.Abs(c.Step) / c.UStep; size > 5 && math.Abs(c.Step) > 0.015 {
				all = append(all, point{index[c.Index], size})
			}
		}
	}
	slices.SortStableFunc(all, func(a, b point) int { return cmp.Compare(b.size, a.size) })
	run := 0
	for i := range ss {
		if !math.IsNaN(d.evaluate(ss[i].t, ss[i].flow, ss[i].loss).ua) {
			run = 0
		} else if run++; run == leastAside && i-run >= leastAside {
			all = append(all, point{i + 1 - run, 0}) // from there on nothing can be read
		}
	}
	out := make([]int, len(all))
	for i, p := range all {
		out[i] = p.k
	}
	return out
}

// How far balance and ln UA wander between two stretches of sound showers, for
// reasons that are nobody's fault: this project's choice. In B and C the balance
// is taken relative to the mixer's temperatures, which wander with the store.
const (
	wanderUA       = 0.010
	wanderBalanceA = 0.012
	wanderMixed    = 0.025
	stillSpread    = 0.35 // of ln of the scatter of either
)

// whichLoose weighs the hypotheses about a change between two stretches of showers:
// none, the unit alone, or one of the clamps with the share of its pipe that it
// still shows. ok is false where a loose clamp is not the likeliest.
func (d *diagnoser) whichLoose(before, after []shower) (h hypothesis, ok bool) {
	was := d.levelsOf(before, nil)
	if was.n < 3 || len(after) < 3 {
		return h, false
	}
	sb := wanderMixed
	if d.connection == greywatt.ConnectionA {
		sb = wanderBalanceA
	}
	// what scatters more than before is not explained yet
	still := func(is levels) float64 {
		z := max(0, math.Log((is.uaRMS+scatterFloorUA)/(was.uaRMS+scatterFloorUA))) / stillSpread
		y := max(0, math.Log((is.heatRMS+scatterFloor)/(was.heatRMS+scatterFloor))) / stillSpread
		return math.Exp(-(z*z + y*y) / 2)
	}
	var none, unit, loose float64
	if is := d.levelsOf(after, nil); is.n >= 3 {
		b := normal(is.heat-was.heat, 0, sb) * still(is)
		none = b * normal(is.ua-was.ua, 0, wanderUA)
		unit = b * (0.5*uniform(is.ua-was.ua, math.Log(0.4), math.Log(1.3), wanderUA) +
			0.1*uniform(is.ua-was.ua, math.Log(1.3), math.Log(4), wanderUA)) // cleaned, or a valve opened
	}
	shares := 1.0 // hanging in the air
	for share := 0.2; share < 0.86; share += 0.05 {
		shares++
	}
	for p := range greywatt.NumPorts {
		consider := func(share, w float64) {
			if loose += w; w > h.weight {
				h = hypothesis{code: SensorLoose, weight: w, sensor: greywatt.Channel(p), share: share}
			}
		}
		for share := 0.2; share < 0.86; share += 0.05 {
			if is := d.levelsOf(after, undoPartialContact(p, share)); is.n >= min(3, len(after)) {
				consider(share, 0.3/4/shares*normal(is.heat-was.heat, 0, sb)*normal(is.ua-was.ua, 0, wanderUA)*still(is))
			}
		}
		o := d.assumeDetached(after, p, func(t [4]float64, loss float64) float64 { return was.heat + loss + d.mix(t) })
		if o.n >= min(3, len(after)) && o.heatRMS*o.fall < 2*roomTold {
			is := o.levels
			is.heatRMS = 0 // the balance was put right
			consider(0, 0.3/4/shares*o.density()*normal(is.ua-was.ua, 0, math.Hypot(wanderUA, 2*sb))*still(is))
		}
	}
	total := none + unit + loose
	if !(loose > 0.6*total) {
		return h, false
	}
	h.weight = loose / total
	return h, true
}

// levelsOf reduces showers to medians and spreads of balance and ln UA, seen
// through change.
func (d *diagnoser) levelsOf(ss []shower, change func(*shower) [4]float64) levels {
	var heat, ua []float64
	step := max(1, len(ss)/60)
	for i := 0; i < len(ss); i += step {
		t := ss[i].t
		if change != nil {
			t = change(&ss[i])
		}
		v := d.evaluate(t, ss[i].flow, ss[i].loss)
		b := d.balance(t, ss[i].loss)
		if math.IsNaN(v.ua) || math.IsNaN(b) {
			continue
		}
		heat = append(heat, b)
		ua = append(ua, v.ua)
	}
	l := levels{n: len(ua)}
	l.heat, l.heatRMS = robust.MedianAndSpread(heat)
	l.ua, l.uaRMS = robust.MedianAndSpread(ua)
	return l
}
