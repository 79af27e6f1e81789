package draw

import (
	"math"
	"slices"
)

// A meter that counts pulses of a tenth of a litre, or of a whole one, reads by
// the second as nothing, then much, then nothing. The thresholds are this
// project's choice; a meter of 100 pulses a litre and more is left as it is.
const (
	jumpyPart    = 0.05 // of the flow: less, on average from reading to reading, is a fine meter's
	coarseNoise  = 0.04 // of the mean flow, standard deviation of one reading
	smoothS      = 20.0 // s over which such readings are averaged,
	smoothN      = 6    // or over so many readings or pulses,
	smoothMostS  = 60.0 // but no longer
	fewPulses    = 4.0  // a reading, on average: below it pulses are told one by one
	pulseMisfit  = 0.12 // of a pulse: how far from a whole number of them a reading may be
	noisyRun     = 30   // readings of a run, before it is called noisy
	somePulses   = 6    // readings with flow, before anything is said of pulses
	alonePart    = 0.3  // of the readings with pulses stand between two without,
	holePart     = 0.03 // or so many without between two with,
	otherPart    = 0.1  // or have another number of them than most
	unevenPart   = 0.08 // of the flow, that neighbours then differ by on average
	stopSpacings = 3.0  // pulses overdue by so many spacings: the water has stopped
)

// A Coarseness is what a meter's readings do not resolve.
type Coarseness struct {
	Jumps  bool    // from reading to reading, so that an average stands for each
	PulseL float64 // l, where it counts pulses so large that few come in a reading; else 0
}

// Even returns flow as it would be without the coarseness of the meter: each
// pulse of a coarse counter spread over the time since the one before, and what
// then still jumps by more than a few hundredths from reading to reading averaged
// over 20 s of a run, or over six pulses. The flow of a finer meter is returned
// as it is. The volume of a draw stays what was counted.
//
// t are the readings' times, s, ascending; flow is in l/min. Neither is changed.
func Even(t, flow []float64) ([]float64, Coarseness) {
	if !jumpy(flow) {
		return flow, Coarseness{}
	}
	var is Coarseness
	out := flow
	if p, ok := pulses(t, flow); ok {
		out = slices.Clone(flow)
		p.spread(out)
		is = Coarseness{Jumps: true, PulseL: p.unit}
	}
	for _, r := range Runs(t, out) {
		x := out[r.First : r.Last+1]
		if is.PulseL == 0 && !(len(x) >= noisyRun && rmsNoise(x) > coarseNoise*average(x)) {
			continue
		}
		if !is.Jumps {
			out, is.Jumps = slices.Clone(flow), true
		}
		smooth(t, out, r, is.PulseL)
	}
	return out, is
}

// jumpy reports whether the readings jump by more than a fine meter's do, or may.
func jumpy(flow []float64) bool {
	var jumps, sum float64
	for i := 2; i < len(flow); i++ {
		jumps += math.Abs(flow[i] - 2*flow[i-1] + flow[i-2])
		sum += flow[i]
	}
	return jumps > jumpyPart*sum
}

// pulsed are the readings of a counter of coarse pulses.
type pulsed struct {
	t     []float64
	litre []float64 // that were counted at each reading
	at    []int     // the readings with pulses
	unit  float64   // l a pulse
}

// pulses tells whether the readings are whole numbers of a pulse, few of them
// each: as a volume, where the node divides by the time that has passed, or as a
// flow, where it divides by the time that should have.
func pulses(t, flow []float64) (p *pulsed, ok bool) {
	n, between := interrupted(flow)
	if n < somePulses || !between && (n < noisyRun || !uneven(flow)) {
		return nil, false
	}
	p = &pulsed{t: t, litre: make([]float64, len(flow)), at: make([]int, 0, n)}
	byVolume, byFlow, interval := make([]float64, 0, n), make([]float64, 0, n), make([]float64, 0, n)
	for k := 1; k < len(flow); k++ {
		dt := t[k] - t[k-1]
		if flow[k] <= 0 || dt <= 0 {
			continue
		}
		p.litre[k] = flow[k] / 60 * dt
		p.at = append(p.at, k)
		if dt <= GapS {
			byVolume, byFlow, interval = append(byVolume, p.litre[k]), append(byFlow, flow[k]), append(interval, dt)
		}
	}
	if p.unit, ok = pulse(byVolume, between); ok {
		return p, true
	}
	if unit, ok := pulse(byFlow, between); ok {
		slices.Sort(interval)
		p.unit = unit / 60 * interval[len(interval)/2]
		return p, true
	}
	return nil, false
}

// interrupted counts the readings with flow and reports whether nothing is read
// between them again and again.
func interrupted(flow []float64) (n int, between bool) {
	alone, holes := 0, 0
	for k, q := range flow {
		before, after := k > 0 && flow[k-1] > 0, k+1 < len(flow) && flow[k+1] > 0
		switch {
		case q > 0 && !before && !after:
			alone++
			n++
		case q > 0:
			n++
		case before && after:
			holes++
		}
	}
	return n, float64(alone) >= alonePart*float64(n) || holes > 2 && float64(holes) >= holePart*float64(n)
}

// uneven reports whether readings with flow differ from their neighbours as whole
// pulses make them.
func uneven(flow []float64) bool {
	var jumps, sum float64
	for k := 1; k < len(flow); k++ {
		if flow[k] > 0 && flow[k-1] > 0 {
			jumps += math.Abs(flow[k] - flow[k-1])
			sum += flow[k]
		}
	}
	return jumps > unevenPart*sum
}

// pulse returns what the values are whole multiples of, few times each. That a
// steady flow is one time itself says nothing: some must be other multiples, or
// nothing is read between them.
func pulse(values []float64, between bool) (unit float64, ok bool) {
	if len(values) < somePulses {
		return 0, false
	}
	sorted := slices.Clone(values)
	slices.Sort(sorted)
	unit = sorted[len(sorted)/20]
	for range 3 { // from the least to the one that fits all
		var xn, nn float64
		for _, x := range values {
			n := math.Round(x / unit)
			xn += x * n
			nn += n * n
		}
		if nn == 0 {
			return 0, false
		}
		unit = xn / nn
	}
	fits, count := 0, 0.0
	times := map[float64]int{}
	most := 0
	for _, x := range values {
		n := math.Round(x / unit)
		count += n
		times[n]++
		most = max(most, times[n])
		if n >= 1 && math.Abs(x/unit-n) <= pulseMisfit {
			fits++
		}
	}
	all := float64(len(values))
	differ := between || all-float64(most) >= otherPart*all
	return unit, differ && float64(fits) >= 0.95*all && count <= fewPulses*all
}

// spread spreads each reading's pulses over the time since the pulse before, as
// far as the water has not stopped meanwhile, and half a pulse over the time
// before the first and after the last: where between two pulses the water began,
// nobody knows.
func (p *pulsed) spread(out []float64) {
	for i := 0; i < len(p.at); {
		last := i // of the pulses that follow one another
		for last+1 < len(p.at) && p.follows(i, last+1) {
			last++
		}
		if last > i {
			p.even(out, i, last)
		}
		i = last + 1
	}
}

// spacing is the time, s, that the pulses of at[i] took, as three before it have
// it, from the first that may be looked at on, or three after it, whichever is
// longer: flow often begins slowly. It is NaN where there are none.
func (p *pulsed) spacing(from, i int) float64 {
	longest := math.NaN()
	for _, side := range [][2]int{{max(from+1, i-3), i - 1}, {i + 1, min(len(p.at)-1, i+3)}} {
		var took []float64
		for j := side[0]; j <= side[1]; j++ {
			if p.t[p.at[j]]-p.t[p.at[j]-1] <= GapS {
				took = append(took, p.each(j))
			}
		}
		if len(took) > 0 {
			slices.Sort(took)
			if m := took[len(took)/2]; !(m <= longest) {
				longest = m
			}
		}
	}
	return longest
}

// each is the time, s, from the pulse before to that of at[i], a pulse.
func (p *pulsed) each(i int) float64 {
	k := p.at[i]
	return (p.t[k] - p.t[p.at[i-1]]) / max(1, math.Round(p.litre[k]/p.unit))
}

// follows reports whether water ran from the pulse before to that of at[i]; from
// is the first pulse of the stretch.
func (p *pulsed) follows(from, i int) bool {
	k, before := p.at[i], p.at[i-1]
	for j := before + 1; j <= k; j++ {
		if p.t[j]-p.t[j-1] > GapS {
			return false
		}
	}
	gap := p.t[k] - p.t[before]
	if gap <= bridgeS {
		return true
	}
	if p.litre[k]*60/gap < offLMin {
		return false
	}
	usual := p.spacing(from, i)
	return math.IsNaN(usual) || gap <= max(bridgeS, stopSpacings*usual)
}

// even writes the flow of the pulses from at[first] to at[last], which follow
// one another.
func (p *pulsed) even(out []float64, first, last int) {
	for i := first + 1; i <= last; i++ {
		k, before := p.at[i], p.at[i-1]
		q := p.litre[k] * 60 / (p.t[k] - p.t[before])
		for j := before + 1; j <= k; j++ {
			out[j] = q
		}
	}
	a, z := p.at[first], p.at[last]
	q, took := out[a+1], p.each(first+1)
	out[a] = q
	for j := a - 1; j >= 0 && p.t[a]-p.t[j] <= took/2 && p.t[j+1]-p.t[j] <= GapS; j-- {
		out[j] = q
	}
	q, took = out[z], p.each(last)
	for j := z + 1; j < len(out) && p.t[j]-p.t[z] <= took/2 && p.t[j]-p.t[j-1] <= GapS; j++ {
		out[j] = q
	}
}

// smooth averages the flow of run r around each reading.
func smooth(t, flow []float64, r Run, pulseL float64) {
	n := r.Last - r.First + 1
	if n < 3 {
		return
	}
	one := max((t[r.Last]-t[r.First])/float64(n-1), pulseL*60/average(flow[r.First:r.Last+1]))
	half := min(smoothMostS, max(smoothS, smoothN*one)) / 2
	sum, time := make([]float64, n+1), make([]float64, n+1) // up to before each reading
	for k := r.First; k <= r.Last; k++ {
		w := Weight(t, r, k)
		i := k - r.First
		sum[i+1], time[i+1] = sum[i]+w*flow[k], time[i]+w
	}
	from, to := 0, 0
	for i := range n {
		at := t[r.First+i]
		for t[r.First+from] < at-half {
			from++
		}
		for to < n && t[r.First+to] <= at+half {
			to++
		}
		flow[r.First+i] = (sum[to] - sum[from]) / (time[to] - time[from])
	}
}

// rmsNoise is the standard deviation of one reading, from how far each lies from
// the line between its neighbours, without the largest distances, which are
// steps. The median that [flowNoise] takes is zero for pulses of which most
// readings have the same number.
func rmsNoise(flow []float64) float64 {
	if len(flow) < 8 {
		return 0
	}
	d := make([]float64, len(flow)-2)
	for i := range d {
		d[i] = math.Abs(flow[i] - 2*flow[i+1] + flow[i+2])
	}
	slices.Sort(d)
	d = d[:len(d)-max(4, len(d)/25)]
	var sum float64
	for _, x := range d {
		sum += x * x
	}
	return math.Sqrt(sum / float64(len(d)) / 6)
}

func average(x []float64) float64 {
	var sum float64
	for _, v := range x {
		sum += v
	}
	return sum / float64(len(x))
}
