package analysis_test

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/finding"
	"greywatt/analysis/simulate"
)

var sweeps = flag.Int("sweep", 0, "simulated studies of each scenario in the sweep test; 0: one of every twelfth scenario")

var scenarioOnly = flag.String("scenario", "", "run the scenarios of the sweep whose name holds this `TEXT` only")

// A scenario is one way in which a dwelling can be or go wrong, beyond the
// ranges that [simulate.Faulty] draws from.
type scenario struct {
	name     string
	want     []finding.Code // each of them as a row; the first may be any of them
	options  simulate.Options
	faults   []simulate.Fault // From in days of the study
	cleaned  []int            // days
	declared bool             // cleanings are in the study file
	rated    float64          // effectiveness at 9.5 l/min that the unit is given; 0: as drawn
	readings tamper
}

// A tamper changes a reading on its way, days after the study began.
type tamper func(day float64, f *greywatt.Frame)

func exchangeFrom(day float64, a, b greywatt.Channel) tamper {
	return func(t float64, f *greywatt.Frame) {
		if t >= day {
			f.Value[a], f.Value[b] = f.Value[b], f.Value[a]
		}
	}
}

func meterFrom(day, factor float64) tamper {
	return func(t float64, f *greywatt.Frame) {
		if t >= day {
			f.Value[greywatt.Flow] *= factor
		}
	}
}

// scenarios lists them. Shorthand: days stand for instants in faults.
func scenarios() []scenario {
	at := func(day float64) greywatt.Instant { return greywatt.InstantOfUnix(day * 86400) }
	dirt := func(from, size, days float64, towards bool) simulate.Fault {
		return simulate.Fault{Kind: simulate.Fouling, From: at(from), Size: size, GrowthDays: days, Asymptotic: towards}
	}
	step := func(day, size float64) simulate.Fault {
		return simulate.Fault{Kind: simulate.StepLoss, From: at(day), Size: size}
	}
	low := func(size float64) simulate.Fault { return simulate.Fault{Kind: simulate.LowFromStart, Size: size} }
	loose := func(day, grip float64, c greywatt.Channel) simulate.Fault {
		return simulate.Fault{Kind: simulate.SensorLoose, From: at(day), Size: grip, Channel: c}
	}
	codes := func(cs ...finding.Code) []finding.Code { return cs }
	connections := []greywatt.Connection{greywatt.ConnectionA, greywatt.ConnectionB, greywatt.ConnectionC}
	var out []scenario
	add := func(name string, want []finding.Code, s scenario) {
		s.name, s.want = name, want
		out = append(out, s)
	}
	one := func(f ...simulate.Fault) scenario { return scenario{faults: f} }

	for _, c := range connections {
		o := simulate.Options{Connection: c}
		add("healthy "+c.String(), codes(finding.Healthy), scenario{options: o})
		o.ShowersPerDay = 0.4
		add("healthy, few showers "+c.String(), codes(finding.Healthy), scenario{options: o})
		o.ShowersPerDay, o.IntervalS = 2.2, 10
		add("healthy, 10 s "+c.String(), codes(finding.Healthy), scenario{options: o})
		o.IntervalS, o.NoAmbient = 1, true
		add("healthy, no room sensor "+c.String(), codes(finding.Healthy), scenario{options: o})
		o.NoAmbient, o.TempU95K = false, 0.5
		add("healthy, clamps of 0.5 K "+c.String(), codes(finding.Healthy), scenario{options: o})
		o.TempU95K, o.WasteFlow = 0.16, true
		add("healthy, drain meter "+c.String(), codes(finding.Healthy), scenario{options: o})
		o.WasteFlow = false
		add("low by a tenth "+c.String(), codes(finding.LowFromStart, finding.Healthy, finding.Undecided), scenario{options: o, faults: []simulate.Fault{low(0.9)}})
		add("low by a fifth "+c.String(), codes(finding.LowFromStart), scenario{options: o, faults: []simulate.Fault{low(0.8)}})
		add("low by two fifths "+c.String(), codes(finding.LowFromStart), scenario{options: o, faults: []simulate.Fault{low(0.6)}})
		add("no recovery "+c.String(), codes(finding.NoRecovery), scenario{options: o, faults: []simulate.Fault{{Kind: simulate.NoRecovery, Size: 1}}})
		add("no recovery, nine tenths round it "+c.String(), codes(finding.NoRecovery), scenario{options: o, faults: []simulate.Fault{{Kind: simulate.NoRecovery, Size: 0.93, From: at(45)}}})
		add("waste clamps swapped "+c.String(), codes(finding.WasteSensorsSwapped), scenario{options: o, faults: []simulate.Fault{{Kind: simulate.WasteSensorsSwapped}}})
		add("supply clamps swapped "+c.String(), codes(finding.SupplySensorsSwapped), scenario{options: o, faults: []simulate.Fault{{Kind: simulate.SupplySensorsSwapped}}})
		add("waste clamps swapped from a day "+c.String(), codes(finding.WasteSensorsSwapped), scenario{options: o, readings: exchangeFrom(50, greywatt.WasteIn, greywatt.WasteOut)})
		add("supply clamps swapped from a day "+c.String(), codes(finding.SupplySensorsSwapped), scenario{options: o, readings: exchangeFrom(50, greywatt.ColdIn, greywatt.PreheatOut)})
		for _, meter := range []bool{false, true} {
			o.WasteFlow = meter
			with := ""
			if meter {
				with = ", drain meter"
			}
			for _, g := range []float64{0.6, 0.75, 0.9, 1.15, 1.3, 1.5} {
				want := codes(finding.FlowOffScale)
				if !meter { // cannot always be told
					want = append(want, finding.Undecided)
				}
				if math.Abs(g-1) < 0.2 {
					want = append(want, finding.Healthy)
				}
				add(fmt.Sprintf("meter reads %.2f %s%s", g, c, with), want, scenario{options: o, faults: []simulate.Fault{{Kind: simulate.FlowOffScale, Size: g}}})
			}
			for _, other := range connections {
				if other != c {
					add(fmt.Sprintf("%s is %s%s", c, other, with), codes(finding.ConnectionDiffers), scenario{options: o, faults: []simulate.Fault{{Kind: simulate.ConnectionDiffers, Connection: other}}})
				}
			}
		}
		o.WasteFlow = false
		add("meter changes to 0.7 "+c.String(), codes(finding.FlowOffScale), scenario{options: o, readings: meterFrom(45, 0.7)})
		for _, e := range []float64{0.3, 0.45, 0.6} {
			want := codes(finding.ParallelFlow)
			if e < 0.4 { // parallel flow costs little there
				want = append(want, finding.LowFromStart, finding.Healthy, finding.Undecided)
			}
			add(fmt.Sprintf("parallel, rated %.2f %s", e, c), want, scenario{options: o, rated: e, faults: []simulate.Fault{{Kind: simulate.ParallelFlow}}})
		}
		for _, grip := range []float64{0, 0.4, 0.7, 0.85} {
			for p := greywatt.WasteIn; p <= greywatt.PreheatOut; p++ {
				want := codes(finding.SensorLoose)
				if grip > 0.8 {
					want = append(want, finding.Healthy)
				}
				add(fmt.Sprintf("loose %s %.2f %s", p, grip, c), want, scenario{options: o, faults: []simulate.Fault{loose(40, grip, p)}})
				add(fmt.Sprintf("loose from the start %s %.2f %s", p, grip, c), append(want, finding.Undecided), scenario{options: o, faults: []simulate.Fault{loose(0, grip, p)}})
			}
		}
	}
	foul := codes(finding.Fouling)
	add("dirt from day 0, 30 %", foul, one(dirt(0, 0.3, 90, false)))
	add("dirt from day 0, 60 %", foul, one(dirt(0, 0.6, 90, false)))
	add("dirt from day 0, levels off", foul, one(dirt(0, 0.5, 20, true)))
	add("dirt from day 0, levels off soon", foul, one(dirt(0, 0.5, 8, true)))
	add("dirt from day 30, levels off soon", foul, one(dirt(30, 0.4, 5, true)))
	add("dirt from day 30, levels off", foul, one(dirt(30, 0.4, 12, true)))
	add("dirt from day 10, levels off", foul, one(dirt(10, 0.5, 25, true)))
	add("dirt from day 60", foul, one(dirt(60, 0.4, 30, false)))
	add("dirt from day 10 to 40", foul, one(dirt(10, 0.5, 30, false)))
	add("dirt, slow", foul, one(dirt(0, 0.2, 90, false)))
	add("dirt, S-shaped", foul, one(dirt(15, 0.15, 30, false), dirt(40, 0.35, 25, false)))
	add("dirt, washed off twice", foul, scenario{faults: []simulate.Fault{dirt(0, 0.5, 30, false)}, cleaned: []int{30, 60}})
	add("dirt, washed off once", foul, scenario{faults: []simulate.Fault{dirt(0, 0.5, 45, false)}, cleaned: []int{50}})
	add("dirt, cleaned", foul, scenario{faults: []simulate.Fault{dirt(0, 0.5, 60, false)}, cleaned: []int{55}, declared: true})
	add("dirt, few showers", foul, scenario{options: simulate.Options{ShowersPerDay: 0.5}, faults: []simulate.Fault{dirt(20, 0.5, 50, false)}})
	add("dirt, 10 s", foul, scenario{options: simulate.Options{IntervalS: 10}, faults: []simulate.Fault{dirt(20, 0.4, 50, false)}})
	add("dirt, no room sensor", foul, scenario{options: simulate.Options{NoAmbient: true}, faults: []simulate.Fault{dirt(20, 0.4, 50, false)}})
	add("dirt, clamps of 0.5 K", foul, scenario{options: simulate.Options{TempU95K: 0.5}, faults: []simulate.Fault{dirt(20, 0.4, 50, false)}})
	for _, day := range []float64{10, 45, 80, 86} {
		add(fmt.Sprintf("step on day %g", day), codes(finding.StepLoss), one(step(day, 0.75)))
	}
	add("step of 0.9", codes(finding.StepLoss), one(step(45, 0.9)))
	add("step of 0.5", codes(finding.StepLoss), one(step(45, 0.5)))
	add("step, few showers", codes(finding.StepLoss), scenario{options: simulate.Options{ShowersPerDay: 0.5}, faults: []simulate.Fault{step(45, 0.75)}})
	add("two steps", codes(finding.StepLoss), one(step(30, 0.8), step(60, 0.8)))

	add("two: dirt and a loose clamp", codes(finding.Fouling, finding.SensorLoose), one(dirt(10, 0.5, 40, false), loose(60, 0.4, greywatt.WasteOut)))
	add("two: low and dirt", codes(finding.LowFromStart, finding.Fouling), one(low(0.7), dirt(30, 0.5, 40, false)))
	add("two: low and a step", codes(finding.LowFromStart, finding.StepLoss), one(low(0.75), step(50, 0.75)))
	add("two: swapped and dirt", codes(finding.WasteSensorsSwapped, finding.Fouling), one(simulate.Fault{Kind: simulate.WasteSensorsSwapped}, dirt(20, 0.5, 50, false)))
	add("two: both pairs swapped", codes(finding.WasteSensorsSwapped, finding.SupplySensorsSwapped), one(simulate.Fault{Kind: simulate.WasteSensorsSwapped}, simulate.Fault{Kind: simulate.SupplySensorsSwapped}))
	add("two: swapped and another connection", codes(finding.SupplySensorsSwapped, finding.ConnectionDiffers),
		scenario{options: simulate.Options{Connection: greywatt.ConnectionA}, faults: []simulate.Fault{{Kind: simulate.SupplySensorsSwapped}, {Kind: simulate.ConnectionDiffers, Connection: greywatt.ConnectionB}}})
	add("two: another connection and dirt", codes(finding.ConnectionDiffers, finding.Fouling),
		scenario{options: simulate.Options{Connection: greywatt.ConnectionA}, faults: []simulate.Fault{{Kind: simulate.ConnectionDiffers, Connection: greywatt.ConnectionB}, dirt(20, 0.5, 50, false)}})
	add("two: dirt and a step", codes(finding.Fouling, finding.StepLoss), one(dirt(0, 0.5, 90, false), step(45, 0.75)))
	add("two: dirt, then no recovery", codes(finding.Fouling, finding.NoRecovery), one(dirt(0, 0.5, 60, false), simulate.Fault{Kind: simulate.NoRecovery, Size: 1, From: at(65)}))
	add("two: meter and dirt", codes(finding.FlowOffScale, finding.Fouling),
		scenario{options: simulate.Options{WasteFlow: true}, faults: []simulate.Fault{{Kind: simulate.FlowOffScale, Size: 0.75}, dirt(20, 0.5, 50, false)}})
	return out
}

// house builds the house of a scenario.
func (s *scenario) house(seed uint64) *simulate.House {
	o := s.options
	o.Days = 90
	if o.ShowersPerDay == 0 {
		o.ShowersPerDay = 2.2
	}
	h := simulate.NewHouse(fmt.Sprintf("%s #%d", s.name, seed), seed, o)
	if s.rated > 0 {
		const wattPerKelvin = 9.5 / 60 * 4182 // of the water at 9.5 l/min
		h.Physics.UAWK = s.rated / (1 - s.rated) * wattPerKelvin
		h.Dwelling.Exchanger = simulate.Certificate(&h.Physics, rand.New(rand.NewPCG(seed, 1)))
	}
	from, _ := h.Span()
	for _, f := range s.faults {
		if f.From > 0 {
			f.From = from.Add(f.From.Sub(0))
		}
		h.Faults = append(h.Faults, f)
	}
	for _, day := range s.cleaned {
		t := from.Add(float64(day) * 86400).Time()
		h.Dwelling.Cleaned = append(h.Dwelling.Cleaned, greywatt.Date{Year: t.Year(), Month: t.Month(), Day: t.Day()})
	}
	return h
}

// TestSweep runs scenarios beyond what the findings test draws from, and prints
// what comes out of each. It fails where more than a tenth is wrong.
func TestSweep(t *testing.T) {
	type outcome struct {
		s     *scenario
		right bool // the first is one of those wanted
		all   bool // each one wanted has a row
		first finding.Finding
		note  string
	}
	var mu sync.Mutex
	var wg sync.WaitGroup
	list := scenarios()
	results := make([][]outcome, len(list))
	slots := make(chan bool, 2)
	every, each := 1, *sweeps
	if each == 0 {
		every, each = 12, 1
	}
	for i := 0; i < len(list); i += every {
		s := &list[i]
		if !strings.Contains(s.name, *scenarioOnly) {
			continue
		}
		for seed := range uint64(each) {
			wg.Add(1)
			slots <- true
			go func() {
				defer wg.Done()
				h := s.house(*first + 31*uint64(i) + seed)
				study, events := eventsOf(h, s.readings)
				if !s.declared {
					study.Dwellings[0].Cleaned = nil
				}
				d := finding.Diagnose(study, &study.Dwellings[0], event.All(events), nil)
				o := outcome{s: s, first: d.Findings[0], all: true}
				o.right = slices.Contains(s.want, o.first.Code)
				o.note = fmt.Sprintf("%s (%s, %s)", h.Dwelling.ID, h.Dwelling.Connection, h.Physics.Law)
				for _, want := range s.want {
					o.all = o.all && slices.ContainsFunc(d.Findings, func(f finding.Finding) bool { return f.Code == want })
				}
				for _, f := range d.Findings {
					o.note += fmt.Sprintf("\n      %s since %s p %.2f: %s", f.Code, f.Since.Time().Format("01-02"), f.Confidence, f.Evidence)
				}
				for _, s := range d.Segments {
					o.note += fmt.Sprintf("\n      %s", s.Model.Why)
				}
				mu.Lock()
				results[i] = append(results[i], o)
				mu.Unlock()
				<-slots
			}()
		}
	}
	wg.Wait()
	total, right, unsure := 0, 0, 0
	for i, os := range results {
		if len(os) == 0 {
			continue
		}
		count := map[finding.Code]int{}
		good, every := 0, 0
		for _, o := range os {
			count[o.first.Code]++
			total++
			switch {
			case o.right:
				good++
				right++
			case o.first.Code == finding.Undecided:
				unsure++
			}
			if o.all {
				every++
			}
			if !o.right || !o.all && strings.HasPrefix(o.s.name, "two") {
				t.Log(o.note)
			}
		}
		line := fmt.Sprintf("= %-40s %d of %d", list[i].name, good, len(os))
		if strings.HasPrefix(list[i].name, "two") {
			line += fmt.Sprintf(", both rows in %d", every)
		}
		t.Log(line, count)
	}
	t.Logf("%d of %d right first, %d undecided where there is something, %d wrong", right, total, unsure, total-right-unsure)
	if wrong := total - right - unsure; float64(wrong) > 0.1*float64(total) {
		t.Errorf("%d of %d wrong", wrong, total)
	}
}
