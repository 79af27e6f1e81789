package finding

import (
	"fmt"
	"math"
	"strings"

	"greywatt"
	"greywatt/analysis/event"
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
	if a.cause == causeNone || a.cause == causeMisfit {
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
			size := math.Abs(math.Expm1(c.size * c.course.at(x.groups[len(x.groups)-1].t)))
			if c.cause == causeMeter || c.cause == causeMeterStep {
				add("the meter flow against a bucket and a watch, to u95 %.0f %%", 100*2*size/decided)
				if d.meterless() {
					add("a meter on the waste side of u95 %.0f %%", 100*2*size/decided)
				}
			} else {
				add("the meter waste-flow against the mains meter's volume in a shower of %.0f l, to u95 %.0f %%", d.volume(x.groups), 100*2*size/decided)
			}
		case c.cause >= causeLoose:
			add("%s against a hand-held probe on its pipe while the shower runs, to u95 %.1f K", ch, 2*d.looseK(x, c)/decided)
		default:
			size := math.Abs(c.size * c.course.at(x.groups[len(x.groups)-1].t))
			nights := math.Max(1, math.Ceil(math.Pow(decided*restU/size, 2)))
			add("%.0f %s of rest, four hours and more without a draw, to compare %s with the other clamps to ±%.2f K", nights, plural(nights, "night"), ch, 2*size/decided)
		}
	}
	if unit(a.cause) && (b.cause == causeNone || b.cause == causeMisfit) || len(ways) == 0 {
		if w := d.longer(a, sts); w != "" {
			ways = append(ways, w)
		}
	}
	if len(ways) == 0 {
		add("%.0f more showers with a minute of steady flow", math.Max(enough, float64(len(d.showers))/2))
	}
	return strings.Join(ways, "; or ")
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

func (d *diagnoser) volume(gs []group) float64 {
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
	base := d.evaluate(s.t, s.flow).ua
	var part [4]float64
	var clamps float64
	worst := 0
	for p := range 4 {
		t := s.t
		t[p] += 0.1
		part[p] = math.Abs(d.evaluate(t, s.flow).ua-base) / 0.1 * u[p]
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
		ways = append(ways, fmt.Sprintf("a zero check of the clamps in a night of rest, or clamps of u95 %.2f K in place of %.2f K: %s alone makes %.0f %% of the conductance's uncertainty",
			2*u[worst]*wanted/clamps, 2*u[worst], greywatt.Channel(worst), 100*part[worst]*part[worst]/(l.uUA*l.uUA+1e-9)))
	}
	if random > wanted {
		ways = append(ways, fmt.Sprintf("%.0f more showers", float64(l.n)*(math.Pow(random/wanted, 2)-1)))
	}
	if d.meterless() {
		ways = append(ways, fmt.Sprintf("a meter on the waste side of u95 %.0f %%, or the mains meter against a bucket to as much", 200*math.Max(0.01, math.Abs(l.ua)/flowGain/decided)))
	}
	return strings.Join(ways, "; or ")
}
