package analysis_test

import (
	"fmt"
	"iter"
	"math"
	"math/rand/v2"
	"time"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/analysis/health"
)

// A rulebook is a dwelling whose unit does what published fits to tested units say
// and nothing else: it shares no code with package simulate. Effectiveness is that of
// the certificate times factors of flow, of mains temperature and of unequal flow,
// as an open building simulation has them (CSE, DHWHEATREC::wr_EffAdjusted, read);
// dirt and sudden losses act on NTU. Around it: first-order lags, a drop from head to
// drain of a share of head less mains (published: the drain keeps 80 to 90 % of it),
// mixing by temperatures.
type rulebook struct {
	name       string
	connection greywatt.Connection
	seed       uint64
	days       int
	rated      float64 // effectiveness at 9.5 l/min
	hotC       float64
	intervalS  float64 // while water runs
	showers    func(day int, r *rand.Rand) []rinse
	mainsC     func(day float64) float64
	roomC      float64
	lawOff     float64 // share of the published temperature factor that the unit does not follow
	offsetK    [4]float64
	u95K       float64
	noiseK     float64
	quantumK   float64
	responseS  float64
	loss       float64
	tapsPerDay float64                              // hot draws elsewhere
	wasteMeter bool                                 // a meter on the drain
	factor     func(day float64) float64            // on NTU; nil: 1
	parallel   bool                                 // mains and waste run the same way
	around     func(r *rand.Rand) float64           // share of the mains water that goes round the unit, between its clamps; nil: none
	past       float64                              // share of the mains water that goes past unit, clamps and meter alike
	readings   func(day float64, f *greywatt.Frame) // what becomes of a frame; may be nil
	declared   func(d *greywatt.Dwelling)           // changes what the study says; may be nil
}

// A rinse is a use of the shower, or the filling and later emptying of a bath.
type rinse struct {
	hour, minutes, lMin, headC float64
	bathMin                    float64 // minutes after which what was drawn runs off all at once; 0: it runs off as it comes
	tapMin, tapLMin            float64 // another tap from that minute on for as long again as the shower runs
}

// usual are two showers a day of five to nine minutes.
func usual(day int, r *rand.Rand) []rinse {
	var out []rinse
	for _, hour := range []float64{7, 19.5} {
		out = append(out, rinse{hour: hour + 0.5*r.NormFloat64(), minutes: 5 + 4*r.Float64(), lMin: 7.5 + r.NormFloat64()*0.6, headC: 38.5 + r.NormFloat64()*0.8})
	}
	return out
}

func (b *rulebook) dwelling() greywatt.Dwelling {
	d := greywatt.Dwelling{ID: b.name, Connection: b.connection, Exchanger: greywatt.Exchanger{Orientation: greywatt.Vertical, RatedColdInC: 14.55, RatedWasteInC: 37.5},
		Heater: greywatt.Heater{Efficiency: 0.9, HotC: b.hotC, CarbonKgPerKWh: math.NaN(), PricePerKWh: math.NaN()}}
	for _, q := range []float64{5.5, 7, 9.5, 12} {
		d.Exchanger.Rated = append(d.Exchanger.Rated, greywatt.RatedPoint{FlowLMin: q, Effectiveness: math.Round(1000*b.rated*ruleFlow(q)) / 1000})
	}
	for c := greywatt.WasteIn; c.IsPort(); c++ {
		d.Sensors = append(d.Sensors, greywatt.Sensor{Channel: c, U95K: b.u95K, ResponseS: b.responseS, LossFraction: b.loss, Scale: 1})
	}
	d.Sensors = append(d.Sensors, greywatt.Sensor{Channel: greywatt.Ambient, U95K: 0.3, Scale: 1}, greywatt.Sensor{Channel: greywatt.Flow, U95Relative: 0.03, Scale: 1})
	if b.wasteMeter {
		d.Sensors = append(d.Sensors, greywatt.Sensor{Channel: greywatt.WasteFlow, U95Relative: 0.04, Scale: 1})
	}
	return d
}

const litresAGallon = 3.785411784

// ruleFlow is the published factor of equal flow, ruleTemperature of the mains'
// temperature, with coefficients in US gallons a minute and degrees Fahrenheit.
func ruleFlow(lMin float64) float64 {
	v := lMin / litresAGallon
	return (((-6.98484455e-4*v+1.28561447e-2)*v-7.02399803e-2)*v+1.33657748e-2)*v + 1.23339312
}

func ruleTemperature(c float64) float64 {
	f := min(81, 32+1.8*c)
	return (-3.06e-5*f*f + 4.96e-3*f + 0.281) / 0.466
}

// effectiveness is on the mains side's stream, the smaller or equal one.
func (b *rulebook) effectiveness(mains, waste, coldC, factor float64) float64 {
	e := b.rated * ruleFlow(mains) * (1 + (1-b.lawOff)*(ruleTemperature(coldC)-1)) * (1 + 0.3452*math.Log(waste/mains))
	e = min(e, 0.95)
	r := min(1, mains/waste)
	if r > 0.999 {
		n := e / (1 - e) * factor
		if b.parallel {
			return (1 - math.Exp(-2*n)) / 2
		}
		return n / (1 + n)
	}
	n := math.Log(1+e*(1-r)/(1-e)) / (1 - r) * factor
	if b.parallel {
		return (1 - math.Exp(-n*(1+r))) / (1 + r)
	}
	x := math.Exp(-n * (1 - r))
	return (1 - x) / (1 - r*x)
}

// frames yields the readings; steady, which may be nil, is told of every shower's
// effectiveness when it ends.
func (b *rulebook) frames(steady func(from, to greywatt.Instant, effectiveness float64)) iter.Seq[greywatt.Frame] {
	return func(yield func(greywatt.Frame) bool) {
		r := rand.New(rand.NewPCG(b.seed, 77))
		start := greywatt.InstantOf(time.Date(2026, 1, 12, 0, 0, 0, 0, time.UTC))
		var water, clamp [4]float64 // °C
		for p := range 4 {
			water[p], clamp[p] = b.roomC, b.roomC
		}
		at := start
		last := start.Add(-60)
		stopped := false
		// step goes on by dt with flows, l/min, and emits a reading where one is due
		step := func(dt, mains, waste float64, target [4]float64, tau float64, every float64) {
			room := b.roomC + 0.6*math.Sin(2*math.Pi*at.Sub(start)/86400) + 0.5*math.Sin(2*math.Pi*at.Sub(start)/86400/9)
			for p := range 4 {
				water[p] += (target[p] - water[p]) * (1 - math.Exp(-dt/tau))
				surface := water[p] - b.loss*(water[p]-room)
				clamp[p] += (surface - clamp[p]) * (1 - math.Exp(-dt/max(b.responseS, 0.1)))
			}
			at = at.Add(dt)
			if stopped || at.Sub(last) < every-1e-6 {
				return
			}
			last = at
			f := greywatt.Frame{At: at, Node: "n1", Value: greywatt.NoValues()}
			for p := range 4 {
				v := clamp[p] + b.offsetK[p] + b.noiseK*r.NormFloat64()
				if b.quantumK > 0 {
					v = b.quantumK * math.Round(v/b.quantumK)
				}
				f.Value[p] = v
			}
			f.Value[greywatt.Ambient] = room + 0.05*r.NormFloat64()
			f.Value[greywatt.Flow] = max(0, mains/60*(1+0.008*r.NormFloat64()))
			if b.wasteMeter {
				f.Value[greywatt.WasteFlow] = max(0, waste/60*(1+0.008*r.NormFloat64()))
			}
			if b.readings != nil {
				b.readings(at.Sub(start)/86400, &f)
			}
			stopped = !yield(f)
		}
		rest := func(until greywatt.Instant) {
			for at < until && !stopped {
				every, dt := 60.0, min(60, until.Sub(at))
				if awake := at.Sub(last); awake < 0 {
					every = b.intervalS
				}
				room := b.roomC + 0.6*math.Sin(2*math.Pi*at.Sub(start)/86400)
				step(dt, 0, 0, [4]float64{room, room, room, room}, 1500, every)
			}
		}
		after := func(seconds float64) { // the node stays awake
			for t := 0.0; t < seconds && !stopped; t++ {
				room := b.roomC
				step(1, 0, 0, [4]float64{room, room, room, room}, 1500, b.intervalS)
			}
		}
		for day := range b.days {
			d0 := start.Add(float64(day) * 86400)
			uses := b.showers(day, r)
			for range int(b.tapsPerDay + r.Float64()) {
				uses = append(uses, rinse{hour: 8 + 14*r.Float64(), minutes: 0.3 + 1.2*r.Float64(), lMin: -(3 + 3*r.Float64())})
			}
			sortRinses(uses)
			for _, u := range uses {
				if stopped {
					return
				}
				begin := d0.Add(3600 * u.hour)
				if begin < at.Add(1) {
					begin = at.Add(1)
				}
				rest(begin)
				mainsC := b.mainsC(float64(day))
				if u.lMin < 0 { // a tap elsewhere
					for t := 0.0; t < 60*u.minutes && !stopped; t++ {
						now := water
						now[2] = mainsC
						now[3] = mainsC + (water[3]-mainsC)*math.Exp(-t/25)
						step(1, -u.lMin, 0, [4]float64{water[0], water[1], mainsC, mainsC}, 12, b.intervalS)
					}
					after(120)
					continue
				}
				factor := 1.0
				if b.factor != nil {
					factor = b.factor(at.Sub(start) / 86400)
				}
				around := 0.0
				if b.around != nil {
					around = b.around(r)
				}
				wasteC := u.headC - 0.13*(u.headC-mainsC)
				mains, e, pre := u.lMin, 0.0, mainsC
				for range 30 {
					through := mains * (1 - around) * (1 - b.past)
					e = b.effectiveness(max(through, 0.5), u.lMin, mainsC, factor) * (1 - around)
					pre = mainsC + e*(1-b.past)*(wasteC-mainsC)
					switch b.connection {
					case greywatt.ConnectionB:
						mains = u.lMin * (b.hotC - u.headC) / (b.hotC - pre)
					case greywatt.ConnectionC:
						mains = u.lMin * (u.headC - mainsC) / (b.hotC - mainsC)
					}
				}
				mains, pre = mains*(1-b.past), mainsC+e*(wasteC-mainsC) // at meter and clamps
				const lost = 0.02
				out := wasteC - (pre-mainsC)*mains/u.lMin/(1-lost)
				from := at
				tap := 0.0
				for t := 0.0; t < 60*u.minutes && !stopped; t++ {
					tap = 0
					if u.tapLMin > 0 && t > 60*u.tapMin {
						tap = u.tapLMin
					}
					target := [4]float64{wasteC, out, mainsC, pre}
					waste := u.lMin
					if t < 9 || u.bathMin > 0 { // nothing comes down the drain yet
						target[0], target[1], target[3] = water[0], water[1], mainsC
						waste = 0
					}
					if tap > 0 { // what the other tap takes cools the preheat
						target[3] = mainsC + (pre-mainsC)*mains/(mains+tap)
					}
					step(1, mains+tap, waste, target, 9, b.intervalS)
				}
				if u.bathMin > 0 {
					after(240)
					rest(at.Add(60 * u.bathMin))
					for t := 0.0; t < 150 && !stopped; t++ {
						step(1, 0, 30, [4]float64{wasteC - 3, wasteC - 4, water[2], water[3]}, 9, b.intervalS)
					}
				} else if steady != nil && tap == 0 {
					steady(from, at, (pre-mainsC)/(wasteC-mainsC))
				}
				after(240)
			}
			rest(d0.Add(86400))
		}
	}
}

func sortRinses(us []rinse) {
	for i := range us {
		for j := i; j > 0 && us[j].hour < us[j-1].hour; j-- {
			us[j], us[j-1] = us[j-1], us[j]
		}
	}
}

// newRulebook is a sound dwelling of that kind.
func newRulebook(c greywatt.Connection, seed uint64) rulebook {
	r := rand.New(rand.NewPCG(seed, 5))
	b := rulebook{name: fmt.Sprintf("rule-%s-%d", c, seed), connection: c, seed: seed, days: 45, rated: 0.42 + 0.14*r.Float64(), hotC: 55,
		intervalS: 1, showers: usual, roomC: 20, u95K: 0.16, noiseK: 0.02, quantumK: 1. / 16, responseS: 15, loss: 0.03, lawOff: 0.5 * r.Float64()}
	level := 8 + 6*r.Float64()
	b.mainsC = func(day float64) float64 { return level + 1.2*math.Sin(2*math.Pi*day/60) }
	if c != greywatt.ConnectionB {
		b.tapsPerDay = 5
	}
	for p := range b.offsetK {
		b.offsetK[p] = b.u95K / 2 * max(-2, min(2, r.NormFloat64()))
	}
	return b
}

// diagnose runs the dwelling through the analysis.
func (b *rulebook) diagnose() (events []event.Event, d finding.Diagnosis, truth map[greywatt.Instant]float64) {
	study := &greywatt.Study{Dwellings: []greywatt.Dwelling{b.dwelling()}}
	dw := &study.Dwellings[0]
	if b.declared != nil {
		b.declared(dw)
	}
	a, w := event.NewAnalyser(study, dw), health.New(study, dw)
	a.OmitBudgets()
	truth = map[greywatt.Instant]float64{}
	var batch []greywatt.Frame
	push := func() {
		events = append(events, a.Push(batch)...)
		w.Push(batch)
		batch = batch[:0]
	}
	for f := range b.frames(func(from, _ greywatt.Instant, e float64) { truth[from] = e }) {
		if batch = append(batch, f); len(batch) == 512 {
			push()
		}
	}
	push()
	events = append(events, a.Close()...)
	record := w.Close()
	return events, finding.Diagnose(study, dw, event.All(events), &record), truth
}
