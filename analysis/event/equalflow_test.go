package event

import (
	"math"
	"slices"
	"testing"

	"greywatt"
	"greywatt/analysis/simulate"
)

var unknown = logRatio{math.NaN(), math.NaN()}

// Of the prior alone: 0.1 · 0.05 is its mean, 2 · 0.1 · 0.05² its second moment (of
// an exponential distribution), so that the standard deviation is 0.0218.
func TestEqualFlowByPriorAlone(t *testing.T) {
	e := weighEqual(unknown, unknown, unknown)
	if math.Abs(e.lnR-0.005) > 2e-4 || math.Abs(e.u-0.0218) > 5e-4 || e.perHeat != 0 || e.perMeter != 0 {
		t.Errorf("%+v, want a mean of 0.005 and u 0.0218", e)
	}
}

func TestEqualFlow(t *testing.T) {
	balance := func(x float64) logRatio { return logRatio{x, 0.02} }
	for _, c := range []struct {
		name              string
		heat, meter, leak logRatio
		lo, hi            float64 // of ln R
		unequal           bool
	}{
		{"balance agrees", balance(0), unknown, unknown, 0, 0.002, false},
		{"balance below", balance(-0.03), unknown, unknown, 0, 0.001, false},
		{"one standard uncertainty", balance(0.02), unknown, unknown, 0, 0.004, false},
		{"a tap of 8 %", balance(0.08), unknown, unknown, 0.060, 0.080, true},
		{"a clamp off its pipe", balance(0.7), unknown, unknown, 0, 0.05, false},
		{"meter and balance at 5 %", balance(0.05), logRatio{0.05, 0.02}, unknown, 0.03, 0.05, true},
		{"a meter off scale", balance(0), logRatio{0.15, 0.02}, unknown, 0, 0.01, false},
		{"a leak at rest", balance(0.03), unknown, logRatio{0.03, 0.002}, 0.025, 0.032, true},
		{"the shower's own drip", balance(-0.02), unknown, logRatio{0.05, 0.002}, 0, 0.01, false},
	} {
		e := weighEqual(c.heat, c.meter, c.leak)
		if !(e.lnR >= c.lo && e.lnR <= c.hi) || e.unequal > flagUnequal != c.unequal {
			t.Errorf("%s: ln R %.4f ± %.4f, unequal %.2f; want %g to %g, %t", c.name, e.lnR, e.sd, e.unequal, c.lo, c.hi, c.unequal)
		}
		// what the estimates carry and what is left are the whole
		carried := 0.0
		if c.heat.known() {
			carried += square(e.perHeat * c.heat.u)
		}
		if c.meter.known() {
			carried += square(e.perMeter * c.meter.u)
		}
		if got := math.Sqrt(carried + e.u*e.u); math.Abs(got-e.sd) > 1e-9 {
			t.Errorf("%s: the parts make %.5f of %.5f", c.name, got, e.sd)
		}
	}
}

// The response to the balance is its derivative.
func TestEqualFlowResponse(t *testing.T) {
	const h = 1e-5
	for _, x := range []float64{-0.02, 0, 0.01, 0.03} {
		at := func(x float64) equality { return weighEqual(logRatio{x, 0.02}, unknown, unknown) }
		want := (at(x+h).lnR - at(x-h).lnR) / (2 * h)
		if got := at(x).perHeat; math.Abs(got-min(1, want)) > 1e-3 {
			t.Errorf("at %g: %.4f, want %.4f", x, got, want)
		}
	}
}

// Without waste-out, connection A has all figures; without preheat-out the waste
// side's; without waste-in or cold-in none. Each against what the simulator made.
func TestMissingChannels(t *testing.T) {
	h := simulate.NewHouse("x", 41, simulate.Options{Days: 5, Connection: greywatt.ConnectionA})
	var truth simulate.Truth
	frames := slices.Collect(h.Frames(&truth))
	study := &greywatt.Study{Dwellings: []greywatt.Dwelling{h.Dwelling}}
	for _, c := range []struct {
		channel greywatt.Channel
		flags   []Flag
		known   bool
	}{
		{greywatt.WasteOut, []Flag{FlagNoWasteOut}, true},
		{greywatt.PreheatOut, []Flag{FlagNoPreheatOut, FlagFromWaste}, true},
		{greywatt.WasteIn, []Flag{FlagNoWasteIn}, false},
		{greywatt.ColdIn, []Flag{FlagNoColdIn}, false},
	} {
		without := slices.Clone(frames)
		for i := range without {
			without[i].Value[c.channel] = math.NaN()
		}
		a := NewAnalyser(study, &study.Dwellings[0])
		events := append(a.Push(without), a.Close()...)
		n, covered := 0, 0
		for i := range events {
			e := &events[i]
			if e.Has(FlagUnbalanced) || !math.IsNaN(e.Balance) && c.channel != greywatt.ColdIn {
				t.Errorf("without %s: balance %g, flags %v", c.channel, e.Balance, e.Flags)
			}
			for _, x := range truth.Events {
				if !x.Measurable || min(x.End, e.End).Sub(max(x.Start, e.Start)) < x.RunningS/2 {
					continue
				}
				n++
				for _, f := range c.flags {
					if !e.Has(f) {
						t.Errorf("without %s: flags %v, want %s", c.channel, e.Flags, f)
					}
				}
				if known := !math.IsNaN(e.Effectiveness) && e.EffectivenessU95 > 0 && e.RatioU95 > 0 && e.UARatioU95 > 0; known != c.known {
					t.Errorf("without %s: effectiveness %g ± %g, ratio ± %g, known: %t", c.channel, e.Effectiveness, e.EffectivenessU95, e.RatioU95, c.known)
				}
				if math.Abs(e.Effectiveness-x.EffActual) <= e.EffectivenessU95 {
					covered++
				}
			}
		}
		if n < 4 || c.known && covered < n-1 {
			t.Errorf("without %s: %d of %d covered", c.channel, covered, n)
		}
	}
}
