package event

import (
	"math"
	"slices"
)

// A spike is a reading, or a few, far from two before and two after, which
// agree: a sensor that starts anew and says 85 °C, a bit lost on the wire. Water
// behind a pipe's wall does not come and go so fast. How far is this project's
// choice, by how far apart the readings are.
const (
	spikeLength = 3   // readings, at most
	spikeK      = 3.0 // K, of readings up to spikeS apart
	spikeS      = 3.0
	slowSpikeK  = 8.0 // K, up to slowSpikeS
	slowSpikeS  = 15.0
	restSpikeK  = 15.0 // K, beyond
	spikeAgree  = 0.3  // of the spike's height, that what surrounds it differs by at most

	spikeFlow     = 2.5  // times the flow around it
	spikeFlowLMin = 10.0 // l/min above it
)

// unspiked returns temperatures with what lies in a spike put on the line between
// its ends, and how many readings those were. b is not changed.
func unspiked(b series) (series, int) {
	return withoutSpikes(b, spikeK, func(before, x, after, dt float64) bool {
		least := restSpikeK
		switch {
		case dt <= spikeS:
			least = spikeK
		case dt <= slowSpikeS:
			least = slowSpikeK
		}
		height := min(math.Abs(x-before), math.Abs(x-after))
		return height > least && (x > before) == (x > after) && math.Abs(after-before) <= spikeAgree*height
	})
}

// unspikedFlow does the same for flow: a reading far above water that runs before
// and after it.
func unspikedFlow(b series) (series, int) {
	return withoutSpikes(b, spikeFlowLMin, func(before, x, after, dt float64) bool {
		around := max(before, after)
		return before >= FlowingLMin && after >= FlowingLMin && dt <= slowSpikeS && x > spikeFlow*around && x > around+spikeFlowLMin
	})
}

// withoutSpikes puts spikes on a line; is tells a reading that is of one from
// those before and after the spike, and the longest interval in it, s. None is
// lower than least.
func withoutSpikes(b series, least float64, is func(before, x, after, dt float64) bool) (series, int) {
	found := 0
	v := b.v
	for k := 2; k+2 < len(v); k++ {
		if math.Abs(v[k]-v[k-1]) <= least {
			continue
		}
		for n := 1; n <= spikeLength && k+n+1 < len(v); n++ {
			if !b.spike(v, k, n, is) {
				continue
			}
			if found == 0 {
				v = slices.Clone(v)
			}
			found += n
			from, to := b.at[k-1], b.at[k+n]
			for i := k; i < k+n; i++ {
				v[i] = v[k-1] + (v[k+n]-v[k-1])*b.at[i].Sub(from)/to.Sub(from)
			}
			break
		}
	}
	b.v = v
	return b, found
}

// spike reports whether the n readings from k on are one.
func (b *series) spike(v []float64, k, n int, is func(before, x, after, dt float64) bool) bool {
	before, after := v[k-1], v[k+n]
	if (v[k] > before) != (v[k+n-1] > after) {
		return false
	}
	var dt float64
	for i := k; i <= k+n; i++ {
		dt = max(dt, b.at[i].Sub(b.at[i-1]))
	}
	height := math.Inf(1)
	for i := k; i < k+n; i++ {
		if !is(before, v[i], after, dt) {
			return false
		}
		height = min(height, math.Abs(v[i]-before), math.Abs(v[i]-after))
	}
	// one reading alone before or after does not say which of the two is off
	if math.Abs(v[k-2]-before) > spikeAgree*height {
		return false
	}
	// the one after may stand between this spike and the next; that one is still in v,
	// while those before are on a line already
	for _, x := range v[k+n+1 : min(k+n+2+spikeLength, len(v))] {
		if math.Abs(x-after) <= spikeAgree*height {
			return true
		}
	}
	return false
}
