package finding

import (
	"fmt"
	"math"
	"strings"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/exchanger"
	"greywatt/analysis/health"
	"greywatt/analysis/robust"
)

// decided is how many standard uncertainties must lie between two hypotheses so
// that the measurement decides between them: this project's choice.
const decided = 3.0

// sureEnough is the confidence from which a finding needs no more measurement to be
// acted on: this project's choice.
const sureEnough = 0.9

// decide says what would decide between two causes of a change, and how much of
// it is needed.
func (d *diagnoser) decide(x *explanation, a, b change, sts []Segment) string {
	if a.cause == causeNone || a.cause.unnamed() {
		a, b = b, a
	}
	var ways []string
	add := func(format string, args ...any) { ways = append(ways, fmt.Sprintf(format, args...)) }
	unit := func(c cause) bool { return c == causeFouling || c == causeStep || c == causeMended }
	for _, c := range []change{a, b} {
		ch, has := c.cause.channel()
		switch {
		case !has || c.size == 0:
		case ch.IsFlow():
			size := math.Abs(math.Expm1(c.size * c.course.end(x.groups[len(x.groups)-1].t)))
			if c.cause == causeMeter || c.cause == causeMeterStep {
				add("the meter flow against a bucket and a watch, to u95 %.0f %%", 100*2*size/decided)
				if d.meterless() {
					add("a meter on the waste side of u95 %.0f %%", 100*2*size/decided)
				}
			} else {
				add("the meter waste-flow against the mains meter's volume in a shower of %.0f l, to u95 %.0f %%", d.volume(), 100*2*size/decided)
			}
		case c.cause >= causeLoose:
			add("%s against a hand-held probe on its pipe while the shower runs, to u95 %.1f K", ch, 2*d.looseK(x, c)/decided)
		default:
			size := math.Abs(c.size * c.course.end(x.groups[len(x.groups)-1].t))
			nights := math.Max(1, math.Ceil(math.Pow(decided*restU/size, 2)))
			add("%.0f %s of rest, four hours and more without a draw, to compare %s with the other clamps to ±%.2f K", nights, plural(nights, "night"), ch, 2*size/decided)
		}
	}
	if unit(a.cause) && (b.cause == causeNone || b.cause.unnamed()) || len(ways) == 0 {
		if w := d.longer(a, sts); w != "" {
			ways = append(ways, w)
		}
	}
	if len(ways) == 0 {
		add("%.0f more showers with a minute of steady flow", math.Max(enough, math.Ceil(float64(len(d.showers))*moreFor(a, b))))
	}
	return strings.Join(ways, "; or ")
}

// mostMore bounds what is asked for, in records of the length so far: this project's
// choice. Where more would be needed, so much of another season decides as well.
const mostMore = 4.0

// moreFor returns how many times the showers so far must come besides until one of two
// causes is sure enough. What they say grows with their number, the prior does not.
func moreFor(a, b change) float64 {
	if !(a.p > 0 && b.p > 0) {
		return 1
	}
	prior := math.Log(priors[a.cause] / priors[b.cause])
	said := math.Log(a.p/b.p) - prior
	wanted := logit(sureEnough) - prior // the way that the showers point
	if said < 0 {
		wanted = -logit(sureEnough) - prior
	}
	if more := wanted/said - 1; more > 0 && !math.IsInf(more, 0) {
		return math.Min(more, mostMore)
	}
	return 1
}

// restU is the standard uncertainty, K, of two clamps compared at rest in one
// night: a room that is not one temperature.
const restU = 0.11

func plural(n float64, word string) string {
	if n == 1 {
		return word
	}
	return word + "s"
}

func (d *diagnoser) meterless() bool {
	for i := range d.showers {
		if d.showers[i].wasteFlow > event.FlowingLMin {
			return false
		}
	}
	return true
}

// volume is the usual shower's, l.
func (d *diagnoser) volume() float64 {
	var l []float64
	for i := range d.showers {
		l = append(l, d.showers[i].e.VolumeL)
	}
	return robust.Median(l)
}

// looseK is by how much a loose clamp would read wrongly, K.
func (d *diagnoser) looseK(x *explanation, c change) float64 {
	var k []float64
	for j := range x.groups {
		k = append(k, math.Abs(x.groups[j].air[c.cause-causeLoose])*(1/math.Max(0.15, c.share)-1))
	}
	return robust.Median(k)
}

// longer says how much longer the record must be to tell a change of the unit
// from the season, and what would tell it sooner.
func (d *diagnoser) longer(c change, sts []Segment) string {
	if len(sts) == 0 || !sts[len(sts)-1].Fitted {
		return ""
	}
	st := &sts[len(sts)-1]
	m := &st.Model
	days := m.T1 - m.T0
	slope := c.size * c.course.at(st.To.Sub(d.first)/day) / math.Max(1, days)
	if slope == 0 || !(days > 0) {
		return ""
	}
	perDay := float64(m.N) / days
	var ways []string
	course, ok := d.mainsCourse(st)
	if !ok || len(m.Effects) == 0 {
		if n := m.Need(slope, perDay); n.Points > 0 && !math.IsInf(n.Points, 0) {
			ways = append(ways, fmt.Sprintf("%.0f more showers at the pace so far, about %.0f days", n.Points, n.Days))
		}
	} else {
		flow := robust.Median(d.lnFlows())
		n := m.NeedAlong(slope, perDay, func(t float64) []float64 {
			if len(m.Effects) == 2 {
				return []float64{flow, course(t)}
			}
			return []float64{course(t)}
		})
		if n.Points > 0 && !math.IsInf(n.Points, 0) {
			ways = append(ways, fmt.Sprintf("%.0f more showers at the pace so far, about %.0f days, as the mains water goes through its year", n.Points, n.Days))
		}
		const showers = 5
		if _, spread := m.Separate(slope, len(m.Effects)-1, showers); spread > 0 && spread < 15 {
			ways = append(ways, fmt.Sprintf("%d showers within a week at mains temperatures that differ by ±%.1f K, such as after long running and after a rest", showers, spread))
		}
	}
	return strings.Join(ways, "; or ")
}

func (d *diagnoser) lnFlows() (ln []float64) {
	for i := range d.showers {
		ln = append(ln, math.Log(d.showers[i].flow))
	}
	return ln
}

// mainsCourse is the mains temperature to be expected, by days since a segment's
// start: a yearly sine through what was measured, its amplitude held near 5 K
// where the record leaves it open.
func (d *diagnoser) mainsCourse(st *Segment) (course func(t float64) float64, ok bool) {
	var a [3][4]float64 // normal equations, with the right side
	n := 0
	const year, usual = 365.25, 5.0
	row := func(t float64) [3]float64 {
		s, c := math.Sincos(2 * math.Pi * t / year)
		return [3]float64{1, s, c}
	}
	for i := range d.showers {
		s := &d.showers[i]
		if s.e.Start < st.From || s.e.Start > st.To || math.IsNaN(s.t[greywatt.ColdIn]) {
			continue
		}
		x := row(s.e.Start.Sub(st.From) / day)
		for i := range 3 {
			for j := range 3 {
				a[i][j] += x[i] * x[j]
			}
			a[i][3] += x[i] * s.t[greywatt.ColdIn]
		}
		n++
	}
	if n < 8 {
		return nil, false
	}
	a[1][1] += 1 / (usual * usual)
	a[2][2] += 1 / (usual * usual)
	for i := range 3 { // Gauss
		for j := i + 1; j < 3; j++ {
			f := a[j][i] / a[i][i]
			for k := i; k < 4; k++ {
				a[j][k] -= f * a[i][k]
			}
		}
	}
	var c [3]float64
	for i := 2; i >= 0; i-- {
		c[i] = a[i][3]
		for k := i + 1; k < 3; k++ {
			c[i] -= a[i][k] * c[k]
		}
		c[i] /= a[i][i]
	}
	return func(t float64) float64 {
		x := row(t)
		return c[0]*x[0] + c[1]*x[1] + c[2]*x[2]
	}, true
}

// moreShowers says how many showers are missing.
func (d *diagnoser) moreShowers() string {
	n := enough - len(d.showers)
	if n <= 0 {
		return ""
	}
	if len(d.showers) > 0 && d.days > 2 {
		return fmt.Sprintf("%d more showers with a minute of steady flow, about %.0f days at the pace so far", n, math.Ceil(float64(n)*d.days/float64(len(d.showers))))
	}
	return fmt.Sprintf("%d more showers with a minute of steady flow and nothing else drawing", n)
}

// decideLevel says what would narrow the level of the conductance down, by what
// it is unsure from: the clamps' offsets, the scatter of the showers or the
// meter.
func (d *diagnoser) decideLevel(ss []shower) string {
	l := d.summarise(ss, nil)
	if l.n == 0 {
		return "a shower of ten minutes at one setting with nothing else drawing"
	}
	s := &ss[len(ss)/2]
	u := s.clampU()
	base := d.evaluate(s.t, s.flow, s.loss).ua
	var part [4]float64
	var clamps float64
	worst := 0
	for p := range 4 {
		t := s.t
		t[p] += 0.1
		part[p] = math.Abs(d.evaluate(t, s.flow, s.loss).ua-base) / 0.1 * u[p]
		if math.IsNaN(part[p]) {
			part[p] = 0
		}
		clamps += part[p] * part[p]
		if part[p] > part[worst] {
			worst = p
		}
	}
	clamps = math.Sqrt(clamps)
	random := l.uaRMS / math.Sqrt(float64(l.n))
	wanted := unitSpread / 2
	var ways []string
	if clamps > wanted {
		ways = append(ways, fmt.Sprintf("a zero check of the clamps in a night of rest, or clamps of u95 %.2f K in place of %.2f K: %s alone makes %.0f %% of what the clamps leave open of the conductance",
			2*u[worst]*wanted/clamps, 2*u[worst], greywatt.Channel(worst), 100*part[worst]*part[worst]/(clamps*clamps)))
	}
	if random > wanted {
		ways = append(ways, fmt.Sprintf("%.0f more showers", float64(l.n)*(math.Pow(random/wanted, 2)-1)))
	}
	if d.meterless() {
		ways = append(ways, fmt.Sprintf("a meter on the waste side of u95 %.0f %%, or the mains meter against a bucket to as much", 200*math.Max(0.01, math.Abs(l.ua)/flowGain/decided)))
	}
	return strings.Join(ways, "; or ")
}

func logit(p float64) float64 { return math.Log(p / (1 - p)) }

// leakDecides says what would decide whether water runs at rest: nights enough for
// the resting flow to lie [decided] standard uncertainties above 0, or the meter
// watched for as long as it takes to count a litre.
func leakDecides(l *health.Leak) string {
	var ways []string
	if z := l.FlowLMin / l.UFlowLMin; z > 0 && z < decided {
		ways = append(ways, fmt.Sprintf("%.0f more days", math.Ceil(float64(l.Days)*(math.Pow(decided/z, 2)-1))))
	}
	ways = append(ways, fmt.Sprintf("the meter read before and after %.0f minutes with all taps shut: a leak of %.2f l/min passes a litre in that time", math.Ceil(1/l.FlowLMin), l.FlowLMin))
	return strings.Join(ways, "; or ")
}

// decideFinding says what would decide a finding that is weak, or open.
func (d *diagnoser) decideFinding(f *Finding) string {
	ss := d.showers
	switch f.Code {
	case Undecided:
		if len(ss) < enough {
			return d.moreShowers()
		}
		return d.decideStatic(d.next, ss)
	case SensorDead:
		return d.deadDecides(f.Channel)
	case SensorLoose, WasteSensorsSwapped, SupplySensorsSwapped:
		for p := range greywatt.NumPorts {
			c := greywatt.Channel(p)
			if c.String() == f.Channel {
				return d.probe(p, ss)
			}
		}
		return d.probe(d.pairOf(f.Code), ss)
	case FlowOffScale:
		if f.Channel == greywatt.WasteFlow.String() {
			return fmt.Sprintf("the meter waste-flow against the mains meter's volume in a shower of %.0f l", d.volume())
		}
	case LowFromStart, ParallelFlow, ConnectionDiffers, Healthy, NoRecovery:
	default:
		return d.moreOf(f)
	}
	if len(ss) == 0 {
		return d.moreShowers()
	}
	return d.decideStatic(f.Code, ss)
}

// moreOf says how many showers more, where a finding rests on their number.
func (d *diagnoser) moreOf(f *Finding) string {
	// the odds grow with the number of showers as the logarithm of the likelihood does
	n := float64(max(1, len(d.showers)))
	have := math.Max(0.5, logit(math.Min(math.Max(f.Confidence, 0.05), sureEnough-1e-6)))
	return fmt.Sprintf("%.0f more showers with a minute of steady flow", math.Max(enough, math.Ceil(n*(logit(sureEnough)/have-1))))
}

// deadDecides says for how long a channel must be watched: an hour of draws in which
// it must move.
func (d *diagnoser) deadDecides(channel string) string {
	if perDay := float64(len(d.showers)+d.others) / math.Max(1, d.days); perDay > 0 {
		return fmt.Sprintf("%s in the next %d draws, about %.0f days: a sound one moves in each; or a hand-held probe beside it in one", channel, enough, math.Ceil(enough/perDay))
	}
	return fmt.Sprintf("%s in the next %d draws: a sound one moves in each", channel, enough)
}

// pairOf returns the first port of a pair that may have changed places.
func (d *diagnoser) pairOf(c Code) int {
	if c == SupplySensorsSwapped {
		return int(greywatt.ColdIn)
	}
	return int(greywatt.WasteIn)
}

// probe says how well a hand-held probe must measure a pipe, so that it tells a
// clamp that shows the room, or another pipe, from one that does not.
func (d *diagnoser) probe(port int, ss []shower) string {
	var k []float64
	for i := range ss {
		if v := math.Abs(ss[i].t[port] - ss[i].t[port^1]); !math.IsNaN(v) {
			k = append(k, v)
		}
	}
	apart := robust.Median(k)
	if !(apart > 0) {
		apart = event.MinSpanK
	}
	return fmt.Sprintf("%s against a hand-held probe on its pipe while the shower runs, to u95 %.1f K", greywatt.Channel(port), math.Max(0.1, 2*apart/4/decided))
}

// decideStatic says what would tell the hypothesis code from a sound unit, by what
// was measured so far.
func (d *diagnoser) decideStatic(code Code, ss []shower) string {
	l := d.summarise(ss, nil)
	var ways []string
	if d.acrossP > 0 {
		ways = append(ways, d.probe(int(d.across.sensor), ss)+fmt.Sprintf(", and whether %s is on the mains side's", d.across.across))
	}
	if d.pastP > 0 {
		ways = append(ways, fmt.Sprintf("the meter flow against the water meter of the dwelling over a shower of %.0f l at the head, to u95 10 %%: they agree where no water goes past it", max(20, math.Round(d.volume()))))
	}
	if d.round > 0 {
		ways = append(ways, d.outletProbe(ss))
	}
	switch code {
	case ConnectionDiffers:
		ways = append(ways, "a minute's draw at another cold tap, and one at another hot tap, with the shower off: A and C let hot draws through the unit, B none")
	case ParallelFlow, LowFromStart:
		if w := d.flowThatTells(l); w != "" {
			ways = append(ways, w)
		}
	}
	if w := d.decideLevel(ss); w != "" {
		ways = append(ways, w)
	}
	if len(ways) == 0 {
		ways = append(ways, fmt.Sprintf("%.0f more showers with a minute of steady flow", math.Max(enough, float64(len(ss))/2)))
	}
	return strings.Join(ways, "; or ")
}

// outletProbe says how well a hand-held probe must measure the mains side's pipe where it leaves the
// unit, so that it tells water that goes round the unit from a weak one.
func (d *diagnoser) outletProbe(ss []shower) string {
	var rise []float64
	for i := range ss {
		rise = append(rise, ss[i].t[greywatt.PreheatOut]-ss[i].t[greywatt.ColdIn])
	}
	k := robust.Median(rise) * (1/d.round - 1)
	return fmt.Sprintf("a hand-held probe while the shower runs, to u95 %.1f K, on the mains side's pipe where it leaves the unit, before any branch joins it: with the rest going round, it is %.0f K warmer there than preheat-out shows", 2*k/decided, k)
}

// flowThatTells returns the flow at which the rated unit in parallel flow and a weak
// one in counterflow, which agree at the usual flow, differ by [decided] standard
// uncertainties; empty where none between half and twice the usual flow does.
func (d *diagnoser) flowThatTells(l levels) string {
	if l.n == 0 || len(d.showers) == 0 {
		return ""
	}
	s := &d.showers[len(d.showers)/2]
	in := exchanger.Inlets{WasteInC: s.t[greywatt.WasteIn], ColdInC: s.t[greywatt.ColdIn]}
	r := math.Exp(robust.Median(d.lnFlows()) - l.wasteFlow)
	u := math.Max(0.01, l.uaRMS/2)
	gap := func(flow float64) float64 {
		f := exchanger.Flows{WasteLMin: flow / r, MainsLMin: flow}
		weak := exchanger.Effectiveness(d.rating.UA(f, in)*math.Exp(l.ua), f, in)
		return math.Log(weak / d.rating.Parallel(f, in))
	}
	usual := math.Exp(robust.Median(d.lnFlows()))
	base := gap(usual)
	for _, by := range []float64{1.2, 0.83, 1.4, 0.71, 1.7, 0.59, 2, 0.5} {
		if math.Abs(gap(usual*by)-base) > decided*u {
			return fmt.Sprintf("a shower of a few minutes at %.1f l/min, where parallel flow and a weak unit lie %.0f %% apart", usual*by, 100*math.Abs(math.Expm1(gap(usual*by)-base)))
		}
	}
	return ""
}
