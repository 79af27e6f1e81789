package analysis_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"greywatt"
	"greywatt/analysis/event"
	"greywatt/analysis/simulate"
)

// pulseCounter turns a flow meter into a counter of pulses of unitL: each node's
// reading has those since its last, over the time since then.
func pulseCounter(unitL float64) tamper {
	type count struct {
		last   greywatt.Instant
		litres float64
	}
	counts := map[string]*count{}
	return func(_ float64, f *greywatt.Frame) {
		v := f.Value[greywatt.Flow]
		if math.IsNaN(v) {
			return
		}
		c := counts[f.Node]
		if c == nil {
			c = &count{last: f.At.Add(-60)}
			counts[f.Node] = c
		}
		dt := f.At.Sub(c.last)
		c.last = f.At
		c.litres += v * min(dt, 60)
		n := math.Floor(c.litres / unitL)
		c.litres -= n * unitL
		f.Value[greywatt.Flow] = n * unitL / dt
	}
}

// noisyMeter adds noise to each reading with flow, a share of it.
func noisyMeter(share float64, seed uint64) tamper {
	rng := rand.New(rand.NewPCG(seed, 1))
	return func(_ float64, f *greywatt.Frame) {
		if v := &f.Value[greywatt.Flow]; *v > 0 {
			*v *= max(0, 1+share*rng.NormFloat64())
		}
	}
}

// sometimes does something to a frame once in n.
func sometimes(n int, seed uint64, do func(*greywatt.Frame, *rand.Rand)) tamper {
	rng := rand.New(rand.NewPCG(seed, 2))
	return func(_ float64, f *greywatt.Frame) {
		if rng.IntN(n) == 0 {
			do(f, rng)
		}
	}
}

// worse is how many times the 95th percentile of the ratio's error may be that of the
// same dwellings read by a fine meter, which has the bounds of the accuracy test.
const (
	worse     = 1.067
	worseSlow = 1.2 // one pulse a litre, every 5 s
)

// Flow meters that count litres or jump, sensors that start anew or lose bits, and
// lost readings do for showers all but as well as the best: what they lack is told
// by a flag, and what they cannot see is short.
func TestUncleanReadings(t *testing.T) {
	clamp := func(value float64) func(*greywatt.Frame, *rand.Rand) {
		return func(f *greywatt.Frame, rng *rand.Rand) { f.Value[rng.IntN(4)] = value }
	}
	var fine float64 // the fine meter's ratio error, 95th percentile
	for _, c := range []struct {
		name    string
		meter   func(seed uint64) tamper
		options simulate.Options
		other   float64 // F1 of other draws over 25 s
		edge    float64 // start and end, s, 95th percentile
		volume  float64 // relative error, 95th percentile
		ratio   float64 // error, 95th percentile, over that of the fine meter
		eff     float64 // effectiveness, absolute error
		least   float64 // share of measurable showers measured
		flagged float64 // share of showers at the least
		flag    event.Flag
	}{
		{"fine", func(uint64) tamper { return nil }, simulate.Options{}, 0.99, 2, 0.035, 1, 0.011, 0.98, 0, ""},
		{"20 pulses a litre", func(uint64) tamper { return pulseCounter(0.05) }, simulate.Options{}, 0.99, 3, 0.035, worse, 0.011, 0.98, 0.95, event.FlagCoarseMeter},
		{"10 pulses a litre", func(uint64) tamper { return pulseCounter(0.1) }, simulate.Options{}, 0.99, 3, 0.04, worse, 0.011, 0.97, 0.95, event.FlagCoarseMeter},
		{"4 pulses a litre", func(uint64) tamper { return pulseCounter(0.25) }, simulate.Options{}, 0.97, 5, 0.04, worse, 0.012, 0.96, 0.95, event.FlagCoarseMeter},
		{"a pulse a litre", func(uint64) tamper { return pulseCounter(1) }, simulate.Options{}, 0.70, 12, 0.07, worse, 0.012, 0.96, 0.95, event.FlagCoarseMeter},
		{"a pulse a litre, every 5 s", func(uint64) tamper { return pulseCounter(1) }, simulate.Options{IntervalS: 5}, 0.70, 14, 0.07, worseSlow, 0.016, 0.93, 0.95, event.FlagCoarseMeter},
		{"85 °C once in 100 readings", func(seed uint64) tamper { return sometimes(100, seed, clamp(85)) }, simulate.Options{}, 0.99, 2, 0.035, worse, 0.011, 0.98, 0.9, event.FlagSpikes},
		{"0 °C once in 100 readings", func(seed uint64) tamper { return sometimes(100, seed, clamp(0)) }, simulate.Options{}, 0.99, 2, 0.035, worse, 0.011, 0.98, 0.9, event.FlagSpikes},
		{"48 l/min once in 300", func(seed uint64) tamper {
			return sometimes(300, seed, func(f *greywatt.Frame, _ *rand.Rand) { f.Value[greywatt.Flow] = 0.8 })
		}, simulate.Options{}, 0.99, 2, 0.04, worse, 0.011, 0.98, 0.3, event.FlagSpikes},
		{"a third of the frames lost", func(seed uint64) tamper {
			return sometimes(3, seed, func(f *greywatt.Frame, _ *rand.Rand) {
				for c := range f.Value {
					f.Value[c] = math.NaN()
				}
			})
		}, simulate.Options{}, 0.98, 4, 0.04, worse, 0.011, 0.98, 0, ""},
		{"noise of a tenth", func(seed uint64) tamper { return noisyMeter(0.1, seed) }, simulate.Options{}, 0.99, 2, 0.035, worse, 0.012, 0.97, 0.95, event.FlagCoarseMeter},
	} {
		const dwellings = 40
		var s score
		showers, flagged, wrong := 0, 0, 0
		c.options.Days = 3
		for i := range dwellings {
			h := simulate.NewHouse(fmt.Sprintf("h%03d", i), 40_000+uint64(i), c.options)
			var truth simulate.Truth
			_, got := eventsTold(h, &truth, c.meter(uint64(i)))
			for j := range got {
				is := got[j].Has(c.flag) || c.name == "fine" && (got[j].Has(event.FlagCoarseMeter) || got[j].Has(event.FlagSpikes))
				if got[j].Kind == event.Shower {
					showers++
				}
				if is && got[j].Kind == event.Shower {
					flagged++
				}
				if is {
					wrong++
				}
			}
			s.match(h, truth.Events, got)
		}
		n := float64(s.measured)
		t.Logf("%-27s F1 %.3f %.3f  start %.1f end %.1f s  volume %.4f  measured %.3f  effectiveness %.4f covered %.3f  heat %.3f  ratio %.4f covered %.3f  flagged %d of %d",
			c.name, f1(s.found, s.missed, s.extra), f1(s.otherFound, s.otherMissed, s.otherAs), pct(s.start, 0.95), pct(s.end, 0.95), pct(s.volume, 0.95),
			float64(s.measured)/float64(s.measurable), pct(s.eff, 0.95), float64(s.effIn)/n, float64(s.heatIn)/float64(len(s.heat)), pct(s.rat, 0.95), float64(s.ratIn)/n, flagged, showers)
		if c.name == "fine" && wrong > 5 {
			t.Errorf("%s: %d events of a fine meter are flagged", c.name, wrong)
		}
		if c.name == "fine" {
			fine = pct(s.rat, 0.95)
			report(t, s.ratio.rows())
		}
		for _, r := range []row{
			{"showers found, F1", f1(s.found, s.missed, s.extra), 0.98, 1, 0},
			{"other draws, F1", f1(s.otherFound, s.otherMissed, s.otherAs), c.other, 1, 0},
			{"start error, s", pct(s.start, 0.95), 0, c.edge, 0},
			{"end error, s", pct(s.end, 0.95), 0, c.edge, 0},
			{"volume error", pct(s.volume, 0.95), 0, c.volume, 0},
			{"share of measurable showers measured", float64(s.measured) / float64(s.measurable), c.least, 1, 0},
			{"effectiveness error", pct(s.eff, 0.95), 0, c.eff, 0},
			{"ratio error", pct(s.rat, 0.95), 0, fine * c.ratio, 0},
			{"coverage of effectiveness_u95", float64(s.effIn) / n, 0.90, 1, 0},
			{"coverage of heat_u95_kwh", float64(s.heatIn) / float64(len(s.heat)), 0.87, 1, 0},
			{"coverage of ratio_u95", float64(s.ratIn) / n, 0.90, 1, 0},
			{"share of showers flagged", float64(flagged) / float64(showers), c.flagged, 1, 0},
		} {
			if !(r.value >= r.lo && r.value <= r.hi) {
				t.Errorf("%s: %s is %.4f, want %g to %g", c.name, r.name, r.value, r.lo, r.hi)
			}
		}
	}
}
