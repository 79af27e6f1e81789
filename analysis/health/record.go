package health

import (
	"cmp"
	"math"
	"slices"

	"greywatt"
	"greywatt/analysis/robust"
)

// A Record is what the frames of a dwelling show of its sensors.
type Record struct {
	First, Last greywatt.Instant // of all frames
	OutOfOrder  int              // frames older than one before them, left out
	Nodes       []NodeRecord     // by name
	Channels    [greywatt.NumChannels]ChannelRecord
	Rests       []Rest // in time order
	RestingFlow RestingFlow

	// Proposals, strongest first.
	Dead     []Dead
	Drifting []Drifting
	Leaks    []Leak
}

// NodeRecord is how one node sent.
type NodeRecord struct {
	Node       string
	Frames     int
	DrawS      float64 // usual interval while water runs, s; 0 where never
	RestS      float64 // and at rest
	AwakeGaps  int     // silences of more than three times DrawS while water ran
	AwakeGapS  float64 // s, of those
	Starts     int     // draws after ten minutes without flow
	LateStarts int     // of those, ones that ran unseen before their first reading: full flow at once, a supply clamp no longer at rest
}

// ChannelRecord is one channel over the record.
type ChannelRecord struct {
	Channel  greywatt.Channel
	Node     string // whose readings were used last
	Readings int
	Seen     greywatt.Instant // latest reading; 0 for none
	NoiseK   float64          // standard deviation from reading to reading at rest, K; NaN for flows and where not known
	Quantum  float64          // step of the output, K or l/min; 0 where finer than 0.004 or not known
	Drift    Drift            // against the other clamps at rest; of temperatures only, NaN where not known
}

// A Rest is one comparison of the clamps, by the last two hours of a rest of
// four hours and more.
type Rest struct {
	From, To greywatt.Instant
	RestH    float64 // h since the last draw
	RoomC    float64 // °C, by the drain clamps and the ambient sensor
	MainsC   float64 // °C, of the latest draws; NaN before any
	FlowLMin float64 // mean resting flow; NaN without a meter

	// Chill is how far cold-in stands from the room towards the mains: 0 where
	// the pipe is at rest, up to 1 where cold water moves. NaN where room and
	// mains are within 3 K.
	Chill float64

	// By channel; NaN for flows and where there is no comparison.
	ClampC    [greywatt.NumChannels]float64 // °C, the declared offset subtracted
	DiffK, UK [greywatt.NumChannels]float64 // clamp less the mean of the others that are sound, K; standard uncertainty
}

// gradientU is the standard uncertainty of the room being one temperature at
// two clamps, K: common practice.
const gradientU = 0.08

// RoomU returns the standard uncertainty of the room being one temperature at a clamp,
// K, over rests that span some days: what stays, and what comes and goes over weeks.
func RoomU(days float64) float64 {
	x := max(days, 0) / wanderDays
	stays := 1.0 // of the variance of the wander, in a mean over the days
	if x > 1e-3 {
		stays = 2 / x * (1 - (1-math.Exp(-x))/x)
	}
	return math.Hypot(gradientU, wanderSD*math.Sqrt(stays))
}

// Still reports whether nothing cold moved past the clamps of the mains side in a rest, as far
// as meter and temperatures tell.
func (r *Rest) Still() bool {
	return !(r.FlowLMin > flowingLMin) || r.Chill < restChill
}

// record sums up.
func (w *Watch) record() Record {
	w.settled()
	r := Record{First: w.first, Last: w.newest, OutOfOrder: w.outOfOrder}
	for _, n := range w.nodes {
		r.Nodes = append(r.Nodes, NodeRecord{n.name, n.frames, n.drawS, n.restS, n.gaps, n.gapUS.Sub(0), n.starts, n.lateCount})
	}
	slices.SortFunc(r.Nodes, func(a, b NodeRecord) int { return cmp.Compare(a.Node, b.Node) })
	if w.begun {
		r.Dead = slices.DeleteFunc(w.dead(), w.deadLeftOut)
	}
	nights := w.soundNights(r.Dead)
	// what a dead meter shows is no flow
	w.days = slices.DeleteFunc(slices.Clone(w.days), func(day flowDay) bool {
		if _, out := w.whole.LeftOutIn(day.from, day.from.Add(secondsADay)); out {
			return true
		}
		return slices.ContainsFunc(r.Dead, func(d Dead) bool {
			return d.Channel == greywatt.Flow && day.from <= d.To && day.from.Add(secondsADay) >= d.From
		})
	})
	var drifts [numMembers]Drift
	r.Leaks, r.RestingFlow = w.leaks(nights)
	drifts, r.Drifting = w.drifts(withoutLeaks(nights, r.Leaks))
	r.Rests = restsOf(nights, r.Drifting)
	for c := range greywatt.Channel(greywatt.NumChannels) {
		a := &w.totals[c]
		k := &r.Channels[c]
		*k = ChannelRecord{Channel: c, Readings: a.readings, Seen: a.seen, NoiseK: a.noise.median(), Quantum: w.quantum(c)}
		if c.IsFlow() {
			k.NoiseK = math.NaN()
		}
		if n := w.source[c]; n != nil {
			k.Node = n.name
		}
		k.Drift = Drift{ChangeK: math.NaN(), UK: math.NaN(), SlopeKDay: math.NaN(), USlopeKDay: math.NaN()}
		if p := slices.Index(members[:], c); p >= 0 {
			k.Drift = drifts[p]
		}
	}
	slices.SortStableFunc(r.Dead, func(a, b Dead) int { return cmp.Compare(b.Score, a.Score) })
	slices.SortStableFunc(r.Drifting, func(a, b Drifting) int { return cmp.Compare(b.Score, a.Score) })
	slices.SortStableFunc(r.Leaks, func(a, b Leak) int { return cmp.Compare(b.Score, a.Score) })
	return r
}

// quantum returns the step of the channel's output, K or l/min; 0 where unknown
// or finer than minQuantum.
func (w *Watch) quantum(c greywatt.Channel) float64 {
	q := w.totals[c].quanta.median()
	if !(q >= minQuantum) {
		return 0
	}
	return q
}

// deadLeftOut reports whether less than a day of what is dead lies outside the
// periods that are left out.
func (w *Watch) deadLeftOut(d Dead) bool {
	outside := d.To.Sub(d.From)
	for _, p := range w.whole.LeftOut {
		outside -= max(0, min(d.To, p.To).Sub(max(d.From, p.From)))
	}
	return len(w.whole.LeftOut) > 0 && outside < secondsADay
}

// soundNights returns the nights without what dead channels show, and without
// clamps that had not come to rest.
func (w *Watch) soundNights(dead []Dead) []night {
	var began [numMembers]greywatt.Instant // of what is known of the clamp that is there now
	for p, c := range members {
		for _, b := range w.whole.Breaks {
			if b.Kind.OfSensor() && b.Channel == c && b.At <= w.newest {
				began[p] = b.At
			}
		}
	}
	out := slices.DeleteFunc(slices.Clone(w.nights), func(n night) bool {
		_, out := w.whole.LeftOutIn(n.from, n.to)
		return out
	})
	for i := range out {
		n := &out[i]
		for p := range members {
			if n.from < began[p] {
				n.c[p] = math.NaN()
			}
		}
		common := robust.Median(finite(n.dC[:]))
		for p, c := range members {
			if math.Abs(n.dC[p]-common) > unsettledK {
				n.c[p] = math.NaN()
			}
			for j := range dead {
				if d := &dead[j]; d.Channel == c && n.to >= d.From && n.from <= d.To {
					n.c[p] = math.NaN()
				}
			}
		}
	}
	return out
}

// restChill is that of a pipe at rest, at most: this project's choice.
const restChill = 0.25

// withoutLeaks returns the nights without the mains clamps where cold water
// moved past them, or may have.
func withoutLeaks(nights []night, leaks []Leak) []night {
	out := slices.Clone(nights)
	for i := range out {
		n := &out[i]
		leaking := slices.ContainsFunc(leaks, func(l Leak) bool { return n.to >= l.From && n.from <= l.To })
		if leaking || n.lMin > flowingLMin && !(n.chill() < restChill) {
			n.c[2], n.c[3] = math.NaN(), math.NaN()
		}
	}
	return out
}

// restsOf lists the comparisons; clamps that drift do not count in the mean of
// the others, nor does the ambient sensor, which hangs in the air.
func restsOf(nights []night, drifting []Drifting) []Rest {
	var out []Rest
	for i := range nights {
		n := &nights[i]
		r := Rest{From: n.from, To: n.to, RestH: n.restH, RoomC: n.roomC(), MainsC: n.mainsC, FlowLMin: n.lMin, Chill: n.chill()}
		for c := range r.DiffK {
			r.ClampC[c], r.DiffK[c], r.UK[c] = math.NaN(), math.NaN(), math.NaN()
		}
		for p, c := range members {
			r.ClampC[c] = n.c[p]
			if math.IsNaN(n.c[p]) {
				continue
			}
			var others []float64
			for o, v := range n.c[:4] {
				unsound := slices.ContainsFunc(drifting, func(d Drifting) bool { return d.Channel == members[o] })
				if o != p && !unsound && !math.IsNaN(v) {
					others = append(others, v)
				}
			}
			if len(others) == 0 {
				continue
			}
			var mean float64
			for _, v := range others {
				mean += v / float64(len(others))
			}
			r.DiffK[c] = n.c[p] - mean
			r.UK[c] = gradientU * math.Sqrt(1+1/float64(len(others)))
		}
		out = append(out, r)
	}
	return out
}

// finite returns the values of x that are numbers.
func finite(x []float64) []float64 {
	out := make([]float64, 0, len(x))
	for _, v := range x {
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			out = append(out, v)
		}
	}
	return out
}
