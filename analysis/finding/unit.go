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
	reached := func(ss []shower) float64 {
		var of []float64
		for i := range ss {
			of = append(of, (ss[i].t[3]-ss[i].t[2])/(ss[i].t[0]-ss[i].t[2]))
		}
		return robust.Median(of)
	}
	if reached(d.showers[:k]) < reached(d.showers[k:])+sameRise {
		return // as little before: the bound lies among showers that are alike, whose level is weighed
	}
	var rise, fall, span []float64
	for i := k; i < len(d.showers); i++ {
		t := d.showers[i].t
		rise, fall, span = append(rise, t[3]-t[2]), append(fall, t[0]-t[1]), append(span, t[0]-t[2])
	}
	evidence := fmt.Sprintf("with %.0f K between waste and supply the mains side warms by %.1f K and the waste side cools by %.1f K (medians of %d showers)",
		robust.Median(span), robust.Median(rise), robust.Median(fall), len(span))
	d.add(NoRecovery, d.from(k), 0.97, evidence)
	d.showers = d.showers[:k]
}

// sameRise is the difference of rise over span below which a unit recovers as little as another: this project's choice.
const sameRise = 0.04

// day is the unit of time of trends, in seconds.
const day = 86400.0

// stretches cuts the showers where the trend starts afresh, and fits each part:
// at the cleanings and other work; at sudden rises, since a unit gets better from one shower to
// the next only when somebody cleaned or mended it, said so or not; and, as a
// model has one sudden change at most, at every sudden fall after the first.
func (d *diagnoser) stretches(ss []shower) []Segment {
	var out []Segment
	begin, from := 0, 0
	var work, next greywatt.FactKind
	for _, c := range append(d.cuts(), cut{at: math.MaxInt64}) {
		end := begin
		for end < len(ss) && ss[end].e.Start < c.at {
			end++
		}
		jump := 0.0
		work, next = next, c.kind
		for _, r := range append(d.restarts(ss[begin:end]), trend.Jump{Index: end - begin}) {
			if begin+r.Index > from {
				st := d.fit(ss[from : begin+r.Index])
				st.Jump, st.After = jump, work
				out = append(out, st)
				work = ""
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
	var flow, mains []float64
	for i := range ss {
		s := &ss[i]
		if math.IsNaN(s.lnUA) || math.IsInf(s.lnUA, 0) {
			continue
		}
		ps = append(ps, trend.Point{T: s.e.Start.Sub(st.From) / day, Y: s.lnUA, U: max(0.003, s.uRandom)})
		flow, mains = append(flow, math.Log(s.flow)), append(mains, s.t[2])
	}
	o := trend.Options{Strictness: 1.3}
	if _, spread := robust.MedianAndSpread(flow); spread > 0.02 && len(flow) >= 20 {
		o.Covariates = append(o.Covariates, trend.Covariate{Values: flow}) // what the rating's flow dependence leaves
	}
	if _, spread := robust.MedianAndSpread(mains); spread > 0.3 {
		o.Covariates = append(o.Covariates, trend.Covariate{Values: mains, Coefficient: trend.Prior{U: d.lawU}})
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
	if d.why != nil {
		for _, c := range d.why.changes {
			if c.cause != causeFouling && c.cause != causeStep && c.cause != causeMended {
				continue
			}
			n := 0
			for n < len(early) && early[n].e.Start.Sub(d.first)/day < c.course.t0 {
				n++
			}
			early = early[:min(len(early), max(n, 3))] // what came after is another level
		}
		early = d.why.best(early)
	}
	d.weighStanding(d.metered(early))
}

// weighStanding adds what is likelier than not among the hypotheses about showers
// over which nothing changes, and returns them all.
func (d *diagnoser) weighStanding(early []shower) []hypothesis {
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
		return nil
	}
	likeliest := likeliestOf(sum)
	if p := sum[likeliest] / total; p > likely {
		d.static(best[likeliest], p, early)
		d.account = best[likeliest]
		d.account.weight = p
	}
	d.healthy, d.next, d.nextP = sum[Healthy]/total, likeliest, sum[likeliest]/total
	if u := best[Undecided]; u.across != 0 && 2*u.weight > sum[likeliest] {
		d.acrossP, d.across = u.weight/total, u
	}
	if r := best[NoRecovery]; r.weight > worthNaming*total {
		d.round = r.round
	}
	if u := best[Undecided]; u.past != 0 && 2*u.weight > sum[likeliest] {
		d.pastP, d.past = u.weight/total, u.past
	}
	if sum[Undecided] > sum[likeliest] {
		d.next, d.nextP = "none of the hypotheses", sum[Undecided]/total
	}
	return hs
}

// crossed reports whether a clamp of either side is on the other's pipe, as far as all the
// showers show at once, and the first half of them too: what they seem to do over time then says nothing.
func (d *diagnoser) crossed(ss []shower) bool {
	across, total, ok := d.acrossIn(ss)
	if !ok {
		return false
	}
	if half := ss[:len(ss)/2]; len(half) >= enough {
		if early, _, ok := d.acrossIn(half); !ok || early.sensor != across.sensor || early.across != across.across {
			return false // it is what changed since that looks so
		}
	}
	d.across, d.acrossP, d.unchanged = across, across.weight/total, 1
	d.next, d.nextP = "none of the hypotheses", d.acrossP
	return true
}

// acrossIn weighs clamps in each other's place over some showers: likelier than the rest, and
// then a unit that does as its certificate says.
func (d *diagnoser) acrossIn(ss []shower) (across hypothesis, total float64, ok bool) {
	for _, h := range d.weighStatic(ss, d.others, d.days) {
		total += h.weight
		if h.across != 0 && h.weight > across.weight {
			across = h
		}
	}
	return across, total, across.weight > sureEnough*total && !(math.Abs(across.ua) > decided*unitSpread)
}

// likeliestOf returns the fault of most weight.
func likeliestOf(weight map[Code]float64) (code Code) {
	for _, c := range []Code{LowFromStart, ParallelFlow, FlowOffScale, ConnectionDiffers, SensorLoose, NoRecovery} {
		if weight[c] > weight[code] {
			code = c
		}
	}
	return code
}

// metered compares the two flow meters where the waste side has one, and returns the
// showers with the flow as it must be. The heat ratio is the ratio of flows,
// whatever the meters say. Which of the two is wrong the conductance tells: with
// the mains side's reading put right it comes nearer to the certificate's, or
// else the waste side's meter is the one.
func (d *diagnoser) metered(ss []shower) []shower {
	var misfits, uHeat []float64
	for i := range ss {
		s := &ss[i]
		if s.wasteFlow > event.FlowingLMin && s.t[0]-s.t[1] > 1 && s.t[3]-s.t[2] > 1 {
			misfits = append(misfits, math.Log(s.flow/s.wasteFlow)-math.Log((s.t[0]-s.t[1])/(s.t[3]-s.t[2])*(1-s.loss)))
			uHeat = append(uHeat, s.uHeat())
		}
	}
	if len(misfits) < enough {
		return ss
	}
	m, spread := robust.MedianAndSpread(misfits)
	u := math.Hypot(math.Hypot(0.03, robust.Median(uHeat)), spread/math.Sqrt(float64(len(misfits))))
	sound, offScale := (1-priorFlow)*normal(m, 0, u), priorFlow*uniform(m, -0.6, 0.6, u)
	p := offScale / (sound + offScale)
	d.metersAgree = p < likely
	if d.metersAgree {
		return ss
	}
	right := slices.Clone(ss)
	for i := range right {
		right[i].flow /= math.Exp(m)
	}
	which, channel := "the meter on the mains side", greywatt.Flow
	asRead, corrected := d.summarise(ss, nil), d.summarise(right, nil)
	if !(math.Abs(corrected.ua) < math.Abs(asRead.ua)) {
		which, channel, right = "the meter on the waste side", greywatt.WasteFlow, ss
	}
	evidence := fmt.Sprintf("mains over waste flow is %.2f of what both sides' temperatures give (±%.2f, %d showers); by the conductance it is %s", math.Exp(m), 2*u, len(misfits), which)
	d.addSensor(FlowOffScale, channel, d.first, p, evidence)
	return right
}

// static words a standing finding.
func (d *diagnoser) static(h hypothesis, p float64, ss []shower) {
	for _, f := range d.found {
		if f.Code == h.code {
			return
		}
	}
	l := d.summarise(ss, nil)
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
	case NoRecovery:
		d.add(h.code, d.first, p, fmt.Sprintf("effectiveness is %.2f of the expected over %d showers, as if %.0f %% of the mains water went through the unit and the rest round it (scatter %.3f, against %.3f for a weak unit, whose conductance would be %.2f of the certificate's)",
			d.reached(ss), len(ss), 100*h.round, h.rms, l.uaRMS*l.perUA, ratio))
	case FlowOffScale:
		word := "low"
		if l.ua > 0 {
			word = "high"
		}
		d.add(h.code, d.first, p, fmt.Sprintf("conductance comes out at %.2f of the certificate's (±%.2f) with waste and mains heat in agreement: the meter reads %s by a factor of about %.2f, or the certificate is not this unit's",
			ratio, 2*l.uUA*ratio, word, math.Exp(l.ua/flowGain)))
	case ConnectionDiffers:
		there := d.assumption
		there.connection = h.as
		lo := there.summarise(ss, nil)
		d.add(h.code, d.first, p, fmt.Sprintf("mains over waste flow is %.2f by the heat balance and %.1f draws a day from other taps pass the unit: connection %s, not %s; read so, conductance is %.2f of the certificate's",
			math.Exp(l.heat), float64(d.others)/max(1, d.days), h.as, d.connection, math.Exp(lo.ua)))
	case SensorLoose:
		d.addLoose(h.sensor, d.first, p, fmt.Sprintf("%s; %s", d.heatWords(l.heat), h.contactWords("that and the conductance to what they should be")))
	}
}

// reached is the median of effectiveness over the expected.
func (d *diagnoser) reached(ss []shower) float64 {
	var of []float64
	for i := range ss {
		of = append(of, d.ratioAt(ss[i].t, ss[i].flow, ss[i].loss))
	}
	return robust.Median(of)
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
	if since := d.dwelling.UnitSince(d.first); since > from {
		from, what = since, "put in place"
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
	return fmt.Sprintf("; the log begins %.0f days after the unit was %s on %s, so this may be fouling of that time: clean the waste side first", days, what, d.date(from))
}

// heatWords says what the heat ratio is: of heats in A, where both sides carry
// the same water, and else of flows.
func (d *diagnoser) heatWords(ln float64) string {
	if math.IsNaN(ln) {
		return "no heat balance, as waste-out is not read"
	}
	if d.connection == greywatt.ConnectionA {
		return fmt.Sprintf("waste heat over mains heat %.2f", math.Exp(ln))
	}
	return fmt.Sprintf("mains over waste flow %.2f by the heat balance", math.Exp(ln))
}

// nothing says that there is no finding, or too little to tell.
func (d *diagnoser) nothing() {
	n := len(d.showers)
	if n < enough {
		d.add(Undecided, 0, 0, fmt.Sprintf("%d showers with a steady part; %d are needed", n, enough))
		return
	}
	l := d.summarise(d.showers, nil)
	evidence := fmt.Sprintf("conductance %.2f of the certificate's (±%.2f), %s", math.Exp(l.ua), 2*l.uUA*math.Exp(l.ua), d.heatWords(l.heat))
	if l.n == 0 {
		evidence = "the temperatures as declared are none that an exchanger can have"
	}
	healthy := d.healthy * d.unchanged
	if healthy > healthyEnough && len(d.open) < 2 {
		d.decideNow = d.decideHealthy
		d.add(Healthy, 0, healthy, fmt.Sprintf("%s, %s over %d showers%s%s", evidence, d.mendedWords(), n, d.habitWords(d.why), d.rivalWords(healthy)))
		d.decideNow = ""
		return
	}
	d.add(Undecided, 0, d.likeliest(), fmt.Sprintf("%s; %d showers%s", evidence, n, d.candidates()))
	if len(d.open) > 1 {
		d.found[0].Decide = d.decideOpen
	}
}

// rivalWords names what else may be where a healthy dwelling is not sure to be one.
func (d *diagnoser) rivalWords(healthy float64) string {
	if healthy >= sureEnough {
		return ""
	}
	var words []string
	if d.pastP > worthNaming {
		words = append(words, fmt.Sprintf("%.0f %% of the mains water through the unit and the rest past unit and meter (%.2f)", 100*d.past, d.pastP))
	}
	if p := d.nextP * d.unchanged; p > worthNaming && d.next != "" && d.pastP == 0 {
		words = append(words, fmt.Sprintf("%s (%.2f)", d.next, p))
	}
	if d.why != nil {
		for i := range d.why.rivals {
			words = append(words, fmt.Sprintf("%s (%.2f)", d.why.rivals[i].words(), d.why.rivals[i].p*d.healthy))
		}
	}
	if len(words) == 0 && d.next != "" {
		words = append(words, fmt.Sprintf("%s (%.2f)", d.next, d.nextP*d.unchanged))
	}
	if len(words) == 0 {
		return ""
	}
	return "; not told apart from it: " + strings.Join(words, ", ")
}

// likeliest is the probability of the likeliest explanation where none is sure enough.
func (d *diagnoser) likeliest() float64 {
	if len(d.open) < 2 {
		return max(d.healthy, d.nextP) * d.unchanged
	}
	most := 0.0
	for _, c := range d.open {
		if !c.cause.unnamed() {
			most = max(most, c.p)
		}
	}
	return most
}

// mendedWords says what changed for the better, or that nothing did.
func (d *diagnoser) mendedWords() string {
	if d.why != nil {
		for _, c := range d.why.changes {
			if c.cause == causeMended {
				at := d.first.Add(c.course.t0 * day)
				return fmt.Sprintf("which rose by %.0f %% (±%.1f %%) about %s, as when a unit is cleaned or a valve is opened, and no other change", 100*math.Expm1(c.size), 200*c.u, d.date(at))
			}
		}
	}
	return "no change"
}

// candidates names what the comparison left open.
func (d *diagnoser) candidates() string {
	if len(d.open) < 2 && d.acrossP > likely {
		return fmt.Sprintf("; %s and %s, each read in the other's place, bring heat balance and conductance to what they should be (%.2f)", d.across.sensor, d.across.across, min(0.99, d.acrossP))
	}
	if len(d.open) < 2 && d.acrossP > 0 {
		return fmt.Sprintf("; healthy has %.2f, %s and %s in each other's place have %.2f, which is not enough to tell", d.healthy, d.across.sensor, d.across.across, d.acrossP)
	}
	if len(d.open) < 2 && d.pastP > 0 {
		return fmt.Sprintf("; as if %.0f %% of the mains water went through the unit and the rest past unit and meter (%.2f); healthy has %.2f", 100*d.past, min(0.99, d.pastP), d.healthy)
	}
	if len(d.open) < 2 {
		return fmt.Sprintf("; healthy has %.2f and %s %.2f, which is not enough to tell", d.healthy, d.next, d.nextP)
	}
	return fmt.Sprintf("; of the change over time %s (%.2f) and %s (%.2f) are the likeliest explanations, and neither is sure enough", d.open[0].words(), d.open[0].p, d.open[1].words(), d.open[1].p)
}

// words names a cause.
func (c *change) words() string {
	ch, has := c.cause.channel()
	switch {
	case c.cause == causeNone:
		return "no change"
	case c.cause == causeFouling:
		return "fouling"
	case c.cause == causeStep:
		return "a sudden loss of the unit"
	case c.cause == causeMended:
		return "a unit that was cleaned or mended"
	case c.cause.unnamed():
		return "none of these"
	case has && c.cause >= causeLoose:
		return "a loose clamp at " + ch.String()
	case has && (c.cause == causeMeterStep || c.cause == causeWasteMeterStep):
		return "another scale of the meter " + ch.String()
	}
	return "a drift of " + ch.String()
}
