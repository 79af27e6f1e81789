package health

import (
	"math"

	"greywatt"
	"greywatt/analysis/robust"
)

// A Leak is a stretch of days in which water runs at rest, beyond what a meter's
// zero would explain.
type Leak struct {
	From, To    greywatt.Instant // first and last quiet hours with it
	Ongoing     bool             // to the end of the record
	FlowLMin    float64          // mean over its quiet hours
	UFlowLMin   float64          // its standard uncertainty, l/min
	LitresDay   float64          // at that flow all day
	ULitresDay  float64
	Days        int     // days with it
	ShareHours  float64 // of its quiet hours, those with flow
	Chill       float64 // see Rest; median over its nights, NaN where not known
	ChillElse   float64 // the same of the other nights
	LogEvidence float64 // ln of the likelihood ratio of a leak to a meter that reads flow where there is none
	Score       float64 // probability, 0 to 1, with leakPrior
}

// RestingFlow is what the mains meter shows an hour and more after the last draw.
type RestingFlow struct {
	QuietHours float64
	FlowHours  float64 // of those, in slots with a mean beyond 0.02 l/min
	ZeroLMin   float64 // what the meter shows where nothing runs, median of the days without a leak; NaN without any
	UZeroLMin  float64
	Days       []RestingDay
}

// RestingDay is one day of resting flow.
type RestingDay struct {
	From       greywatt.Instant
	QuietHours float64
	Share      float64 // of them, with flow
	FlowLMin   float64 // mean
	UFlowLMin  float64 // standard uncertainty by the scatter of its quarters of an hour
}

// Thresholds of leaks. All are this project's choice unless stated.
const (
	leakPrior     = 0.7  // that flow read at rest is water, before the pipes are looked at: sound meters read 0 at rest
	leastShare    = 0.2  // of a day's quiet hours, below which it is single pulses
	leastQuiet    = 4    // slots of a day
	leastWet      = 2    // days
	mendedDays    = 3    // days without flow that end a leak
	levelLMin     = 0.03 // l/min, levelSDs, and levelShare of the larger, by which flow must change to be another leak
	levelSDs      = 5.0
	levelShare    = 0.25
	certainSDs    = 4.0   // of flow over its uncertainty, for it to be there
	zeroFloorLMin = 0.003 // l/min, what the meter's zero is known to at best
	chillSD       = 0.30  // of a leak's chill about the expected
	soundChill    = 0.10  // of a pipe at rest, where the record has no other nights
	soundChillSD  = 0.15
	chillLMin     = 0.03 // l/min at which water warms by 63 % on its way: some 2 W/K, five metres of bare pipe
	leastAboveK   = 3.0  // K of room above mains for chill to say anything
	comesAndGoes  = 0.8  // share of quiet hours below which the flow is intermittent, as no zero is
	comesWorth    = 1.0  // ln of the evidence of that
	onsetWorth    = 1.0  // and of its having begun or ended within the record
)

// wet reports whether the day shows flow at rest.
func (d *flowDay) wet() bool {
	return d.quiet >= leastQuiet && float64(d.flowing) >= leastShare*float64(d.quiet) && d.sum > flowingLMin*float64(d.quiet)
}

func (d *flowDay) mean() float64 { return d.sum / float64(d.quiet) }

// u is the standard uncertainty of the mean by the scatter of the slots.
func (d *flowDay) u() float64 {
	n := float64(d.quiet)
	if n < 2 {
		return math.Abs(d.mean())
	}
	return math.Sqrt(max(0, d.sum2/n-d.mean()*d.mean()) / (n - 1))
}

// chill is how far the resting cold-in stands from the room towards the mains,
// 0 to 1; NaN where the two are too close.
func (n *night) chill() float64 {
	if x := n.above(); x >= leastAboveK {
		return (n.roomC() - n.c[2]) / x
	}
	return math.NaN()
}

// leaks returns the stretches of days with resting flow, and what is left.
func (w *Watch) leaks(nights []night) ([]Leak, RestingFlow) {
	rest := RestingFlow{ZeroLMin: math.NaN(), UZeroLMin: math.NaN()}
	for i := range w.days {
		d := &w.days[i]
		rest.QuietHours += float64(d.quiet) * slotS / 3600
		rest.FlowHours += float64(d.flowing) * slotS / 3600
		rest.Days = append(rest.Days, RestingDay{d.from, float64(d.quiet) * slotS / 3600, float64(d.flowing) / float64(d.quiet), d.mean(), d.u()})
	}
	var out []Leak
	taken := make([]bool, len(w.days))
	for _, s := range w.stretches() {
		l := w.leak(s[0], s[1], nights)
		if l.Score > 0.5 {
			out = append(out, l)
			for i := s[0]; i < s[1]; i++ {
				taken[i] = true
			}
		}
	}
	var zero, u []float64
	for i := range w.days {
		if d := &w.days[i]; !taken[i] && d.quiet >= leastQuiet {
			zero = append(zero, d.median)
			u = append(u, d.u())
		}
	}
	if len(zero) > 0 {
		rest.ZeroLMin = robust.Median(zero)
		rest.UZeroLMin = math.Hypot(zeroFloorLMin, robust.Median(u)/math.Sqrt(float64(len(u))))
	}
	return out, rest
}

// stretches returns runs of wet days, first to last+1 by index, cut where the
// flow changes level.
func (w *Watch) stretches() [][2]int {
	var out [][2]int
	for i := 0; i < len(w.days); i++ {
		if !w.days[i].wet() {
			continue
		}
		last, wet := i, 1
		for j := i + 1; j < len(w.days) && w.days[j].from.Sub(w.days[last].from) <= (mendedDays+0.5)*secondsADay; j++ {
			if w.days[j].wet() {
				last = j
				wet++
			}
		}
		if wet >= leastWet {
			if k := w.level(i, last+1); k > 0 {
				out = append(out, [2]int{i, k}, [2]int{k, last + 1})
			} else {
				out = append(out, [2]int{i, last + 1})
			}
		}
		i = last
	}
	return out
}

// level returns the day at which the flow of days from to to changes level, 0
// where it does not.
func (w *Watch) level(from, to int) int {
	n := to - from
	if n < 6 {
		return 0
	}
	sum := make([]float64, n+1)
	var steps []float64
	for i := range n {
		q := w.days[from+i].mean()
		sum[i+1] = sum[i] + q
		if i > 0 {
			steps = append(steps, math.Abs(q-w.days[from+i-1].mean()))
		}
	}
	sd := max(zeroFloorLMin, 1.4826*robust.Median(steps)/math.Sqrt2)
	best, at := 0.0, 0
	for k := 3; k <= n-3; k++ {
		a, b := sum[k]/float64(k), (sum[n]-sum[k])/float64(n-k)
		z := math.Abs(a-b) / (sd * math.Sqrt(1/float64(k)+1/float64(n-k)))
		if math.Abs(a-b) > max(levelLMin, levelShare*max(a, b)) && z > levelSDs && z > best {
			best, at = z, from+k
		}
	}
	return at
}

// leak judges the days from to to.
func (w *Watch) leak(from, to int, nights []night) Leak {
	l := Leak{From: w.days[from].from, To: w.days[to-1].from.Add(secondsADay), Ongoing: to == len(w.days)}
	l.To = min(l.To, w.newest)
	var q, u []float64
	quiet, flowing := 0, 0
	for i := from; i < to; i++ {
		d := &w.days[i]
		if !d.wet() {
			continue
		}
		l.Days++
		q = append(q, d.mean())
		u = append(u, d.u())
		quiet += d.quiet
		flowing += d.flowing
	}
	l.ShareHours = float64(flowing) / float64(quiet)
	l.FlowLMin = robust.Median(q)
	sensor := greywatt.DefaultSensor(greywatt.Flow)
	if n := w.source[greywatt.Flow]; n != nil {
		sensor = n.sensor[greywatt.Flow]
	}
	l.UFlowLMin = math.Hypot(math.Hypot(zeroFloorLMin, robust.Median(u)/math.Sqrt(float64(len(u)))), sensor.U95Relative/2*l.FlowLMin)
	const minutesADay = 1440
	l.LitresDay, l.ULitresDay = minutesADay*l.FlowLMin, minutesADay*l.UFlowLMin

	var in, out []float64
	for i := range nights {
		n := &nights[i]
		c := n.chill()
		switch {
		case math.IsNaN(c):
		case n.from >= l.From && n.to <= l.To:
			in = append(in, c)
		case !(n.lMin > flowingLMin):
			out = append(out, c)
		}
	}
	l.Chill, l.ChillElse = robust.Median(in), robust.Median(out)
	if len(in) > 0 {
		sound := soundChill
		if len(out) > 0 {
			sound = l.ChillElse
		}
		want := math.Exp(-chillLMin / l.FlowLMin)
		l.LogEvidence = logNormal(l.Chill, max(want, sound), chillSD) - logNormal(l.Chill, sound, soundChillSD)
		// colder than a leak would have it is no evidence against one
		if l.Chill > want {
			l.LogEvidence = max(l.LogEvidence, logNormal(0, 0, chillSD)-logNormal(l.Chill, sound, soundChillSD))
		}
	}
	if l.ShareHours < comesAndGoes {
		l.LogEvidence += comesWorth
	}
	if from > 0 || to < len(w.days) {
		l.LogEvidence += onsetWorth
	}
	there := 1.0
	if z := l.FlowLMin / l.UFlowLMin; z < certainSDs {
		there = max(0, z/certainSDs)
	}
	l.Score = there * probability(math.Log(leakPrior/(1-leakPrior))+l.LogEvidence)
	return l
}

// logNormal returns ln of the normal density at x.
func logNormal(x, mean, sd float64) float64 {
	z := (x - mean) / sd
	return -z*z/2 - math.Log(sd)
}
