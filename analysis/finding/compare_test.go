package finding

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/exchanger"
)

// A record is one dwelling's showers as a test wants them: means at the ports, made
// by hand with the effectiveness-NTU relation of counterflow and the mixer's mixing
// rule, without pipes, sensors or time within a shower. Functions of the day are
// nil where nothing changes.
type record struct {
	connection greywatt.Connection
	days       float64
	perDay     float64
	seed       uint64
	conduct    func(day float64) float64    // UA over the certificate's; nil: 1
	clampK     func(day float64) [4]float64 // error of each clamp
	contact    func(day float64) float64    // share of its pipe that waste-in shows; nil: 1
	meter      func(day float64) float64    // mains meter's scale; nil: 1
	wasteMeter bool
	mainsC     func(day float64) float64 // nil: 12
	unread     bool                      // waste-out has no readings
	lostHeat   func(day float64) float64 // of the waste side's fall, beyond 2 %
	drawsAt    func(day float64) float64 // flow over the usual; nil: 1
	warmer     func(day float64) float64 // K, of the waste over the usual
	flowLaw    float64                   // power of the flow by which UA follows it otherwise than the rating has it
	passes     func(day float64) float64 // share of the mains water that goes through unit and meter; nil: 1
	through    float64                   // share of the mains water that goes through the unit, the rest round it between the clamps; 0: all
	bathS      float64                   // s of a draw without warm waste after each shower; 0: none, but 40 s now and then in A and C
}

const (
	testHotC  = 60.0
	testRoomC = 20.0
)

func at(f func(float64) float64, day, otherwise float64) float64 {
	if f == nil {
		return otherwise
	}
	return f(day)
}

// events returns the record's showers. Differences from shower to shower: flow 7 to
// 10 l/min, waste 36 to 38 °C, 0.03 K at each clamp.
func (r record) events() (*greywatt.Study, []event.Event) {
	dw := greywatt.Dwelling{ID: "bench", Connection: r.connection, Heater: greywatt.Heater{HotC: testHotC},
		Exchanger: greywatt.Exchanger{Rated: []greywatt.RatedPoint{{FlowLMin: 6, Effectiveness: 0.53}, {FlowLMin: 9, Effectiveness: 0.48}, {FlowLMin: 12, Effectiveness: 0.445}}}}
	study := &greywatt.Study{Timezone: time.UTC, Dwellings: []greywatt.Dwelling{dw}}
	rating := exchanger.NewRating(dw.Exchanger)
	as := assumption{connection: r.connection, hotC: testHotC, rating: rating}
	g := rand.New(rand.NewPCG(r.seed, 7))
	var out []event.Event
	start := greywatt.Instant(0).Add(1.767e9)
	n := int(r.days * r.perDay)
	for i := range n {
		day := (float64(i) + 0.3*g.Float64()) / r.perDay
		waste, mains := 37+g.Float64()*2-1+at(r.warmer, day, 0), at(r.mainsC, day, 12)+0.3*g.NormFloat64()
		drain := (7 + 3*g.Float64()) * at(r.drawsAt, day, 1) // waste side, l/min
		share := 1.0                                         // mains side of it
		var t [4]float64
		// the mixer's share depends on the preheat and the other way round
		for range 60 {
			share *= at(r.passes, day, 1)
			through := cmp.Or(r.through, 1)
			f := exchanger.Flows{WasteLMin: drain, MainsLMin: drain * share * through}
			in := exchanger.Inlets{WasteInC: waste, ColdInC: mains}
			rise := through * exchanger.Effectiveness(rating.UA(f, in)*at(r.conduct, day, 1)*math.Pow(drain/8.5, r.flowLaw), f, in) * (waste - mains)
			fall := rise * share * (1 + 0.02) * (1 + at(r.lostHeat, day, 0))
			t = [4]float64{waste, waste - fall, mains, mains + rise}
			head := waste + event.HandDropK
			switch r.connection {
			case greywatt.ConnectionA:
				share = 1
			case greywatt.ConnectionB:
				share = (testHotC - head) / (testHotC - t[3])
			case greywatt.ConnectionC:
				share = (head - mains) / (testHotC - mains)
			}
		}
		share *= at(r.passes, day, 1)
		if r.clampK != nil {
			for p, k := range r.clampK(day) {
				t[p] += k
			}
		}
		t[0] = testRoomC + (t[0]-testRoomC)*at(r.contact, day, 1)
		for p := range t {
			t[p] += 0.03 * g.NormFloat64()
		}
		if r.unread {
			t[1] = math.NaN()
		}
		e := event.New()
		e.Start = start.Add(day * 86400)
		e.End = e.Start.Add(400)
		e.Kind, e.RunningS, e.VolumeL = event.Shower, 400, drain*share*400/60
		e.ID = fmt.Sprintf("bench-%d", i)
		e.FlowLMin, e.RoomC = drain*share*at(r.meter, day, 1), testRoomC
		e.WasteInC, e.WasteOutC, e.ColdInC, e.PreheatOutC = t[0], t[1], t[2], t[3]
		metered := math.NaN()
		if r.wasteMeter {
			metered = drain
		}
		e.Parts = []event.Part{{Span: event.Span{From: e.Start, To: e.End}, PortC: portsOf(t), FlowLMin: e.FlowLMin, MeteredWasteLMin: metered}}
		v := as.evaluate(t, e.FlowLMin, event.LossesOf(rating).Share(portsOf(t), e.FlowLMin, testRoomC))
		e.UARatio = math.Exp(v.ua)
		e.UARatioU95, e.UARatioRandom = 0.06*e.UARatio, 0.01*e.UARatio
		in := exchanger.Inlets{WasteInC: t[0], ColdInC: t[2]}
		f := exchanger.Flows{WasteLMin: drain, MainsLMin: drain * share}
		e.Ratio = (t[3] - t[2]) / (t[0] - t[2]) / rating.At(f, in).Effectiveness
		out = append(out, e)
		seconds := r.bathS
		if seconds == 0 && r.connection != greywatt.ConnectionB && i%2 == 0 {
			seconds = 40 // a basin
		}
		if seconds > 0 {
			o := event.New()
			o.Kind, o.RunningS, o.Start, o.End = event.OtherDraw, seconds, e.End.Add(3600), e.End.Add(3600+seconds)
			out = append(out, o)
		}
	}
	return study, out
}

func (r record) diagnose() Diagnosis {
	study, events := r.events()
	return Diagnose(study, &study.Dwellings[0], event.All(events), nil)
}

func ramp(from, over, size float64) func(float64) float64 {
	return func(day float64) float64 { return 1 + size*min(1, max(0, (day-from)/over)) }
}

func jump(at, size float64) func(float64) float64 {
	return func(day float64) float64 {
		if day < at {
			return 1
		}
		return 1 + size
	}
}

func text(fs []Finding) string {
	var b strings.Builder
	for _, f := range fs {
		fmt.Fprintf(&b, "\n\t%s %s %.3f: %s\n\t\tdecide: %s", f.Code, f.Channel, f.Confidence, f.Evidence, f.Decide)
	}
	return b.String()
}

var allConnections = []greywatt.Connection{greywatt.ConnectionA, greywatt.ConnectionB, greywatt.ConnectionC}

// What plainly is so comes first and with confidence, in each connection.
func TestPlainCauses(t *testing.T) {
	clamp := func(port int, f func(float64) float64) func(float64) [4]float64 {
		return func(day float64) (k [4]float64) {
			k[port] = f(day) - 1
			return k
		}
	}
	for seed, c := range allConnections {
		for name, want := range map[string]struct {
			record
			code    Code
			channel string
			words   string // in the evidence
		}{
			"healthy":         {record{}, Healthy, "", "no change"},
			"fouling":         {record{conduct: ramp(30, 45, -0.25)}, Fouling, "", "fell by"},
			"step":            {record{conduct: jump(40, -0.2)}, StepLoss, "", "fell by"},
			"mended":          {record{conduct: func(day float64) float64 { return 0.72 * jump(45, 1/0.72-1)(day) }}, LowFromStart, "", ""},
			"weak":            {record{conduct: func(float64) float64 { return 0.7 }}, LowFromStart, "", "of the certificate"},
			"loose":           {record{contact: jump(40, -0.4)}, SensorLoose, "waste-in", ""},
			"hardly touches":  {record{contact: jump(40, -0.65)}, SensorLoose, "waste-in", ""},
			"meters disagree": {record{meter: ramp(20, 50, -0.2), wasteMeter: true}, SensorDrifting, "flow", ""},
			"preheat drifts":  {record{clampK: clamp(3, ramp(20, 60, -1.5))}, SensorDrifting, "preheat-out", ""},
		} {
			r := want.record
			r.connection, r.days, r.perDay, r.seed = c, 90, 1.5, uint64(seed)
			d := r.diagnose()
			f := d.Findings[0]
			if f.Code != want.code || f.Channel != want.channel || !strings.Contains(f.Evidence, want.words) {
				t.Errorf("%s, %s: want %s %s, got%s", c, name, want.code, want.channel, text(d.Findings))
			}
		}
	}
}

// A cool, hurried shower now and then, the last of the record among them, hides nothing: it
// neither stands for those around it nor for how they answer to an error of a clamp.
func TestOddShowersHideNothing(t *testing.T) {
	for i := range 9 {
		c, seed := allConnections[i%3], uint64(i)
		days := 90 + 0.7*float64(i/3) // for one shower in the last group, for two, for three
		odd := func(day float64) bool {
			_, part := math.Modf(day / 20)
			return part > 0.3 && part < 0.33 || day > days-0.7
		}
		r := record{connection: c, days: days, perDay: 1.5, seed: seed}
		r.warmer = func(day float64) float64 {
			if odd(day) {
				return -13
			}
			return 0
		}
		r.conduct = func(day float64) float64 {
			if odd(day) {
				return 0.4
			}
			return 1
		}
		if d := r.diagnose(); d.Findings[0].Code != Healthy || d.Findings[0].Confidence < 0.9 {
			t.Errorf("%s, %.1f days, a sound unit:%s", c, days, text(d.Findings))
		}
		r.clampK = func(day float64) (k [4]float64) {
			k[greywatt.PreheatOut] = 1.8 * day / 90
			return k
		}
		if d := r.diagnose(); d.Findings[0].Code != SensorDrifting || d.Findings[0].Channel != "preheat-out" {
			t.Errorf("%s, %.1f days, a clamp drifts:%s", c, days, text(d.Findings))
		}
	}
}

// Water that goes past unit and meter alike in some showers leaves the effectiveness
// as it was: flow and fall of the waste show it. A share of the household that
// showers at half of the others' flow is no such thing.
func TestWaterPastUnitAndMeter(t *testing.T) {
	often := func(little float64) func(float64) float64 {
		return func(day float64) float64 {
			if math.Sin(97*day) > 0.6 {
				return little
			}
			return 1
		}
	}
	for seed, c := range allConnections {
		r := record{connection: c, days: 90, perDay: 1.5, seed: uint64(seed), passes: often(0.3)}
		d := r.diagnose()
		if f := d.Findings[0]; f.Code != BypassAtTimes || f.Confidence < 0.9 || len(d.Findings) > 1 || !strings.Contains(f.Evidence, "past unit and meter") {
			t.Errorf("%s: want a bypass at times only, got%s", c, text(d.Findings))
		}
		r.passes, r.drawsAt = nil, often(0.5)
		if d = r.diagnose(); d.Findings[0].Code != Healthy {
			t.Errorf("%s, one who showers at half the flow: got%s", c, text(d.Findings))
		}
	}
}

// What the record cannot tell is not said with confidence.
func TestWeakCasesAreNotSure(t *testing.T) {
	for name, r := range map[string]record{
		"conductance falls, and the balance moves the other way": {connection: greywatt.ConnectionA, days: 90, conduct: jump(45, -0.06), lostHeat: func(day float64) float64 { return jump(45, -0.09)(day) - 1 }},
		"the same in B": {connection: greywatt.ConnectionB, days: 90, conduct: jump(45, -0.06), lostHeat: func(day float64) float64 { return jump(45, -0.12)(day) - 1 }},
		"a mains meter drifts and nothing else measures flow, A": {connection: greywatt.ConnectionA, days: 90, meter: ramp(20, 50, -0.15)},
		"a mains meter drifts and nothing else measures flow, B": {connection: greywatt.ConnectionB, days: 90, meter: ramp(20, 50, -0.15)},
		"fouling within four days":                               {connection: greywatt.ConnectionA, days: 4, perDay: 1.75, conduct: ramp(1, 2, -0.3)},
		"the last two showers are odd":                           {connection: greywatt.ConnectionA, days: 20, perDay: 1, conduct: jump(17.9, -0.3)},
	} {
		for seed := range uint64(2) {
			r.seed = seed
			if r.perDay == 0 {
				r.perDay = 2
			}
			d := r.diagnose()
			if f := d.Findings[0]; f.Code != Undecided && f.Code != Healthy && f.Confidence >= 0.9 {
				t.Errorf("%s, seed %d: said with %.2f:%s", name, seed, f.Confidence, text(d.Findings))
			}
		}
	}
}

// In A both sides carry the same water: without waste-out the conductance, and what
// becomes of it, are still told.
func TestWithoutWasteOut(t *testing.T) {
	for _, c := range []struct {
		conduct func(float64) float64
		want    Code
	}{{nil, Healthy}, {ramp(30, 45, -0.25), Fouling}, {jump(40, -0.2), StepLoss}} {
		r := record{connection: greywatt.ConnectionA, days: 90, perDay: 2, seed: 1, unread: true, conduct: c.conduct}
		d := r.diagnose()
		if d.Findings[0].Code != c.want || len(d.Trend) < 150 {
			t.Errorf("want %s and a trend, got %d points and%s", c.want, len(d.Trend), text(d.Findings))
		}
		for _, f := range d.Findings {
			if strings.Contains(f.Evidence, "NaN") || strings.Contains(f.Decide, "NaN") {
				t.Errorf("NaN in %s", text(d.Findings))
			}
		}
	}
	if d := (record{connection: greywatt.ConnectionB, days: 30, perDay: 2, unread: true}).diagnose(); d.Findings[0].Code != Undecided {
		t.Errorf("B without waste-out: %s", text(d.Findings))
	}
}

// A unit that was mended in the course of the record is not said to be without change.
func TestMendedIsSaid(t *testing.T) {
	r := record{connection: greywatt.ConnectionA, days: 90, perDay: 2, conduct: func(day float64) float64 { return 0.93 * jump(45, 0.12)(day) }}
	d := r.diagnose()
	f := d.Findings[0]
	if f.Code != Healthy || strings.Contains(f.Evidence, "no change") || !strings.Contains(f.Evidence, "rose by 1") {
		t.Errorf("got%s", text(d.Findings))
	}
}

// What is weak or open says what would decide it, and how much of it.
func TestDecideIsThereWhereNeeded(t *testing.T) {
	digits := func(s string) bool { return strings.ContainsAny(s, "123456789") }
	weak := 0
	for _, c := range allConnections {
		for i, r := range []record{
			{days: 2}, {days: 7}, {days: 90, meter: ramp(20, 50, -0.15)}, {days: 90, conduct: ramp(20, 60, -0.08)}, {days: 60, conduct: jump(50, -0.07)},
			{days: 90, conduct: func(float64) float64 { return 0.88 }}, {days: 30, conduct: func(float64) float64 { return 1.25 }},
			{days: 60, contact: func(float64) float64 { return 0.9 }}, {days: 60, clampK: func(float64) [4]float64 { return [4]float64{0, 0, 0, -1} }},
			{days: 90, conduct: jump(45, -0.06), lostHeat: func(day float64) float64 { return jump(45, -0.09)(day) - 1 }},
		} {
			r.connection, r.perDay, r.seed = c, 1.5, uint64(i)
			for _, f := range r.diagnose().Findings {
				if f.Code != Undecided && f.Confidence >= 0.9 {
					continue
				}
				weak++
				if !digits(f.Decide) || strings.Contains(f.Decide, "NaN") || strings.Contains(f.Decide, "Inf") {
					t.Errorf("%s, record %d: %s", c, i, text([]Finding{f}))
				}
			}
		}
	}
	if weak < 10 {
		t.Errorf("only %d weak findings", weak)
	}
}

// The same showers in the same order give the same findings: the sums do not depend on
// the order of a map.
func TestDiagnosisRepeats(t *testing.T) {
	r := record{connection: greywatt.ConnectionC, days: 60, perDay: 2, seed: 5, conduct: ramp(20, 30, -0.12)}
	first := r.diagnose().Findings
	for range 2 {
		if again := r.diagnose().Findings; !slices.EqualFunc(first, again, func(a, b Finding) bool {
			return a.Code == b.Code && a.Confidence == b.Confidence && a.Evidence == b.Evidence
		}) {
			t.Fatalf("%s\nand then%s", text(first), text(again))
		}
	}
}

// A clamp that came loose and was replaced, as the journal has it: the finding ends there,
// and dirt that comes after is told with the new one. Without the journal nothing after
// the clamp came loose is.
func TestLooseUntilReplaced(t *testing.T) {
	for seed, c := range allConnections {
		r := record{connection: c, days: 150, perDay: 1.5, seed: uint64(seed), conduct: ramp(90, 50, -0.3), contact: func(day float64) float64 {
			if day > 30 && day < 60 {
				return 0.6
			}
			return 1
		}}
		study, events := r.events()
		dw := &study.Dwellings[0]
		replaced := events[0].Start.Add(60 * 86400)
		dw.Breaks = []greywatt.Break{{At: replaced, Kind: greywatt.FactClampReplaced, Channel: greywatt.WasteIn}}
		d := Diagnose(study, dw, event.All(events), nil)
		t.Logf("%s:%s", c, text(d.Findings))
		loose := slices.IndexFunc(d.Findings, func(f Finding) bool { return f.Code == SensorLoose && f.Channel == "waste-in" })
		if loose < 0 {
			t.Errorf("%s: no loose clamp:%s", c, text(d.Findings))
			continue
		}
		if f := d.Findings[loose]; f.Until == 0 || math.Abs(f.Until.Sub(replaced)) > 1 || math.Abs(f.Since.Sub(events[0].Start)/86400-30) > 3 {
			t.Errorf("%s: loose from day %.1f to day %.1f, want 30 to 60", c, f.Since.Sub(events[0].Start)/86400, f.Until.Sub(events[0].Start)/86400)
		}
		fouled := slices.IndexFunc(d.Findings, func(f Finding) bool { return f.Code == Fouling })
		if fouled < 0 {
			t.Errorf("%s: no fouling after the clamp was replaced:%s", c, text(d.Findings))
			continue
		}
		if day := d.Findings[fouled].Since.Sub(events[0].Start) / 86400; day < 85 || day > 125 {
			t.Errorf("%s: fouling dated to day %.0f, it began on day 90", c, day)
		}
	}
}

// A fall from one shower to the next is dated to the shower, though the comparison knows
// its place to some days only and showers beside it scatter.
func TestStepAtTheShower(t *testing.T) {
	g := rand.New(rand.NewPCG(4, 4))
	for trial := range 200 {
		const n = 90
		k := 20 + g.IntN(50)
		ln, at := make([]float64, n), make([]greywatt.Instant, n)
		start := greywatt.Instant(0).Add(1.767e9)
		for i := range n {
			at[i] = start.Add((float64(i) + 0.4*g.Float64()) / 2 * 86400)
			ln[i] = 0.01 * g.NormFloat64()
			if i >= k {
				ln[i] -= 0.12
			}
		}
		near := at[k].Add((8*g.Float64() - 4) * 86400)
		if got := stepAt(ln, at, near); got != at[k] {
			t.Errorf("trial %d: dated %+.1f days from the fall", trial, got.Sub(at[k])/86400)
		}
	}
}

// How many showers more are asked for: as many as bring the odds to nine to one, where what
// the showers say grows with their number (odds are prior odds times likelihood ratio).
func TestMoreShowers(t *testing.T) {
	a, b := change{cause: causeFouling}, change{cause: causeNone}
	for _, lnRatio := range []float64{3.2, 4, 2.5, -1, 0.5} {
		prior := math.Log(priors[causeFouling] / priors[causeNone])
		p := 1 / (1 + math.Exp(-(prior + lnRatio)))
		a.p, b.p = p, 1-p
		more := moreFor(a, b)
		odds := math.Abs(prior + lnRatio*(1+more))
		if more < mostMore && more != 1 && math.Abs(odds-math.Log(9)) > 1e-9 {
			t.Errorf("ln likelihood ratio %.1f: %.2f times the showers more give odds of %.2f to one, want 9", lnRatio, more, math.Exp(odds))
		}
		if !(more > 0 && more <= mostMore) {
			t.Errorf("ln likelihood ratio %.1f: %g times the showers", lnRatio, more)
		}
	}
}

// A waste clamp on the mains' pipe and the other way round: no shower can be so, or only
// that of quite another unit. Both are named, in a record and in a few showers.
func TestClampsAcross(t *testing.T) {
	for seed, c := range allConnections {
		study, events := record{connection: c, days: 40, perDay: 1.5, seed: uint64(seed)}.events()
		dw := &study.Dwellings[0]
		for i := range events {
			events[i].WasteInC, events[i].PreheatOutC = events[i].PreheatOutC, events[i].WasteInC
		}
		f := Diagnose(study, dw, event.All(events), nil).Findings[0]
		if f.Code != Undecided || !strings.Contains(f.Evidence, "waste-in and preheat-out") || !strings.Contains(f.Decide, "preheat-out") {
			t.Errorf("%s: want undecided between waste-in and preheat-out, got%s", c, text([]Finding{f}))
		}
		few, clamps, _ := DiagnoseFew(study, dw, events[0].Start, event.All(events[:8]))
		if !clamps || len(few) == 0 || !strings.Contains(few[0].Evidence, "waste-in and preheat-out") {
			t.Errorf("%s: a few showers: clamps in each other's place: %t%s", c, clamps, text(few))
		}
		_, sound := record{connection: c, days: 40, perDay: 1.5, seed: uint64(seed)}.events()
		if few, clamps, _ := DiagnoseFew(study, dw, sound[0].Start, event.All(sound[:8])); clamps {
			t.Errorf("%s: sound showers:%s", c, text(few))
		}
	}
}
