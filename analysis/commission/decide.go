package commission

import (
	"fmt"
	"math"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/uncert"
)

// What a decision may be asked to take: this project's choice.
const (
	mostRuns   = 30   // showers or runs more
	zeroCheckU = 0.10 // K, standard uncertainty of a clamp against the others after some nights of rest
	finestU    = 0.03 // K, of a clamp that somebody could still buy
	finestFlow = 0.01 // relative, of a flow meter likewise
)

// A budget is what the uncertainty of a mean ratio consists of.
type budget struct {
	shared  []effect     // on the ratio
	own     float64      // standard uncertainty of one shower by itself
	showers int          // so far
	rows    []uncert.Row // of one shower, for the inputs' uncertainties
}

// decide says which measurement, and how much of it, would bring a ratio that far
// from the limit out of the guard band.
func (b *budget) decide(gap float64) string {
	want := gap / oneSided
	shared := rootSum(b.shared)
	if n := b.runs(want, shared); n <= mostRuns {
		return fmt.Sprintf("%s more like these would decide, if the ratio stays.", count(n, "shower"))
	}
	clamps, flow, rest := b.parts()
	// what is left of the shared part if the clamps' own were so much smaller
	withClamps := func(uK float64) float64 {
		var v float64
		for k := range clamps {
			c := clamps[k]
			if u := b.inputU(event.ClampInput(greywatt.Channel(k))); u > uK {
				c *= uK / u
			}
			v += c * c
		}
		return math.Sqrt(v + flow*flow + rest*rest)
	}
	if n := b.runs(want, withClamps(zeroCheckU)); n <= mostRuns {
		return "A zero check would decide: some nights without water, then greywatt offsets, which brings each clamp to about ±0.20 K" + b.and(n)
	}
	if n := b.runs(want, withClamps(finestU)); n <= mostRuns {
		lo, hi := finestU, zeroCheckU
		for hi-lo > 0.001 {
			if mid := (lo + hi) / 2; b.runs(want, withClamps(mid)) <= mostRuns {
				lo = mid
			} else {
				hi = mid
			}
		}
		return fmt.Sprintf("Clamps of u95 %.2f K would decide, compared with each other in a bath", 2*lo) + b.and(b.runs(want, withClamps(lo)))
	}
	without := func(x float64) float64 { return math.Sqrt(max(0, withClamps(finestU)*withClamps(finestU)-x*x)) }
	if flow != 0 {
		if n := b.runs(want, math.Hypot(without(flow), flow*min(1, finestFlow/b.inputU(event.MainsFlow)))); n <= mostRuns {
			return fmt.Sprintf("A flow meter of u95 %.0f %% and clamps of u95 %.2f K would decide", 200*finestFlow, 2*finestU) + b.and(n)
		}
	}
	return fmt.Sprintf("No further measurement of this kind decides: the ratio is %.3f from the limit, and %s leaves ±%.3f whatever the sensors are. A run at a flow of the certificate, with mains water near the temperature of its test, leaves less.",
		gap, b.largest(), 2*rest)
}

// runs returns how many showers more bring the standard uncertainty to want.
func (b *budget) runs(want, shared float64) int {
	room := want*want - shared*shared
	if !(room > 0) {
		return math.MaxInt
	}
	return max(0, int(math.Ceil(min(1e6, b.own*b.own/room)))-b.showers)
}

// and appends how many showers it takes besides.
func (b *budget) and(n int) string {
	if n <= 0 {
		return "."
	}
	return fmt.Sprintf(", and %s more.", count(n, "shower"))
}

// parts splits the shared part into that of each clamp, of the mains flow and the
// rest.
func (b *budget) parts() (clamps [greywatt.NumPorts]float64, flow, rest float64) {
	var v float64
	for _, e := range b.shared {
		if c, ok := clampOf(e.input); ok {
			clamps[c] = e.shift
			continue
		}
		if e.input == event.MainsFlow {
			flow = e.shift
			continue
		}
		v += e.shift * e.shift
	}
	return clamps, flow, math.Sqrt(v)
}

// clampOf returns the port whose clamp's offset an input is.
func clampOf(input string) (c greywatt.Channel, ok bool) {
	for c = greywatt.WasteIn; c.IsPort(); c++ {
		if input == event.ClampInput(c) {
			return c, true
		}
	}
	return 0, false
}

// inputU returns the standard uncertainty of an input, in its own unit; 0 where the
// budget has none of that name.
func (b *budget) inputU(input string) float64 {
	for _, r := range b.rows {
		if r.Name == input {
			return r.U
		}
	}
	return 0
}

// largest names the largest input that no sensor makes smaller.
func (b *budget) largest() string {
	var best effect
	for _, e := range b.shared {
		_, clamp := clampOf(e.input)
		if sensor := clamp || e.input == event.MainsFlow; !sensor && (best.input == "" || math.Abs(e.shift) > math.Abs(best.shift)) {
			best = e
		}
	}
	return best.input
}

func count(n int, what string) string {
	if n == 1 {
		return "one " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
