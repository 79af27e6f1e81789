package finding

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/robust"
	"greywatt/analysis/trend"
)

// bypassed looks for a unit that recovers nothing.
//
// Where the mains water goes round the unit, or a valve holds it back, neither
// side changes: preheat leaves as cold as it came and waste as warm. A unit that
// is only dirty still passes a good part of its heat.
func (d *diagnoser) bypassed() {
	holds := make([]bool, len(d.showers))
	for i := range d.showers {
		s := &d.showers[i]
		span := s.t[0] - s.t[2]
		holds[i] = span > event.MinSpanK && math.Abs(s.t[3]-s.t[2]) < 0.12*span && math.Abs(s.t[0]-s.t[1]) < 0.2*span
	}
	k := since(holds)
	if k < 0 {
		return
	}
	var rise, fall, span []float64
	for i := k; i < len(d.showers); i++ {
		t := d.showers[i].t
		rise, fall, span = append(rise, t[3]-t[2]), append(fall, t[0]-t[1]), append(span, t[0]-t[2])
	}
	evidence := fmt.Sprintf("with %.0f K between waste and supply the mains rises by %.1f K and the drain falls by %.1f K (medians of %d showers)",
		robust.Median(span), robust.Median(rise), robust.Median(fall), len(span))
	d.add(NoRecovery, d.from(k), 0.97, evidence)
	d.showers = d.showers[:k]
}

// day is the unit of time of trends, in seconds.
const day = 86400.0

// stretches cuts the showers where the trend starts afresh, and fits each part:
// at the cleanings; at sudden rises, since a unit gets better from one shower to
// the next only when somebody cleaned or mended it, said so or not; and, as a
// model has one sudden change at most, at every sudden fall after the first.
func (d *diagnoser) stretches(ss []shower) []Segment {
	var out []Segment
	cuts := []greywatt.Instant{}
	for _, c := range d.dwelling.Cleaned {
		cuts = append(cuts, c.In(d.study.Location()))
	}
	begin, from := 0, 0
	for _, c := range append(cuts, math.MaxInt64) {
		end := begin
		for end < len(ss) && ss[end].e.Start < c {
			end++
		}
		jump := 0.0
		for _, r := range append(d.restarts(ss[begin:end]), trend.Jump{Index: end - begin}) {
			if begin+r.Index > from {
				st := d.fit(ss[from : begin+r.Index])
				st.Jump = jump
				out = append(out, st)
			}
			from, jump = begin+r.Index, r.Size
		}
		begin = end
	}
	return out
}

// restarts returns the sudden changes of conductance at which a trend is cut.
func (d *diagnoser) restarts(ss []shower) []trend.Jump {
	var ps []trend.Point
	var index []int
	for i := range ss {
		if s := &ss[i]; !math.IsNaN(s.lnUA) && !math.IsInf(s.lnUA, 0) {
			ps = append(ps, trend.Point{T: s.e.Start.Sub(d.first) / day, Y: s.lnUA, U: max(0.003, s.uRandom)})
			index = append(index, i)
		}
	}
	js, err := trend.Jumps(ps, leastStep)
	if err != nil {
		return nil // too few showers
	}
	var out []trend.Jump
	falls := 0
	for _, j := range js {
		if j.Size < 0 {
			if falls++; falls == 1 {
				continue
			}
		} else {
			falls = 0
		}
		j.Index = index[j.Index]
		out = append(out, j)
	}
	return out
}

// fit chooses a model for the conductance of showers.
func (d *diagnoser) fit(ss []shower) Segment {
	st := Segment{From: ss[0].e.Start, To: ss[len(ss)-1].e.Start, Showers: len(ss)}
	var ps []trend.Point
	var flow []float64
	for i := range ss {
		s := &ss[i]
		if math.IsNaN(s.lnUA) || math.IsInf(s.lnUA, 0) {
			continue
		}
		ps = append(ps, trend.Point{T: s.e.Start.Sub(st.From) / day, Y: s.lnUA, U: max(0.003, s.uRandom)})
		flow = append(flow, math.Log(s.flow))
	}
	o := trend.Options{Strictness: 1.3}
	if _, spread := robust.MedianAndSpread(flow); spread > 0.02 && len(flow) >= 20 {
		o.Covariates = []trend.Covariate{{Values: flow}} // what the rating's flow dependence leaves
	}
	m, err := trend.Fit(ps, o)
	if err == nil {
		st.Model, st.Fitted = m, true
	}
	return st
}

// What a change must be to be a finding, in ln UA: this project's choice. A
// fifth of what is worth cleaning for, beyond what seasons do to viscosity.
const (
	leastStep    = 0.06
	leastFouling = 0.05
	markLoss     = 0.08 // loss of ln UA from which fouling is dated: the first moment at which it matters
)

// changes reads step losses and fouling out of the stretches.
//
// Dirt grows: conductance falls day by day, steadily or towards a limit. A unit
// that slipped from the vertical, or a valve that someone turned, loses at once
// and then stays. Both leave the heat balance alone, which has been looked at
// before. Flow habit and season are outside: conductance is taken relative to
// the rated unit's at the same flows.
func (d *diagnoser) changes(sts []Segment, ss []shower) {
	for i := range sts {
		st := &sts[i]
		if st.Jump < 0 {
			d.add(StepLoss, st.From, 0.95, fmt.Sprintf("conductance fell by %.0f %% from one shower to the next", -100*math.Expm1(st.Jump)))
		}
		if !st.Fitted {
			continue
		}
		m := &st.Model
		total, u := m.Between(m.T0, m.T1)
		switch m.Kind {
		case trend.Step, trend.StepAndLine:
			if math.Abs(m.Step) > max(leastStep, 3*m.UStep) {
				d.stepLoss(st, ss)
			}
			if m.Kind == trend.StepAndLine {
				if rest := total - m.Step; rest < -max(leastFouling, 3*u) {
					d.fouling(st, ss)
				}
			}
		case trend.Line, trend.Bend, trend.Approach, trend.LateApproach:
			if total < -max(leastFouling, 3*u) {
				d.fouling(st, ss)
			}
		}
	}
}

// stepLoss tells a loss of the unit from a flow meter that changed its scale.
func (d *diagnoser) stepLoss(st *Segment, ss []shower) {
	m := &st.Model
	at := st.From.Add(m.ChangeT * day)
	var before, after []shower
	for i := range ss {
		switch s := &ss[i]; {
		case s.e.Start < st.From || s.e.Start > st.To:
		case s.e.Start < at:
			before = append(before, *s)
		default:
			after = append(after, *s)
		}
	}
	confidence := 1 - 0.5*math.Exp(-math.Abs(m.Step)/m.UStep/3)
	factor, p := d.rescaled(before, after)
	if p > 0.5 {
		evidence := fmt.Sprintf("conductance moved by %+.0f %% from one shower to the next, and with it the metered flows; with a meter that reads %.2f of what it read before, both are as they were",
			100*math.Expm1(m.Step), factor)
		d.add(FlowOffScale, at, p*confidence, evidence)
		return
	}
	if m.Step > 0 {
		return
	}
	evidence := fmt.Sprintf("conductance fell by %.0f %% (±%.1f %%) between %s and %s and stayed; drain and mains heat still agree",
		-100*math.Expm1(m.Step), 200*m.UStep, d.date(st.From.Add(m.ChangeLo*day)), d.date(st.From.Add(m.ChangeHi*day)))
	d.add(StepLoss, at, (1-p)*confidence, evidence)
}

// priorMeter is how often a sudden change is the flow meter's rather than the
// unit's: the project's choice.
const priorMeter = 0.15

// rescaled returns the factor by which a flow meter's readings must have changed
// for a sudden change of conductance to be its doing, and the probability that
// it is.
//
// A meter of another scale moves the flow, and with it what is expected of the
// unit, and leaves the temperatures alone; people go on showering as they did. So
// if the meter changed, the flows divided by the factor that brings the
// conductance back are distributed as before, and if the unit changed, those as
// read are. Either is weighed by the largest distance D between the two
// distributions, exp(-2mD²) after Kolmogorov and Smirnov, with a quarter of the
// showers taken as independent.
func (d *diagnoser) rescaled(before, after []shower) (factor, p float64) {
	var was, is, flowWas, flowIs []float64
	for i := range before {
		was, flowWas = append(was, d.see(before[i].t, before[i].flow).ua), append(flowWas, math.Log(before[i].flow))
	}
	for i := range after {
		flowIs = append(flowIs, math.Log(after[i].flow))
	}
	if len(before) < 4 || len(after) < 4 {
		return 1, 0
	}
	target, ln := robust.Median(was), 0.0
	for range 5 { // Newton, with the usual slope
		is = is[:0]
		for i := range after {
			is = append(is, d.see(after[i].t, after[i].flow*math.Exp(-ln)).ua)
		}
		ln += (robust.Median(is) - target) / flowGain
	}
	if !(math.Abs(ln) > 0.1 && math.Abs(ln) < math.Ln2) {
		return math.Exp(ln), 0
	}
	n1, n2 := float64(len(before)), float64(len(after))
	m := n1 * n2 / (n1 + n2) / 4
	weight := func(d float64) float64 { return math.Exp(-2 * m * d * d) }
	unit, meter := weight(distance(flowWas, flowIs, 0)), priorMeter*weight(distance(flowWas, flowIs, ln))
	return math.Exp(ln), meter / (unit + meter)
}

// distance is the largest between the distributions of a and of b less by.
func distance(a, b []float64, by float64) float64 {
	below := func(xs []float64, x float64) float64 {
		n := 0
		for _, v := range xs {
			if v <= x {
				n++
			}
		}
		return float64(n) / float64(len(xs))
	}
	most := 0.0
	for _, x := range a {
		most = max(most, math.Abs(below(a, x)-below(b, x+by)))
	}
	for _, x := range b {
		most = max(most, math.Abs(below(a, x-by)-below(b, x)))
	}
	return most
}

// courses say how fouling went, by the kind of model that describes it.
var courses = map[trend.Kind]string{
	trend.Line:         "steadily",
	trend.Bend:         "at first not at all, then steadily",
	trend.Approach:     "fast at first, then slower",
	trend.LateApproach: "at first not at all, then fast, then slower",
	trend.StepAndLine:  "steadily, beside a sudden change",
}

// lost returns the first moment of the stretch from which the running median of
// ln UA stays loss below where it began. It asks the showers and not the model:
// a line through a level and a slope begins to fall too early.
func lost(st *Segment, ss []shower, loss float64) greywatt.Instant {
	const width = 9
	var ln []float64
	var at []greywatt.Instant
	for i := range ss {
		if s := &ss[i]; s.e.Start >= st.From && s.e.Start <= st.To && !math.IsNaN(s.lnUA) && !math.IsInf(s.lnUA, 0) {
			ln, at = append(ln, s.lnUA), append(at, s.e.Start)
		}
	}
	start := robust.Median(ln[:min(len(ln), width)])
	since := st.From
	for i := len(ln) - 1; i >= 0; i-- {
		if m := robust.Median(ln[max(0, i-width/2):min(len(ln), i+width/2+1)]); m > start-loss {
			break
		}
		since = at[i]
	}
	return since
}

func (d *diagnoser) fouling(st *Segment, ss []shower) {
	m := &st.Model
	total, u := m.Between(m.T0, m.T1)
	if m.Kind == trend.StepAndLine {
		total -= m.Step
	}
	since := lost(st, ss, min(markLoss, -total/2))
	confidence := 1 - 0.5*math.Exp(-math.Abs(total)/u/3)
	evidence := fmt.Sprintf("conductance fell by %.0f %% (±%.1f %%) over %.0f days, %s; %d showers; drain and mains heat still agree",
		-100*math.Expm1(total), 200*u, m.T1-m.T0, courses[m.Kind], st.Showers)
	if last := ss[len(ss)-1].e.Start; st.To < last {
		evidence += "; until " + d.date(st.To) + ", when the unit was cleaned or changed"
	}
	d.add(Fouling, since, confidence, evidence)
}

// standing weighs what has been so from the start: the first stretch up to its
// first change.
func (d *diagnoser) standing(sts []Segment, ss []shower) {
	early := ss
	if len(sts) > 0 && sts[0].Fitted {
		st := &sts[0]
		m := &st.Model
		until := st.To
		switch {
		case !math.IsNaN(m.ChangeT):
			until = st.From.Add(m.ChangeT * day)
		case m.Kind == trend.Line || m.Kind == trend.Approach:
			until = st.From.Add(max(7, (m.T1-m.T0)/8) * day)
		}
		n := 0
		for n < len(ss) && ss[n].e.Start < until {
			n++
		}
		if n >= 3 {
			early = ss[:n]
		}
	}
	d.weighStanding(d.metered(early))
}

// weighStanding adds what is likelier than not among the accounts of showers
// over which nothing changes.
func (d *diagnoser) weighStanding(early []shower) {
	hs := d.weighStatic(early, d.others, d.days)
	sum := map[Code]float64{}
	var total float64
	best := map[Code]hypothesis{}
	for _, h := range hs {
		sum[h.code] += h.weight
		total += h.weight
		if h.weight > best[h.code].weight {
			best[h.code] = h
		}
	}
	if total <= 0 {
		return
	}
	likeliest, next := likeliestOf(sum)
	if p := sum[likeliest] / total; p > 0.5 || p > likelyEnough && sum[likeliest] > aheadOf*next {
		d.static(best[likeliest], p, early)
	}
	d.healthy = sum[Healthy] / total
}

// From which share of the weight an account is named that has not half of it,
// and how far ahead of the next it must be: this project's choice. Its confidence
// says what it is.
const (
	likelyEnough = 0.4
	aheadOf      = 1.5
)

// likeliestOf returns the code of most weight, healthy apart, and the weight of
// the next, healthy among them.
func likeliestOf(weight map[Code]float64) (code Code, next float64) {
	next = weight[Healthy]
	for _, c := range []Code{LowFromStart, ParallelFlow, FlowOffScale, ConnectionDiffers, SensorLoose} {
		switch w := weight[c]; {
		case w > weight[code]:
			code, next = c, max(next, weight[code])
		default:
			next = max(next, w)
		}
	}
	return code, next
}

// metered compares the two flow meters where the drain has one, and returns the
// showers with the flow as it must be. The heat ratio is the ratio of flows,
// whatever the meters say. Which of the two is wrong the conductance tells: with
// the mains side's reading put right it comes nearer to the certificate's, or
// else the drain's meter is the one.
func (d *diagnoser) metered(ss []shower) []shower {
	var off []float64
	for i := range ss {
		s := &ss[i]
		if s.drain > event.FlowingLMin && s.t[0]-s.t[1] > 1 && s.t[3]-s.t[2] > 1 {
			off = append(off, math.Log(s.flow/s.drain)-math.Log((s.t[0]-s.t[1])/(s.t[3]-s.t[2])))
		}
	}
	if len(off) < enough {
		return ss
	}
	m, spread := robust.MedianAndSpread(off)
	u := math.Hypot(0.03, spread/math.Sqrt(float64(len(off))))
	d.metersAgree = math.Abs(m) < max(0.1, 3*u)
	if d.metersAgree {
		return ss
	}
	right := slices.Clone(ss)
	for i := range right {
		right[i].flow /= math.Exp(m)
	}
	which := "the meter on the mains side"
	as, put := d.look(ss, nil), d.look(right, nil)
	if !(math.Abs(put.ua) < math.Abs(as.ua)) {
		which, right = "the meter on the drain", ss
	}
	evidence := fmt.Sprintf("mains over drain flow is %.2f of what both sides' temperatures give (±%.2f, %d showers); by the conductance it is %s", math.Exp(m), 2*u, len(off), which)
	d.add(FlowOffScale, d.first, 0.95, evidence)
	return right
}

// static words a standing finding.
func (d *diagnoser) static(h hypothesis, p float64, ss []shower) {
	for _, f := range d.found {
		if f.Code == h.code {
			return
		}
	}
	l := d.look(ss, nil)
	ratio := math.Exp(l.ua)
	switch h.code {
	case LowFromStart:
		unwatched := d.unwatched()
		d.add(h.code, d.first, p, fmt.Sprintf("conductance is %.2f of the certificate's (±%.2f) since the first of %d showers; %s%s",
			ratio, 2*l.uUA*ratio, len(ss), d.heatWords(l.heat), unwatched))
		if f := &d.found[len(d.found)-1]; unwatched != "" {
			clean, _ := Advice(Fouling)
			f.Advice = clean + " If it is still weak: " + strings.ToLower(f.Advice[:1]) + f.Advice[1:]
		}
	case ParallelFlow:
		d.add(h.code, d.first, p, fmt.Sprintf("effectiveness is %.2f of what parallel flow of the rated unit gives, at every flow (scatter %.3f, against %.3f for a weak counterflow unit); conductance as counterflow would be %.2f of the certificate's",
			math.Exp(l.parallel), l.parRMS, l.uaRMS, ratio))
	case FlowOffScale:
		word := "low"
		if l.ua > 0 {
			word = "high"
		}
		d.add(h.code, d.first, p, fmt.Sprintf("conductance comes out at %.2f of the certificate's (±%.2f) with drain and mains heat in agreement: the meter reads %s by a factor of about %.2f, or the certificate is not this unit's",
			ratio, 2*l.uUA*ratio, word, math.Exp(l.ua/flowGain)))
	case ConnectionDiffers:
		there := d.place
		there.connection = h.as
		lo := there.look(ss, nil)
		d.add(h.code, d.first, p, fmt.Sprintf("mains over drain flow is %.2f by the heat balance and %.1f draws a day from other taps pass the unit: connection %s, not %s; read so, conductance is %.2f of the certificate's",
			math.Exp(l.heat), float64(d.others)/max(1, d.days), h.as, d.connection, math.Exp(lo.ua)))
	case SensorLoose:
		d.addLoose(h.sensor, d.first, p, fmt.Sprintf("%s; %s", d.heatWords(l.heat), h.grip("that and the conductance to what they should be")))
	}
}

// longUnwatched is the time in use, days, from which a unit may have been fouled
// before its log began: this project's choice.
const longUnwatched = 60

// unwatched says, of a unit that is weak from the log's first day on, that it
// need not have been when it was new or clean; empty where the log began soon
// after, or nothing is known of that.
func (d *diagnoser) unwatched() string {
	var from greywatt.Instant
	what := "commissioned"
	if day := d.dwelling.Commissioned; !day.IsZero() {
		from = day.In(d.study.Location())
	}
	for _, day := range d.dwelling.Cleaned {
		if at := day.In(d.study.Location()); at > from && at <= d.first {
			from, what = at, "cleaned"
		}
	}
	days := d.first.Sub(from) / 86400
	if from == 0 || days < longUnwatched {
		return ""
	}
	return fmt.Sprintf("; the log begins %.0f days after the unit was %s on %s, so this may be fouling of that time: clean the drain side first", days, what, d.date(from))
}

// heatWords says what the heat ratio is: of heats in A, where both sides carry
// the same water, and else of flows.
func (d *diagnoser) heatWords(ln float64) string {
	if d.connection == greywatt.ConnectionA {
		return fmt.Sprintf("drain heat over mains heat %.2f", math.Exp(ln))
	}
	return fmt.Sprintf("mains over drain flow %.2f by the heat balance", math.Exp(ln))
}

// nothing says that there is no finding, or too little to tell.
func (d *diagnoser) nothing() {
	n := len(d.showers)
	if n < enough {
		d.add(Undecided, 0, 1, fmt.Sprintf("%d showers with a steady part; %d are needed", n, enough))
		return
	}
	l := d.look(d.showers, nil)
	evidence := fmt.Sprintf("conductance %.2f of the certificate's (±%.2f), %s, no change over %d showers",
		math.Exp(l.ua), 2*l.uUA*math.Exp(l.ua), d.heatWords(l.heat), n)
	if d.healthy > 0.5 {
		d.add(Healthy, 0, d.healthy, evidence)
		return
	}
	d.add(Undecided, 0, 1-d.healthy, evidence+"; no single account explains it")
}
